"""A run that somebody experienced stands for, marked by ``reference.json`` inside it."""

import json
from dataclasses import dataclass
from pathlib import Path

from listen.errors import InputError, RecordingError
from listen.record.reader import read_header, read_run
from listen.record.run import Run
from listen.record.run_json import write_whole

REFERENCE = "reference.json"
REFERENCE_FORMAT = "cut-listen reference 1"


def is_reference(folder: Path) -> bool:
    """Whether someone marked this run as a yardstick for others."""
    return (folder / REFERENCE).is_file()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """Who stands for a reference, by initials, and what is good about it."""

    by: str
    note: str

    def __str__(self) -> str:
        return f"{self.by}: {self.note}" if self.note else self.by


def read_reference(folder: Path) -> Reference | None:
    """The mark of a run, None where it has none or one that cannot be read."""
    try:
        values = json.loads((folder / REFERENCE).read_text(encoding="utf-8"))
        return Reference(by=str(values["by"]), note=str(values.get("note", "")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def newest_reference(root: Path, program: str, *, but: Path) -> Run | None:
    """The run of a program beside others in `root` that was last marked as reference, `but` one."""
    marks = sorted(root.glob(f"*/{REFERENCE}"), key=lambda path: path.stat().st_mtime_ns, reverse=True)
    for folder in (mark.parent for mark in marks):
        if folder == but or not program:
            continue
        try:
            if read_header(folder).program == program:
                return read_run(folder)
        except RecordingError:
            continue
    return None


def mark_reference(folder: Path, *, by: str, note: str = "") -> None:
    """Mark a run as reference: its cuts are the yardstick for later runs of its program.

    Raises
    ------
    InputError
        If nobody signs for it, the run is not whole, or it is a preview or a replay of one.
    """
    if not by.strip():
        raise InputError(
            "a reference needs the initials of someone experienced who stands for it, as --by AB"
        )
    run = read_run(folder)
    if run.header.of_made_sound:
        raise InputError(
            f"{folder} is of made sound, of a preview; a reference must have been heard at a machine"
        )
    if not run.complete:
        raise InputError(f"{folder} must be a whole run to be a reference; {run.problem}")
    values = {"format": REFERENCE_FORMAT, "by": by.strip(), "note": note}
    write_whole(folder / REFERENCE, json.dumps(values, indent=1) + "\n")


def unmark_reference(folder: Path) -> None:
    """Take the mark away."""
    (folder / REFERENCE).unlink(missing_ok=True)
