"""Spindle load as frames: the load turned upwards, in its own unit.

Conventions
-----------
A load is turned so that it rises when the spindle works harder, whatever sign the clamp or
the control gives it. It stays in its own unit: percent of rated load, amperes or watts.
"""

import numpy as np

from listen.blocks import Frames, LoadSample
from listen.errors import ListenError
from listen.timeline import Mark, MarkKind

LOAD_FEATURES = ("load", "is_percent", "told", "sign")
STEP_S = 0.05  # faster logs are averaged to this


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
        made = () if self._closed else self._frame()
        self._closed = True
        return made

    def _frame(self) -> tuple[Frames, ...]:
        if not self._waiting:
            return ()
        raw = sum(self._waiting) / len(self._waiting)
        self._waiting.clear()
        self._turn.push(raw)
        row = [self._turn.sign * raw, float(self._turn.percent), float(self._told), self._turn.sign]
        self._told = False
        return (Frames(at=np.array([self._last_at], dtype=np.int64), values=np.array([row])),)


class Turn:
    """Which way is up: the sign that the running spindle gives the load."""

    def __init__(self) -> None:
        self.sign = 1.0
        self.is_percent = True
        self._sum = 0.0
        self._size = 0.0
        self._n = 0

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
        self._n += 1
        self._size += abs(raw)
        mean = self._size / self._n
        self._sum += max(-3.0 * mean, min(3.0 * mean, raw))
        if abs(self._sum) >= 3.0 * mean * self._n**0.5:
            self.sign = -1.0 if self._sum < 0.0 else 1.0
