"""Seconds of the real clock between places of the program."""

import numpy as np
from numpy.typing import NDArray

from listen.followed import Position
from listen.marks import Mark, MarkKind
from listen.spans import SpanKind
from listen.timeline import Timeline

Floats = NDArray[np.float64]


class RealClock:
    """Turns program time into seconds at the overrides as they are followed.

    Parameters
    ----------
    timeline : Timeline
    is_as_stated : bool
        Whether the feed is never taken slower than was stated; without, it is as it is followed.
    """

    def __init__(self, timeline: Timeline, *, is_as_stated: bool = True) -> None:
        self._spans = timeline.spans
        self._feed = max(timeline.feed_override, 1.0) / 100.0
        self._rapid = max(timeline.rapid_override, 1.0) / 100.0
        self._is_as_stated = is_as_stated
        self._stated = self._feed if timeline.override_steady else 0.0  # what a person or the control said

    def follow(self, position: Position) -> None:
        """Take the pace of the feed from the follower, but never less than was stated.

        In a hold the one before it stands.
        """
        if position.rate > 0.0:
            self._feed = max(position.rate, self._stated) if self._is_as_stated else position.rate

    def mark(self, mark: Mark) -> None:
        """Take an override that was told."""
        if mark.kind is MarkKind.FEED_OVERRIDE and mark.value > 0.0:
            self._feed = self._stated = mark.value / 100.0
        elif mark.kind is MarkKind.RAPID_OVERRIDE and mark.value > 0.0:
            self._rapid = mark.value / 100.0

    def seconds(self, start: float, stop: float, *, rapids: float = 1.0) -> float:
        """From one program time to another; negative where it lies behind.

        `rapids`: share of the known pace of rapids that they may go at.
        """
        if stop < start:
            return -self.seconds(stop, start, rapids=rapids)
        begins, ends, pace = self._between(start, stop, rapids)
        return float(np.sum((np.minimum(ends, stop) - np.maximum(begins, start)) / pace))

    def after(self, start: float, seconds: float) -> float:
        """Program time so many seconds later."""
        begins, ends, pace = self._between(start, start + seconds * max(self._feed, self._rapid, 1.0))
        real = np.concatenate([[0.0], np.cumsum((ends - np.maximum(begins, start)) / pace)])
        return float(np.interp(seconds, real, np.concatenate([[start], ends])))

    def _between(self, start: float, stop: float, rapids: float = 1.0) -> tuple[Floats, Floats, Floats]:
        spans = self._spans
        a = int(np.searchsorted(spans.stop_s, start, side="right"))
        b = int(np.searchsorted(spans.start_s, stop, side="left"))
        kind = spans.kind[a:b]
        of_others = np.where(kind == SpanKind.RAPID, rapids * self._rapid, 1.0)
        pace = np.where(kind == SpanKind.FEED, self._feed, of_others)
        return spans.start_s[a:b], spans.stop_s[a:b], pace
