"""The run folder, written as it happens and read back; the library of runs."""

from listen.record.reader import read_header, read_run
from listen.record.run import Listing, LiveCall, Run, RunContact, RunHeader, RunHold, Stretch
from listen.record.run_json import run_values, schema
from listen.record.sound import read_sound
from listen.record.writer import RunWriter

__all__ = [
    "Listing",
    "LiveCall",
    "Run",
    "RunContact",
    "RunHeader",
    "RunHold",
    "RunWriter",
    "Stretch",
    "read_header",
    "read_run",
    "read_sound",
    "run_values",
    "schema",
]
