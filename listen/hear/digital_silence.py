"""Nothing but zeros is no sound: a recorder that has not begun, a muted or a lost microphone.

Conventions
-----------
No room and no microphone is silent to the last digit, and whatever follows such a silence seems
endlessly loud. So it is given on as a gap, and the ear begins anew after it.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Gap

SILENT_S = 0.3  # less is a loss on the way, which a recorder fills with zeros
STARTS_S = 0.1  # at the beginning
LEAST = 1e-7  # of full scale: below the last digit of 24 bits
REASON = "nothing but zeros came: the microphone was muted, or its cable is loose"


class DigitalSilence:
    """Blocks and gaps in, blocks and gaps out; any cut of the blocks gives the same sound and gaps.

    While a silence lasts nothing is given on; its gap comes with the sound after it.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._enough = round(SILENT_S * rate)
        self._enough_at_start = round(STARTS_S * rate)
        self._begins = True
        self._zeros = 0  # so many came last
        self._held = 0  # so many of them were not given on

    def push(self, given: Block | Gap) -> tuple[Block | Gap, ...]:
        """Give on what is sound; a gap begins where the silence before it was enough."""
        if isinstance(given, Gap):
            before = self.close(given.start)
            self._begins, self._zeros, self._held = True, 0, 0
            return (*before, given)
        if self._sounds_throughout(given.samples):
            return self._sound(given)
        made: list[Block | Gap] = []
        for low, high, silent in _stretches(np.abs(given.samples) < LEAST, self._enough):
            part = _part(given, low, high)
            made += self._silence(part) if silent else self._sound(part)
        return tuple(made)

    def close(self, stop: int) -> tuple[Gap, ...]:
        """The silence with which the sound ends at `stop`, where it was enough."""
        n_held, self._held = self._held, 0
        return (Gap(start=stop - n_held, stop=stop, reason=REASON),) if n_held else ()

    def _sounds_throughout(self, samples: NDArray[np.float64]) -> bool:
        """Whether a glance tells it: sound at both ends, and so often between that no silence has room."""
        glance = [*samples[:: self._enough].tolist(), *samples[-1:].tolist()]
        return bool(glance) and all(abs(sample) >= LEAST for sample in glance)

    def _sound(self, part: Block) -> tuple[Block | Gap, ...]:
        before = self._held_back(part.start) if self._held else ()
        self._begins, self._zeros, self._held = False, 0, 0
        return (*before, part)

    def _held_back(self, stop: int) -> tuple[Block | Gap, ...]:
        """The gap, or the few zeros with which a recorder began."""
        start = stop - self._held
        if self._begins and self._held < self._enough_at_start:
            return (Block(samples=np.zeros(self._held), start=start, rate=self._rate),)
        return (Gap(start=start, stop=stop, reason=REASON),)

    def _silence(self, part: Block) -> tuple[Block, ...]:
        """Zeros that may still be a loss on the way are given on, but for those at the beginning."""
        size = part.samples.size
        n_given = 0 if self._begins else min(size, max(0, self._enough - self._zeros))
        self._zeros += size
        self._held += size - n_given
        return (_part(part, 0, n_given),) if n_given else ()


def _part(block: Block, low: int, high: int) -> Block:
    if (low, high) == (0, block.samples.size):
        return block
    return Block(samples=block.samples[low:high], start=block.start + low, rate=block.rate)


def _stretches(silent: NDArray[np.bool_], enough: int) -> Iterator[tuple[int, int, bool]]:
    """Silence at either end of a block, or long enough within it, and the sound between."""
    if not silent.any():
        yield 0, silent.size, False
        return
    edges = np.flatnonzero(np.diff(silent.astype(np.int8), prepend=0, append=0))
    at = 0
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if low > 0 and high < silent.size and high - low < enough:
            continue
        if low > at:
            yield at, low, False
        yield low, high, True
        at = high
    if at < silent.size:
        yield at, silent.size, False
