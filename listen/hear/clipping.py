"""Whether the sound is cut off at its peaks so often that contacts go unheard.

A lossy copy, as telephones keep it, has no flat tops any more, but still all its peaks at full scale.
The limits are this project's own choice, no source: one knock may clip, cuts may not.
"""

from collections import deque
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.hear.flat_tops import LEAST_TOP, clipped_share
from listen.states import Finding

AT_FULL_SCALE = 0.98
LEAST_SHARE = 0.01  # of a second
SECONDS, WITHIN_S = 3, 60  # so many such seconds in so many


class Clipping:
    """Looks over the sound second by second; any cut of the blocks finds the same.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._second: list[NDArray[np.float64]] = []
        self._clipped: deque[int] = deque(maxlen=SECONDS)  # where such seconds begin
        self._told = False

    def pieces(self, given: Block | Gap) -> tuple[Block | Gap, ...]:
        """The same, a block cut where a second of the stream ends."""
        if isinstance(given, Gap):
            return (given,)
        first = given.start // self._rate * self._rate + self._rate
        if given.stop <= first:
            return (given,)
        edges = [given.start, *range(first, given.stop, self._rate), given.stop]
        return tuple(_part(given, start, stop) for start, stop in pairwise(edges))

    def push(self, piece: Block | Gap) -> tuple[Finding, ...]:
        """Take the next of the `pieces`; once a run, the finding that the sound is cut off."""
        if isinstance(piece, Gap):
            self._second.clear()
            return ()
        self._second.append(piece.samples)
        if self._told or piece.stop % self._rate or not piece.samples.size:
            return ()
        second = np.concatenate(self._second)
        self._second.clear()
        return self._look_over(second, piece.stop)

    def _look_over(self, second: NDArray[np.float64], stop: int) -> tuple[Finding, ...]:
        if _share(second) < LEAST_SHARE:
            return ()
        self._clipped.append(stop - self._rate)
        first = self._clipped[0]
        if len(self._clipped) < SECONDS or stop - first > WITHIN_S * self._rate:
            return ()
        self._told = True
        return (_finding(first, stop),)


def _part(block: Block, start: int, stop: int) -> Block:
    samples = block.samples[start - block.start : stop - block.start]
    return Block(samples=samples, start=start, rate=block.rate)


def _share(second: NDArray[np.float64]) -> float:
    """Share of the samples that are cut off, by flat tops or by peaks at full scale."""
    top = max(float(second.max()), -float(second.min()))
    if top < LEAST_TOP:
        return 0.0
    at_full_scale = float(np.mean(np.abs(second) >= AT_FULL_SCALE)) if top >= AT_FULL_SCALE else 0.0
    return max(at_full_scale, clipped_share(second))


def _finding(start: int, stop: int) -> Finding:
    return Finding(
        kind="clipping",
        start=start,
        stop=stop,
        decided_at=stop,
        frequency_hz=0.0,
        level_db=0.0,
        probability=1.0,
    )
