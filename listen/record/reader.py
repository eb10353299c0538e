"""A run folder read back, also one whose writer was killed."""

import json
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any, TypeVar

from listen.blocks import Gap, LoadSample, SourceClock, SourceState
from listen.errors import InputError, RecordingError
from listen.followed import Position, Verdict
from listen.marks import Look, Mark
from listen.record.assemble import confirmed, contacts_of, holds_of, thin
from listen.record.expected_file import read_expected
from listen.record.lines import Line, from_line
from listen.record.run import Listing, Run, RunHeader
from listen.record.sound import sound_length
from listen.states import ContactSound, Event, Finding
from listen.told import Cue, Flag

DECISIONS = "decisions.jsonl"  # what makes a folder a run
FORMATS = ("cut-listen decisions 1",)
Kind = TypeVar("Kind", bound=Line)


def read_run(folder: Path) -> Run:
    """The run in a folder, whole or as far as it came.

    Raises
    ------
    RecordingError
        If the folder holds no run, or a damaged one; the message names file and line.
    """
    path = folder / DECISIONS
    lines = _lines(path)
    header = _header(path, lines[0] if lines else "")
    end, items = _items(path, lines[1:])
    timeline = read_expected(folder)
    live = tuple(item for name, item in items if not name.startswith("refined "))
    refined = tuple(item for name, item in items if name.startswith("refined "))
    positions = thin(_only(Position, live), header.rate)
    return Run(
        folder=folder,
        header=header,
        duration=_duration(folder, header, end, items),
        complete=end is not None,
        problem=str(end.get("problem", "")) if end else "recording was cut off",
        events=confirmed(_only(Event, live)),
        refined=confirmed(_only(Event, refined)),
        contacts=contacts_of(timeline, _only(Verdict, live), _only(Verdict, refined)),
        holds=holds_of(timeline, positions, header.rate),
        looks=_only(Look, live),
        flags=_only(Flag, live),
        positions=positions,
        gaps=_only(Gap, live),
        loads=_only(LoadSample, live),
        clocks=_only(SourceClock, live),
        sources=_only(SourceState, live),
        marks=_only(Mark, live),
        cues=_only(Cue, live),
        findings=_only(Finding, live),
        sounds=_only(ContactSound, live),
        timeline=timeline,
        listings=tuple(_listings(folder / "job", header.program)),
    )


def is_run_folder(folder: Path) -> bool:
    """Whether a run is kept in this folder, whole or cut off."""
    return (folder / DECISIONS).is_file()


def read_header(folder: Path) -> RunHeader:
    """Only what is known of a run before its first sound."""
    path = folder / DECISIONS
    try:
        with path.open(encoding="utf-8") as file:
            return _header(path, file.readline())
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"{path} must be the decisions of a run, cannot be read: {error}") from None


def _lines(path: Path) -> list[str]:
    """The whole lines; a last one without its line break was being written when it ended."""
    try:
        text = path.read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError):
        raise RecordingError(f"{path.parent} holds no run (no {path.name}); is the name right?") from None
    except OSError as error:
        raise RecordingError(f"{path} must be the decisions of a run: {error.strerror}") from None
    except UnicodeDecodeError as error:
        raise RecordingError(f"{path} must be text, byte {error.start} is not") from None
    return text.split("\n")[:-1]


def _header(path: Path, line: str) -> RunHeader:
    try:
        values = json.loads(line)
        form = values.pop("format")
    except (json.JSONDecodeError, KeyError, AttributeError, TypeError):
        raise RecordingError(f"{path} line 1 must say what the run is, got {line[:60]!r}") from None
    if form not in FORMATS:
        raise RecordingError(
            f"{path} must be of format {FORMATS[0]!r}, got {form!r}; is it from a newer version?"
        )
    known = {field.name for field in fields(RunHeader)}
    given = {key: value for key, value in values.items() if key in known}
    try:
        return RunHeader(**{**given, "tools": tuple(given.get("tools", ()))})
    except (TypeError, InputError) as error:
        raise RecordingError(f"{path} line 1 must say what the run is; {error}") from None


def _items(path: Path, lines: list[str]) -> tuple[dict[str, Any] | None, list[tuple[str, Line]]]:
    """The end line where there is one, and all decisions with their type names."""
    end: dict[str, Any] | None = None
    items: list[tuple[str, Line]] = []
    for number, line in enumerate(lines, start=2):
        if line.startswith('{"type": "end"'):
            end = _end(path, number, line)
            continue
        try:
            items.append(from_line(line))
        except RecordingError as error:
            raise RecordingError(f"{path} line {number}: {error}") from None
    return end, items


def _end(path: Path, number: int, line: str) -> dict[str, Any]:
    try:
        values: dict[str, Any] = json.loads(line)
        values["duration"] = int(values["duration"])
    except (json.JSONDecodeError, KeyError, ValueError, TypeError):
        raise RecordingError(f"{path} line {number} must end the run with its duration") from None
    return values


def _only(kind: type[Kind], items: tuple[Line, ...] | list[Line]) -> tuple[Kind, ...]:
    return tuple(item for item in items if isinstance(item, kind))


def _duration(
    folder: Path, header: RunHeader, end: dict[str, Any] | None, items: list[tuple[str, Line]]
) -> int:
    if end is not None:
        return int(end["duration"])
    last = max((_last(item) for _, item in items), default=0)
    path = folder / header.sound
    if not header.sound or not path.is_file() or path.stat().st_size == 0:
        return last
    try:
        length, rate = sound_length(path)
    except RecordingError:
        return last  # cut off within the first tenth of a second
    return max(last, length * header.rate // rate)


def _last(item: Line) -> int:
    names = ("at", "stop", "decided_at", "called_at")
    return max((getattr(item, name) for name in names if hasattr(item, name)), default=0)


def _listings(folder: Path, first: str) -> Iterator[Listing]:
    """The programs beside the run; the main one first."""
    if not folder.is_dir():
        return
    paths = [path for path in sorted(folder.rglob("*")) if path.is_file() and path.suffix != ".toml"]
    for path in sorted(paths, key=lambda path: path.name != first):
        text = path.read_bytes()[:5_000_000].decode("utf-8", errors="replace")
        if "\0" not in text:
            yield Listing(name=path.name, lines=tuple(text.splitlines()))
