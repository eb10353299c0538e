"""Listen to a recording as if it were happening now, and keep it as a run."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from heapq import merge
from pathlib import Path

import numpy as np

from listen.blocks import Block, Frames, Gap, LoadSample
from listen.ears import Ear, FramesEar, LoadEar, SoundEar, kept_features, shipped_model
from listen.errors import InputError, RecordingError
from listen.fused_ear import FusedEar
from listen.hear import Clamp, clamp_loads, parse_columns, read_ahead, read_blocks, read_load_log, sound_info
from listen.hear.digital_silence import LEAST, REASON
from listen.job_file import load_job
from listen.marks import Mark
from listen.plan import Plan, plan_job
from listen.record import Run, RunWriter, is_run_folder, read_run
from listen.record.features import FEATURES_FILE, Features, FeatureWriter, read_features
from listen.record.keep import Keep, keep_of
from listen.record.lines import Line
from listen.record.new_folder import SetAside, new_folder, unnoticed
from listen.record.run import MADE
from listen.record.sound import LONG_S
from listen.record.spectrum import PictureMaker
from listen.second_hearing import second_hearing
from listen.session import Decided, Session
from listen.states import ContactSound, StateLikelihoods
from listen.timeline import Timeline
from listen.told import Flag

BLOCK_S = 1.0
WITHOUT_SOUND_HZ = 8000  # the clock of a run that has load and no sound
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
    source = _source(recording, job, clamp)
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


def _planned(source: "Source") -> tuple[Plan | None, Timeline | None]:
    """The job worked out, and what the run is held against: of the kind that was chosen when it began.

    A preview is held against the part of the program that it was made of.
    """
    if source.job is None:
        return None, None
    plan = plan_job(load_job(source.job))
    if source.timeline is not None:
        return plan, source.timeline
    return plan, replace(plan.timeline, kind=source.kind) if source.kind else plan.timeline


def _written(sound: str, source: "Source") -> str:
    """Small sound of a recording that exists anyway need not be safe at any moment, only quickly made."""
    if source.sound is None:
        return "none"
    if sound != "opus":
        return sound
    return "long vorbis" if source.length > LONG_S * source.rate else "vorbis"


def _features(folder: Path, source: "Source", kept: Keep) -> AbstractContextManager[FeatureWriter | None]:
    """What takes the measured frames where they are kept; a run that has nothing else keeps them."""
    wanted = source.features is not None or (kept.features and source.sound is not None)
    return kept_features(folder, source.rate) if wanted else nullcontext()


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What is listened to.

    Attributes
    ----------
    named : str
        What is listened to, for a person; of a preview also that it is one.
    sound : Path | None
        None where load is all there is.
    job : Path | None
    rate, length : int
        [Hz], [samples].
    gaps, witnesses : tuple
        What a run folder says was not heard, and what came beside the sound.
    kind : str
        Which kind of run was chosen when it began; "" where the job says it.
    timeline : Timeline | None
        What a preview was made of, perhaps some contacts of its program at another override.
    features : Features | None
        The frames of a run folder that keeps these and no sound.
    clamp : Clamp | None
        On a channel of the sound.
    """

    named: str
    sound: Path | None
    job: Path | None
    rate: int
    length: int
    gaps: tuple[Gap, ...] = ()
    witnesses: tuple[LoadSample | Mark, ...] = ()
    kind: str = ""
    timeline: Timeline | None = None
    features: Features | None = None
    clamp: Clamp | None = None


def _source(recording: Path, job: Path | None, clamp: Clamp | None) -> Source:
    """A sound file, a run folder or ``-``, with the clamp on it where there is one."""
    source = _named(recording, job)
    return source if clamp is None else _clamped(source, clamp)


def _named(recording: Path, job: Path | None) -> Source:
    if str(recording) == "-":
        return Source(named="-", sound=None, job=job, rate=WITHOUT_SOUND_HZ, length=0)
    if recording.is_dir():
        if not is_run_folder(recording):
            raise RecordingError(
                f"{recording} is a folder that holds no run and no recording; is the name right?"
            )
        return run_folder(recording, job)
    info = sound_info(recording)
    return Source(named=recording.name, sound=recording, job=job, rate=info.rate, length=info.n_samples)


def run_folder(folder: Path, job: Path | None) -> Source:
    """What a run folder holds to be listened to again, gaps and witnesses at their places."""
    run = read_run(folder)
    own_job = folder / "job" / "job.toml"
    has_features = run.sound_path is None and (folder / FEATURES_FILE).is_file()
    if run.sound_path is None and not has_features and not run.loads:
        raise RecordingError(f"{folder} keeps neither sound nor load, so it cannot be listened to again")
    rate = run.header.sound_rate if run.sound_path else run.rate
    scale = rate / run.rate
    return Source(
        named=f"{folder.name}, {MADE}" if run.header.of_made_sound else folder.name,
        sound=run.sound_path,
        job=job or (own_job if own_job.is_file() else None),
        rate=rate,
        length=round(run.duration * scale),
        gaps=tuple(
            replace(gap, start=round(gap.start * scale), stop=round(gap.stop * scale))
            for gap in run.gaps
            if has_features or gap.reason != REASON  # the ear finds these in the sound itself
        ),
        witnesses=tuple(sorted(_scaled((*run.loads, *run.marks), scale), key=lambda item: item.at)),
        features=read_features(folder) if has_features else None,
        kind="" if job else run.header.kind,
        timeline=run.timeline if run.header.is_made and not job else None,
    )


def _clamped(source: Source, clamp: Clamp) -> Source:
    """The source with its clamp, and the sound on the first channel that is not the clamp's."""
    if source.sound is None:
        raise InputError("--clamp needs a recording with the clamp on one of its channels")
    channels = sound_info(source.sound).channels
    if channels < 2 or clamp.channel > channels:
        raise InputError(
            f"{source.sound.name} has {channels} channels; --clamp {clamp.channel} needs that one and another"
        )
    return replace(source, clamp=clamp)


def _scaled(items: Iterable[LoadSample | Mark], scale: float) -> Iterator[LoadSample | Mark]:
    for item in items:
        moved: LoadSample | Mark = replace(item, at=round(item.at * scale))
        yield moved


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


def lines_of_blocks(plan: Plan | None) -> dict[str, int]:
    """Line in the main program of each N word."""
    if plan is None:
        return {}
    return {name: line for (file, line), name in plan.path.blocks.items() if file == 0}


def inputs_of(
    source: Source, load: Path | None, columns: str, *, lines: Mapping[str, int] | None = None
) -> Iterator[Input]:
    """Sound and what came beside it in the order in which they would have come."""
    witnesses: tuple[LoadSample | Mark, ...] = source.witnesses
    if load is not None:
        named = parse_columns(columns)
        witnesses = read_load_log(load, rate=source.rate, columns=named, lines_of_blocks=lines).items
    if source.sound is None and source.features is None:
        return iter(witnesses)
    size = round(BLOCK_S * source.rate)
    clamp = source.clamp
    channel = None if clamp is None else (2 if clamp.channel == 1 else 1)
    blocks = (
        read_ahead(read_blocks(source.sound, block_samples=size, channel=channel))
        if source.sound
        else _silence(source, size)
    )
    marks = [item for item in witnesses if isinstance(item, Mark)]
    loads = [item for item in witnesses if isinstance(item, LoadSample)]
    if source.sound is not None and clamp is None and not loads:
        blocks = _sounding(blocks, source.sound)
    sound = _cut_at(_with_gaps(blocks, list(source.gaps)), [mark.at for mark in marks])
    if clamp is None or source.sound is None:
        return merge(marks, sound, loads, key=_begins_at)
    drawn = clamp_loads(read_blocks(source.sound, block_samples=size, channel=clamp.channel), clamp)
    return merge(marks, sound, loads, drawn, key=_begins_at)


def _sounding(blocks: Iterable[Block], sound: Path) -> Iterator[Block]:
    """The same blocks; at their end it is an error where all were zeros, for then nobody listened."""
    silent = True
    for block in blocks:
        silent = silent and not (np.abs(block.samples) >= LEAST).any()
        yield block
    if silent:
        raise InputError(
            f"{sound.name} holds nothing but zeros; was the microphone muted, or another input recorded?"
        )


def _silence(source: Source, size: int) -> Iterator[Block]:
    """Blocks in the place of sound that was not kept."""
    for start in range(0, source.length, size):
        yield Block(samples=np.zeros(min(size, source.length - start)), start=start, rate=source.rate)


def _begins_at(item: Input) -> int:
    return item.start if isinstance(item, Block | Gap) else item.at


def _cut_at(items: Iterable[Block | Gap], places: Sequence[int]) -> Iterator[Block | Gap]:
    """The same with a new block at each place, so that a mark there comes before the sound that follows."""
    for item in items:
        begin = item.start
        for place in places if isinstance(item, Block) else ():
            if begin < place < item.stop and isinstance(item, Block):
                yield _part(item, begin, place)
                begin = place
        yield _part(item, begin, item.stop) if isinstance(item, Block) else item


def _with_gaps(blocks: Iterable[Block], gaps: list[Gap]) -> Iterator[Block | Gap]:
    """Blocks with what was silence on disk given as the gap that it was."""
    for block in blocks:
        begin = block.start
        while gaps and gaps[0].start < block.stop:
            gap = gaps[0]
            if gap.start > begin:
                yield _part(block, begin, gap.start)
            if gap.start >= block.start:
                yield gap
            begin = max(begin, gap.stop)
            if gap.stop > block.stop:
                break
            gaps.pop(0)
        if begin < block.stop:
            yield _part(block, begin, block.stop)
    yield from (gap for gap in gaps[:1] if gap.start >= block.stop)


def _part(block: Block, start: int, stop: int) -> Block:
    samples = block.samples[start - block.start : stop - block.start]
    return Block(samples=samples, start=start, rate=block.rate)


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
