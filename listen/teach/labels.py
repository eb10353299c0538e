"""A run with a person's labels, measured once: what teaching fits on and is judged by."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Frames, Gap
from listen.errors import RecordingError
from listen.measure import Measure
from listen.record import Run, Stretch, read_labels, read_run, read_sound

BLOCK_S = 1.0
LABELS = "labels.json"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabelledRun:
    """Frames of one run, and where tool and work touched by a person's word.

    Attributes
    ----------
    name : str
    rate, hop : int
        Of the sound [Hz]; step from frame to frame [samples].
    heard : tuple of Frames or Gap
        One piece a stretch between gaps.
    cuts : tuple of Stretch
        The labelled contacts in order [samples at `rate`].
    """

    name: str
    rate: int
    hop: int
    heard: tuple[Frames | Gap, ...]
    cuts: tuple[Stretch, ...]

    @property
    def stretches(self) -> tuple[Frames, ...]:
        """What was heard, without the gaps."""
        return tuple(item for item in self.heard if isinstance(item, Frames))

    @property
    def intervals(self) -> list[tuple[float, float]]:
        """The labelled contacts [s]."""
        return [(cut.onset / self.rate, cut.offset / self.rate) for cut in self.cuts]


def read_labelled_run(folder: Path) -> LabelledRun:
    """Measure the sound of a run folder that holds ``labels.json``.

    Raises
    ------
    RecordingError
        If the run is a preview or a replay of one, keeps no sound, has no labels, or none that a person
        confirmed or corrected.
    """
    run = read_run(folder)
    if run.header.of_made_sound:
        raise RecordingError(
            f"{folder} is of made sound, of a preview; teach the ear from runs heard at a machine"
        )
    if run.sound_path is None:
        raise RecordingError(f"{folder} keeps no sound, so nothing can be learned from it")
    path = folder / LABELS
    if not path.is_file():
        raise RecordingError(
            f"{folder} has no {LABELS}: correct its contacts on its page, save, and put the file there"
        )
    labels = read_labels(path)
    if not any(contact.by_hand for contact in labels.contacts):
        raise RecordingError(f"{path} has no contact that a person confirmed or corrected; go over it first")
    rate = run.header.sound_rate
    cuts = tuple(_scaled(cut.onset, cut.offset, rate / labels.rate) for cut in labels.cuts)
    return measure_run(folder.name, _given(run, rate), cuts, rate=rate)


def measure_run(
    name: str, given: Iterator[Block | Gap], cuts: Sequence[Stretch], *, rate: int
) -> LabelledRun:
    """Measure blocks and gaps as they come; parameters as in `LabelledRun`."""
    measure = Measure(rate)
    made = [item for block in given for item in measure.push(block)]
    made += measure.close()
    return LabelledRun(
        name=name, rate=rate, hop=measure.pace.hop, heard=tuple(_joined(made)), cuts=tuple(cuts)
    )


def _scaled(onset: int, offset: int, scale: float) -> Stretch:
    return Stretch(onset=round(onset * scale), offset=round(offset * scale))


def _given(run: Run, rate: int) -> Iterator[Block | Gap]:
    """Sound with what was not heard taken out; the file holds silence there."""
    assert run.sound_path is not None
    gaps = [_scaled(gap.start, gap.stop, rate / run.rate) for gap in run.gaps]
    start = 0
    for samples in read_sound(run.sound_path, block_samples=round(BLOCK_S * rate)):
        stop = start + samples.size
        for gap in gaps:
            if start < gap.offset and gap.onset < stop:
                yield from _part(samples[: max(0, gap.onset - start)], start, rate)
                yield Gap(start=max(start, gap.onset), stop=min(stop, gap.offset), reason="not heard")
                kept = min(max(gap.offset - start, 0), samples.size)
                samples, start = samples[kept:], start + kept
        yield from _part(samples, start, rate)
        start = stop


def _part(samples: NDArray[np.float64], start: int, rate: int) -> Iterator[Block]:
    if samples.size:
        yield Block(samples=samples, start=start, rate=rate)


def _joined(made: Sequence[Frames | Gap]) -> Iterator[Frames | Gap]:
    """Frames between two gaps as one piece."""
    waiting: list[Frames] = []
    for item in made:
        if isinstance(item, Frames):
            waiting.append(item)
            continue
        yield from _one(waiting)
        waiting = []
        yield item
    yield from _one(waiting)


def _one(pieces: list[Frames]) -> Iterator[Frames]:
    if pieces:
        at = np.concatenate([piece.at for piece in pieces])
        yield Frames(at=at, values=np.concatenate([piece.values for piece in pieces]))
