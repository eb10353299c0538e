"""Listen to a recording as if it were happening now, and keep it as a run."""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from heapq import merge
from pathlib import Path

from listen.blocks import Block, Gap, LoadSample
from listen.ears import Ear, LoadEar, SoundEar, shipped_model
from listen.errors import InputError, RecordingError
from listen.hear import parse_columns, read_blocks, read_load_log, sound_info
from listen.job import Job
from listen.job_file import load_job
from listen.record import Run, RunWriter, read_header
from listen.record.lines import Line
from listen.session import Decided, Session, plan_job, second_hearing
from listen.states import ContactSound, StateLikelihoods
from listen.timeline import Mark, Timeline

BLOCK_S = 1.0
WITHOUT_SOUND_HZ = 8000  # the clock of a run that has load and no sound
KEPT_BY_HAND = ("labels.json",)
Progress = Callable[[float], None]  # is given the share done, 0 to 1
WritePage = Callable[[Run, Path], None]
Input = Block | Gap | LoadSample | Mark


def replay_recording(
    recording: Path,
    *,
    out: Path,
    write_page: WritePage,
    job: Path | None = None,
    load: Path | None = None,
    columns: str = "",
    progress: Progress = lambda share: None,
) -> Run:
    """Listen to a recording and write the run folder; where it is refused nothing is left behind.

    Parameters
    ----------
    recording : Path
        A sound file, a run folder, or ``-`` for no sound (then `load` is needed).
    out : Path
        The run folder; new, empty, or holding an earlier replay, which is then replaced.
    write_page : callable
        Makes the timeline page from the finished run.
    job : Path | None
        The job file; a run folder brings its own.
    load : Path | None
        A load log, with `columns` as its column map.
    progress : callable

    Raises
    ------
    ListenError
        For a job, program, recording or load log that cannot be used, and a folder that must not
        be written.
    """
    sound, job = _source(recording, job)
    plan = load_job(job) if job is not None else None
    timeline = plan_job(plan).timeline if plan is not None else None
    if sound is None and load is None:
        raise InputError("no sound and no load: `-` needs --load FILE")
    rate, length = _clock(sound)
    inputs = _inputs(sound, rate, load, columns)
    with new_folder(out) as folder:
        run = _listen(
            inputs,
            ear=_ear(sound, rate),
            folder=folder,
            rate=rate,
            timeline=timeline,
            job=plan,
            source=recording.name,
            tell=lambda at: progress(0.9 * min(1.0, at / max(1, length))),
        )
        write_page(run, folder / "timeline.html")
    progress(1.0)
    return replace(run, folder=out)


def _source(recording: Path, job: Path | None) -> tuple[Path | None, Path | None]:
    """The sound file and the job, from a file, a run folder or ``-``."""
    if str(recording) == "-":
        return None, job
    if not recording.is_dir():
        return recording, job
    header = read_header(recording)
    own_job = recording / "job" / "job.toml"
    if not header.sound:
        raise RecordingError(f"{recording} keeps no sound, so it cannot be listened to again")
    return recording / header.sound, job or (own_job if own_job.is_file() else None)


def _clock(sound: Path | None) -> tuple[int, int]:
    """Rate and length of what will be heard [Hz, samples]."""
    if sound is None:
        return WITHOUT_SOUND_HZ, 0
    info = sound_info(sound)
    return info.rate, info.n_samples


def _ear(sound: Path | None, rate: int) -> Ear:
    return LoadEar(rate=rate, keep=True) if sound is None else SoundEar(shipped_model(), rate=rate, keep=True)


def _inputs(sound: Path | None, rate: int, load: Path | None, columns: str) -> Iterator[Input]:
    """Sound and load in the order in which they would have come."""
    logged: list[LoadSample | Mark] = []
    if load is not None:
        logged = list(read_load_log(load, rate=rate, columns=parse_columns(columns)).items)
    if sound is None:
        return iter(logged)
    blocks = read_blocks(sound, block_samples=round(BLOCK_S * rate))
    return merge(blocks, logged, key=_known_at)


def _known_at(item: Input) -> int:
    return item.stop if isinstance(item, Block | Gap) else item.at


def _listen(
    inputs: Iterator[Input],
    *,
    ear: Ear,
    folder: Path,
    rate: int,
    timeline: Timeline | None,
    job: Job | None,
    source: str,
    tell: Callable[[int], None],
) -> Run:
    session = Session(timeline, ear=ear, rate=rate)
    told: list[Line] = []  # what the second look needs
    with RunWriter(
        folder,
        rate=rate,
        live=False,
        sound="none" if ear.runs_on_load else "opus",
        timeline=timeline,
        job=job,
        source=source,
    ) as writer:
        for given in inputs:
            lines = _lines(session.push(given))
            told += [item for item in (given, *lines) if isinstance(item, ContactSound | Mark | Gap)]
            writer.push(given, *lines)
            tell(session.heard)
        last = _lines(session.close())
        writer.push(*last)
        if ear.runs_on_load:
            writer.push(Gap(start=0, stop=session.heard, reason="no sound was recorded"))
        refined, verdicts = second_hearing(ear, timeline, rate=rate, told=[*told, *last], end=session.heard)
        return writer.finish(refined=refined, verdicts=verdicts)


def _lines(decided: tuple[Decided, ...]) -> list[Line]:
    """What is written down: all but the likelihoods of each frame."""
    return [item for item in decided if not isinstance(item, StateLikelihoods)]


@contextmanager
def new_folder(out: Path) -> Iterator[Path]:
    """A folder beside `out` that becomes `out` when all went well, and is gone when not.

    Raises
    ------
    RecordingError
        If `out` holds something that is not to be replaced.
    """
    _refuse_to_lose(out)
    part = out.parent / f".{out.name}.{os.getpid()}.part"
    missing = [folder for folder in part.parents if not folder.exists()]
    part.mkdir(parents=True)
    try:
        yield part
        if out.exists():
            shutil.rmtree(out)
        part.rename(out)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        for folder in missing:
            if not any(folder.iterdir()):
                folder.rmdir()


def _refuse_to_lose(out: Path) -> None:
    if not out.exists():
        return
    if not out.is_dir():
        raise RecordingError(f"{out} must be a folder for the run, it is a file")
    held = {path.name for path in out.iterdir()}
    if not held:
        return
    if "decisions.jsonl" not in held:
        raise RecordingError(
            f"{out} must be a new or empty folder, it holds {min(held)}; choose another --out"
        )
    kept = sorted(held & set(KEPT_BY_HAND))
    if kept or _is_live(out):
        what = kept[0] if kept else "a run made at the machine"
        raise RecordingError(f"{out} holds {what}, which would be lost; choose another --out")


def _is_live(out: Path) -> bool:
    return bool(read_header(out).started)
