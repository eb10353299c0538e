"""Listen to a recording as if it were happening now, and keep it as a run."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path

from listen.blocks import Frames, Gap, LoadSample
from listen.ears import Ear, FramesEar, FusedEar, LoadEar, SoundEar, kept_features, shipped_model
from listen.errors import InputError
from listen.hear import Clamp
from listen.job_file import load_job
from listen.marks import Mark
from listen.plan import Plan, lines_of_blocks, plan_job
from listen.record import Run, RunWriter
from listen.record.features import FeatureWriter
from listen.record.keep import Keep, keep_of
from listen.record.lines import Line
from listen.record.new_folder import SetAside, new_folder, unnoticed
from listen.record.sound import LONG_S
from listen.record.spectrum import PictureMaker
from listen.replay_source import Input, Source, inputs_of, source_of
from listen.second_hearing import second_hearing
from listen.session import Decided, Session
from listen.states import ContactSound, StateLikelihoods
from listen.timeline import Timeline
from listen.told import Flag

Progress = Callable[[float], None]  # is given the share done, 0 to 1
WritePage = Callable[[Run, Path], None]


def replay_recording(
    recording: Path,
    *,
    out: Path,
    write_page: WritePage,
    job: Path | None = None,
    load: Path | None = None,
    columns: str = "",
    clamp: Clamp | None = None,
    model: Path | None = None,
    keep: str = "small",
    set_aside: SetAside | None = unnoticed,
    progress: Progress = lambda share: None,
) -> Run:
    """Listen to a recording and write the run folder; where it is refused nothing is left behind.

    Parameters
    ----------
    recording : Path
        A sound file, a run folder, or ``-`` for no sound (then `load` is needed).
    out : Path
        The run folder; new, empty, or holding an earlier replay.
    write_page : callable
        Makes the timeline page from the finished run.
    job : Path | None
        The job file; a run folder brings its own.
    load : Path | None
        A load log, with `columns` as its column map.
    clamp : Clamp | None
        A current clamp on one of the recording's channels.
    model : Path | None
        A model folder; the shipped model where none is named.
    keep : str
        What the run folder keeps of the sound, a word of `listen.record.keep.KEEPS`.
    set_aside : callable | None
        Told where an earlier replay is kept that `out` held; None for one that is made again at
        will and is replaced.
    progress : callable

    Raises
    ------
    ListenError
        For a job, program, recording or load log that cannot be used, and a folder that must not
        be written.
    """
    kept = keep_of(keep)
    source = source_of(recording, job, clamp)
    if source.sound is None and source.features is None and load is None and not source.witnesses:
        raise InputError("no sound and no load: `-` needs --load FILE")
    plan, timeline = _planned(source)
    inputs = inputs_of(source, load, columns, lines=lines_of_blocks(plan))
    sound = _written(kept.sound, source)
    shown = PictureMaker(source.rate, duration_s=source.length / source.rate) if sound != "none" else None
    with (
        one_thread(),
        new_folder(out, set_aside=set_aside) as folder,
        _features(folder, source, kept) as features,
    ):
        note = features.push if features else None
        run = _listen(
            inputs,
            ear=_ear(source, with_load=load is not None or clamp is not None, model=model, note=note),
            writer=RunWriter(
                folder,
                rate=source.rate,
                live=False,
                sound=sound,
                copy_of=source.sound if clamp is None else None,
                picture=shown,
                timeline=timeline,
                job=None if plan is None else plan.job,
                source=source.named,
            ),
            timeline=timeline,
            tell=lambda at: progress(0.9 * min(1.0, at / max(1, source.length))),
        )
        picture = shown.close() if shown and run.sound_path else None
        write_page(replace(run, picture=picture), folder / "timeline.html")
    progress(1.0)
    return replace(run, folder=out)


def _planned(source: Source) -> tuple[Plan | None, Timeline | None]:
    """The job worked out, and what the run is held against: of the kind that was chosen when it began.

    A preview is held against the part of the program that it was made of.
    """
    if source.job is None:
        return None, None
    plan = plan_job(load_job(source.job))
    if source.timeline is not None:
        return plan, source.timeline
    return plan, replace(plan.timeline, kind=source.kind) if source.kind else plan.timeline


def _written(sound: str, source: Source) -> str:
    """Small sound of a recording that exists anyway need not be safe at any moment, only quickly made."""
    if source.sound is None:
        return "none"
    if sound != "opus":
        return sound
    return "long vorbis" if source.length > LONG_S * source.rate else "vorbis"


def _features(folder: Path, source: Source, kept: Keep) -> AbstractContextManager[FeatureWriter | None]:
    """What takes the measured frames where they are kept; a run that has nothing else keeps them."""
    wanted = source.features is not None or (kept.features and source.sound is not None)
    return kept_features(folder, source.rate) if wanted else nullcontext()


def _ear(
    source: Source, *, with_load: bool, model: Path | None, note: Callable[[Frames | Gap], None] | None
) -> Ear:
    sound: SoundEar
    if source.features is not None:
        sound = FramesEar(shipped_model(model), source.features, note=note)
    elif source.sound is None:
        return LoadEar(rate=source.rate, keep=True)
    else:
        sound = SoundEar(shipped_model(model), rate=source.rate, keep=True, note=note)
    with_load = with_load or any(isinstance(item, LoadSample) for item in source.witnesses)
    return FusedEar(sound, rate=source.rate, keep=True) if with_load else sound


def _listen(
    inputs: Iterator[Input],
    *,
    ear: Ear,
    writer: RunWriter,
    timeline: Timeline | None,
    tell: Callable[[int], None],
) -> Run:
    rate = writer.header.rate
    session = Session(timeline, ear=ear, rate=rate)
    told: list[Line] = []  # what the second look needs
    with writer:
        for given in inputs:
            lines = _lines(session.push(given))
            told += [item for item in (given, *lines) if isinstance(item, ContactSound | Mark | Gap | Flag)]
            writer.push(given, *lines)
            tell(session.heard)
        last = _lines(session.close())
        writer.push(*last)
        if ear.runs_on_load:
            writer.push(Gap(start=0, stop=session.heard, reason="no sound was recorded"))
        again = second_hearing(ear, timeline, rate=rate, told=[*told, *last], end=session.heard)
        writer.push(*again.flags)
        if isinstance(ear, FusedEar) and ear.clock is not None:
            writer.push(ear.clock)
        return writer.finish(refined=again.refined, verdicts=again.verdicts)


def _lines(decided: tuple[Decided, ...]) -> list[Line]:
    """What is written down: all but the likelihoods of each frame."""
    return [item for item in decided if not isinstance(item, StateLikelihoods)]


@contextmanager
def one_thread() -> Iterator[None]:
    """Number libraries kept to one thread, so that sums round alike however many workers there are.

    It costs no time: the matrices are small, and several threads wait for each other.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1):
        yield
