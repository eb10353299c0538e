"""A current clamp on a second sound channel: its RMS envelope as load, calibrated by two points.

Conventions
-----------
The drive's current alternates at its own frequency, some ten to a thousand hertz; its size is the
root mean square over whole windows, without the mean, which a sound input does not carry anyway.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, LoadSample
from listen.errors import InputError

WINDOW_S = 0.1  # three periods at 30 Hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Clamp:
    """Where a clamp is plugged in, and what its sound means.

    Attributes
    ----------
    channel : int
        Counted from 1.
    low, high : (rms, amperes)
        Two points, as read off a meter with the spindle idling and cutting.
    """

    channel: int
    low: tuple[float, float]
    high: tuple[float, float]

    def __post_init__(self) -> None:
        if not self.channel >= 1:
            raise InputError(f"channels are counted from 1, got {self.channel}")
        if not (np.isfinite([*self.low, *self.high]).all() and self.low[0] != self.high[0]):
            raise InputError(f"a clamp needs two points of different level, got {self.low} and {self.high}")

    def amperes(self, rms: float) -> float:
        """Current on the straight line through both points [A]."""
        (x0, y0), (x1, y1) = self.low, self.high
        return y0 + (rms - x0) * (y1 - y0) / (x1 - x0)


def parse_clamp(text: str) -> Clamp:
    """A clamp from ``CHANNEL:RMS=A,RMS=A``.

    Examples
    --------
    >>> parse_clamp("2:0.01=0.4,0.2=6")
    Clamp(channel=2, low=(0.01, 0.4), high=(0.2, 6.0))
    """
    channel, _, points = text.partition(":")
    try:
        low, high = (
            (float(rms), float(amperes)) for rms, amperes in (p.split("=") for p in points.split(","))
        )
        return Clamp(channel=int(channel), low=low, high=high)
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"--clamp reads CHANNEL:RMS=AMPERES,RMS=AMPERES as 2:0.01=0.4,0.2=6, got {text!r}"
        ) from None


class ClampEnvelope:
    """Turn blocks of the clamp's channel into load samples, one a window, whatever the block sizes."""

    def __init__(self, clamp: Clamp, *, rate: int) -> None:
        self._clamp = clamp
        self._size = max(1, round(WINDOW_S * rate))
        self._rest: NDArray[np.float64] = np.empty(0)
        self._place = 0  # of the first sample in rest

    def push(self, block: Block) -> tuple[LoadSample, ...]:
        """Take the next block; a window's value is stamped with its end."""
        if block.start != self._place + self._rest.size:
            self._rest, self._place = np.empty(0), block.start
        waiting = np.concatenate([self._rest, block.samples])
        n_windows = waiting.size // self._size
        windows = waiting[: n_windows * self._size].reshape(n_windows, self._size)
        levels = windows.std(axis=1)
        ends = self._place + self._size * np.arange(1, n_windows + 1)
        self._rest = waiting[n_windows * self._size :]
        self._place += n_windows * self._size
        return tuple(
            LoadSample(at=int(at), percent=self._clamp.amperes(float(level)), kind="current_a")
            for at, level in zip(ends, levels, strict=True)
        )


def clamp_loads(blocks: Iterable[Block], clamp: Clamp) -> Iterator[LoadSample]:
    """The load of a whole recording of the clamp's channel."""
    envelope: ClampEnvelope | None = None
    for block in blocks:
        envelope = envelope or ClampEnvelope(clamp, rate=block.rate)
        yield from envelope.push(block)
