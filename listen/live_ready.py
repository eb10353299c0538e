"""Compile what hears before a run, not while it goes on: the first contact must not wait for it."""

from collections.abc import Iterator
from itertools import cycle
from pathlib import Path

import numpy as np

from listen.blocks import Block, LoadSample
from listen.ears import FusedEar, SoundEar, shipped_model
from listen.second_hearing import second_hearing
from listen.session import Session

PARTS = ((3.0, 0.003), (1.5, 0.05), (2.5, 0.003), (1.2, 0.05), (1.5, 0.003))  # length [s], root mean square
BLOCKS_S = (0.06, 0.01, 0.023, 0.12, 0.7)  # loops are compiled apart for a single frame
LOAD_EVERY_S = 0.2
LEAST_SHARE, MOST_SHARE = 12.0, 40.0  # load beside the quiet and the loud parts [%]


def make_ready(*, rate: int, model: Path | None) -> None:
    """Hear some seconds of noise that comes and goes, with a load beside it, and forget them.

    Parameters
    ----------
    rate : int
        Of the run [Hz].
    model : Path | None
        A model folder; the shipped model where none is named.
    """
    ear = FusedEar(SoundEar(shipped_model(model), rate=rate, keep=True), rate=rate, keep=True)
    session = Session(None, ear=ear, rate=rate)
    told = [item for given in _noise(rate) for item in session.push(given)]
    told += session.close()
    second_hearing(ear, None, rate=rate, told=told, end=session.heard)


def _noise(rate: int) -> Iterator[Block | LoadSample]:
    """Quiet and loud by turns, in blocks of many lengths."""
    rng = np.random.default_rng(1)
    sound = np.concatenate([rng.normal(0.0, rms, round(length * rate)) for length, rms in PARTS])
    start, load_at = 0, 0
    for length_s in cycle(BLOCKS_S):
        block = Block(samples=sound[start : start + round(length_s * rate)], start=start, rate=rate)
        yield block
        start = block.stop
        while load_at < start:
            is_loud = abs(sound[load_at : load_at + rate // 100]).mean() > 0.02
            yield LoadSample(at=load_at, percent=MOST_SHARE if is_loud else LEAST_SHARE, kind="load_percent")
            load_at += round(LOAD_EVERY_S * rate)
        if start >= sound.size:
            return
