"""Whether run folders are whole: every file read to its end."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from listen.errors import RecordingError
from listen.record.reader import read_run
from listen.record.run import Run
from listen.record.run_json import run_json_matches
from listen.record.sound import read_sound


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Something wrong with one run, and what to do about it."""

    folder: Path
    text: str
    remedy: str


def check_run(folder: Path) -> tuple[Trouble, ...]:
    """All that is wrong with a run, () where nothing is."""
    try:
        run = read_run(folder)
    except (RecordingError, OSError) as error:
        return (
            Trouble(folder=folder, text=str(error), remedy="the run cannot be used; copy it from a backup"),
        )
    return tuple(_troubles(run))


def _troubles(run: Run) -> Iterator[Trouble]:
    if not run.complete:
        yield Trouble(folder=run.folder, text=run.problem, remedy="what was recorded can be used")
    if run.header.sound:
        yield from _sound(run)
    if run.complete:
        yield from _summary(run)


def _sound(run: Run) -> Iterator[Trouble]:
    path = run.folder / run.header.sound
    lost = "decisions can be used; the run cannot be listened to again"
    if not path.is_file():
        yield Trouble(folder=run.folder, text=f"{path} is gone", remedy=lost)
        return
    try:
        length = sum(block.size for block in read_sound(path, block_samples=run.header.sound_rate))
    except RecordingError as error:
        yield Trouble(folder=run.folder, text=str(error), remedy=lost)
        return
    short_s = run.duration / run.rate - length / run.header.sound_rate
    if abs(short_s) > 1.0:
        yield Trouble(folder=run.folder, text=f"{path} is {short_s:.1f} s too short", remedy=lost)


def _summary(run: Run) -> Iterator[Trouble]:
    if not run_json_matches(run):
        text = f"{run.folder / 'run.json'} does not say what the decisions say"
        yield Trouble(folder=run.folder, text=text, remedy="trust the decisions, not this file")
