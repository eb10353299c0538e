"""The page's own beep is not sound of the machine: what was heard just before stands in its place.

Conventions
-----------
Mirrored in time, so that level and spectrum go on as they were and nothing jumps at the beginning.
A contact that begins under a beep is heard when the beep is over.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Gap

LONGEST_S = 0.5


class Blanking:
    """Blocks in, blocks out; any cut of the blocks gives the same samples.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, rate: int) -> None:
        self._longest = round(LONGEST_S * rate)
        self._past: deque[NDArray[np.float64]] = deque()  # the newest samples, as given on
        self._n_past = 0
        self._stop = 0  # end of what is blanked [samples]
        self._mirror = np.empty(0)
        self._used = 0

    def blank(self, length: int) -> None:
        """Blank so many samples from here on, at most half a second."""
        if self._n_past:
            self._mirror, self._used = np.concatenate(self._past)[-self._longest :][::-1], 0
            self._stop = min(length, self._longest)

    def push(self, given: Block | Gap) -> Block | Gap:
        """The block with what is blanked replaced; a gap ends a blank."""
        if isinstance(given, Gap):
            self._past.clear()
            self._n_past, self._stop = 0, 0
            return given
        samples = given.samples
        n_blank = min(samples.size, self._stop - self._used)
        if n_blank > 0:
            samples = np.concatenate([self._next(n_blank), samples[n_blank:]])
        self._remember(samples)
        return (
            given if samples is given.samples else Block(samples=samples, start=given.start, rate=given.rate)
        )

    def _remember(self, samples: NDArray[np.float64]) -> None:
        """Keep what may be mirrored; it is put together only when a blank begins."""
        self._past.append(samples)
        self._n_past += samples.size
        while self._n_past - self._past[0].size >= self._longest:
            self._n_past -= self._past.popleft().size

    def _next(self, n_samples: int) -> NDArray[np.float64]:
        """The mirror back and forth, where it is shorter than the beep."""
        place = (self._used + np.arange(n_samples)) % (2 * self._mirror.size)
        self._used += n_samples
        return self._mirror[np.minimum(place, 2 * self._mirror.size - 1 - place)]
