"""Spindle load as frames: the load turned upwards, in its own unit.

Conventions
-----------
A load is turned so that it rises when the spindle works harder, whatever sign the clamp or
the control gives it. It stays in its own unit: percent of rated load, amperes or watts.
"""

import numpy as np

from listen.blocks import Frames, LoadSample
from listen.errors import ListenError
from listen.marks import Mark, MarkKind

LOAD_FEATURES = ("load", "is_percent", "told", "sign")
STEP_S = 0.05  # faster logs are averaged to this
AT_AN_END, NEAR_LOWEST, MOST_KEPT = 40, 0.25, 4000  # values; of what is kept a spindle that starts is little


class MeasureLoad:
    """Turn load samples into frames; `told` is 1 where a mark gave another spindle speed since the last.

    Parameters
    ----------
    rate : int
        Audio sample rate [Hz], which `at` counts in.
    """

    def __init__(self, *, rate: int) -> None:
        self._rate = rate
        self._waiting: list[float] = []
        self._place = -1
        self._last_at = 0
        self._turn = Turn()
        self._told = False
        self._closed = False

    @property
    def latency(self) -> int:
        """Longest wait for a frame while samples keep coming [samples]."""
        return round(STEP_S * self._rate)

    def push(self, given: LoadSample | Mark) -> tuple[Frames, ...]:
        """Take the next sample or mark, give the frame that it completes, if any."""
        if self._closed:
            raise ListenError("push() after close(): make a new MeasureLoad per run")
        if isinstance(given, Mark):
            if given.kind in (MarkKind.SPINDLE_SPEED, MarkKind.SPINDLE_ON):
                self._told = True
            return ()
        place = int(given.at / (STEP_S * self._rate))
        made = self._frame() if place != self._place else ()
        self._place = place
        self._turn.is_percent = given.kind == "load_percent"
        self._waiting.append(given.percent)
        self._last_at = given.at
        return made

    def close(self) -> tuple[Frames, ...]:
        """End the stream and give the frame that was still filling."""
        if self._closed:
            return ()
        self._closed = True
        return self._frame(settled=True)

    def _frame(self, *, settled: bool = False) -> tuple[Frames, ...]:
        if not self._waiting:
            return ()
        raw = sum(self._waiting) / len(self._waiting)
        self._waiting.clear()
        self._turn.push(raw)
        if settled:
            self._turn.settle()
        row = [self._turn.sign * raw, float(self._turn.percent), float(self._told), self._turn.sign]
        self._told = False
        return (Frames(at=np.array([self._last_at], dtype=np.int64), values=np.array([row])),)


class Turn:
    """Which way is up: the sign that the running spindle gives the load.

    While the run goes on, the load is what lies away from nothing. A sensor whose zero is not set may show
    all of it below nothing, and yet rise; once the run is over, where it began and ended tells.
    """

    def __init__(self) -> None:
        self.sign = 1.0
        self.is_percent = True
        self._sum = 0.0
        self._size = 0.0
        self._n = 0
        self._kept: list[float] = []  # every one of so many
        self._every = 1

    @property
    def percent(self) -> bool:
        """True for percent of rated load, which is never below zero."""
        return self.is_percent and self.sign > 0

    def push(self, raw: float) -> None:
        """Let the next value vote.

        It votes with its size, but with three times the mean size at most: the spike of a
        stopping spindle has the other sign and must not outvote minutes of idling. The sign
        changes only where the votes are clear: a sensor's noise about zero has none.
        """
        self._keep(raw)
        self._n += 1
        self._size += abs(raw)
        mean = self._size / self._n
        self._sum += max(-3.0 * mean, min(3.0 * mean, raw))
        if abs(self._sum) >= 3.0 * mean * self._n**0.5:
            self.sign = -1.0 if self._sum < 0.0 else 1.0

    def settle(self) -> None:
        """Let the ends of the run tell: a load below nothing that begins and ends at its lowest rises.

        The spindle idles or stands there, as it does in nearly every log.
        """
        n = min(AT_AN_END, len(self._kept) // 4)
        if self.sign > 0.0 or n < 4:
            return
        low, high = np.quantile(self._kept, [0.05, 0.95])
        ends = (self._kept[:n], self._kept[-n:])
        if all(float(np.quantile(end, 0.25)) < low + NEAR_LOWEST * (high - low) for end in ends):
            self.sign = 1.0

    def _keep(self, raw: float) -> None:
        """Keep some of the values, fewer of each minute the longer the run."""
        if self._n % self._every == 0:
            self._kept.append(raw)
        if len(self._kept) > MOST_KEPT:
            self._kept = self._kept[::2]
            self._every *= 2
