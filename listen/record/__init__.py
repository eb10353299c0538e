"""The run folder, written as it happens and read back; the library of runs."""

from listen.record.labels import LabelledContact, Labels, read_labels
from listen.record.reader import is_run_folder, read_header, read_run
from listen.record.run import Listing, LiveCall, Run, RunContact, RunHeader, RunHold, Stretch
from listen.record.run_json import run_values, schema
from listen.record.sound import read_sound, read_stretch
from listen.record.writer import RunWriter

__all__ = [
    "LabelledContact",
    "Labels",
    "Listing",
    "LiveCall",
    "Run",
    "RunContact",
    "RunHeader",
    "RunHold",
    "RunWriter",
    "Stretch",
    "is_run_folder",
    "read_header",
    "read_labels",
    "read_run",
    "read_sound",
    "read_stretch",
    "run_values",
    "schema",
]
