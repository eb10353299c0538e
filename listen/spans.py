"""The path of the tool as a clock: when each piece of the program begins and ends, and where.

Conventions
-----------
Time is in seconds at 100 % override from program start; lengths are in millimetres, places in
work coordinates.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError


class SpanKind(IntEnum):
    """What the machine does during one span of the program, and what scales its time."""

    RAPID = 0  # rapid override
    FEED = 1  # feed override
    RIGID = 2  # tapping, threading, M49: 100 % always, and a hold may not be obeyed
    DWELL = 3  # fixed time
    SPINDLE = 4  # spindle starting, stopping or changing speed: fixed time, not well known
    TOOL_CHANGE = 5  # fixed time, not well known
    WAIT = 6  # M0, M1, a door: for as long as the person takes
    UNKNOWN = 7  # place not known, not judged


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spans:
    """The path as a clock: when each piece of the program begins and ends.

    Attributes
    ----------
    start_s, stop_s : ndarray, shape (n_spans,)
        Program time at 100 % override [s], increasing, stop_s[i] == start_s[i + 1].
    kind : ndarray, shape (n_spans,)
        `SpanKind` values, int8.
    line : ndarray, shape (n_spans,)
        Line in the program file, counted from 1, int32.
    tool : ndarray, shape (n_spans,)
        Tool number in the spindle, 0 for none, int32.
    begin, end : ndarray, shape (n_spans, 3)
        Place of the tool's tip [mm, work coordinates]; NaN where it is not known.
    centre : ndarray, shape (n_spans, 3)
        Centre of an arc [mm]; NaN for a straight span. The arc's axis is `axis`.
    sweep : ndarray, shape (n_spans,)
        Angle turned about the axis, counter-clockwise positive [rad]; 0 for straight.
    axis : ndarray, shape (n_spans,)
        Axis of an arc: 0 for X (G19), 1 for Y (G18), 2 for Z (G17), int8.
    """

    start_s: NDArray[np.float64]
    stop_s: NDArray[np.float64]
    kind: NDArray[np.int8]
    line: NDArray[np.int32]
    tool: NDArray[np.int32]
    begin: NDArray[np.float64]
    end: NDArray[np.float64]
    centre: NDArray[np.float64]
    sweep: NDArray[np.float64]
    axis: NDArray[np.int8]

    def __post_init__(self) -> None:
        n_spans = self.start_s.size
        flat = (self.start_s, self.stop_s, self.kind, self.line, self.tool, self.sweep, self.axis)
        deep = (self.begin, self.end, self.centre)
        if any(a.shape != (n_spans,) for a in flat) or any(a.shape != (n_spans, 3) for a in deep):
            raise InputError(f"spans need arrays of one length, here {n_spans}")
        if not (self.stop_s >= self.start_s).all():
            raise InputError("a span ends at or after its start; a time is NaN or runs backwards")

    def __len__(self) -> int:
        return int(self.start_s.size)
