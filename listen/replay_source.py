"""What a replay listens to: a recording or run folder, as blocks, gaps, load and marks in their order."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from heapq import merge
from pathlib import Path

import numpy as np

from listen.blocks import Block, Gap, LoadSample
from listen.errors import InputError, RecordingError
from listen.hear import Clamp, clamp_loads, parse_columns, read_ahead, read_blocks, read_load_log, sound_info
from listen.hear.digital_silence import LEAST, REASON
from listen.marks import Mark
from listen.record import is_run_folder, read_run
from listen.record.features import FEATURES_FILE, Features, read_features
from listen.record.run import MADE
from listen.timeline import Timeline

BLOCK_S = 1.0
WITHOUT_SOUND_HZ = 8000  # the clock of a run that has load and no sound
Input = Block | Gap | LoadSample | Mark


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


def source_of(recording: Path, job: Path | None, clamp: Clamp | None) -> Source:
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
