"""The path of the tool as pages draw it from above."""

import math
from typing import Any

import numpy as np

from listen.spans import Spans

_ARC_STEP_RAD = math.radians(10.0)
_MOST_SPANS = 20_000


def plan(spans: Spans) -> dict[str, Any]:
    """The path seen from above: corner points in mm, each with its program time.

    Returns
    -------
    dict
        ``program_s``, ``x``, ``y``, ``z``: lists of one length; ``cut``: whether the piece that
        leads to each point is a feed move; null coordinates where the place is not known.
    """
    step = max(1, math.ceil(len(spans) / _MOST_SPANS))
    rows = [_points(spans, i) for i in range(0, len(spans), step)]
    points = np.concatenate(rows) if rows else np.zeros((0, 5))
    columns = {
        name: [_rounded(value) for value in points[:, i]] for i, name in enumerate(("program_s", *"xyz"))
    }
    return {**columns, "cut": [bool(value) for value in points[:, 4]]}


def _points(spans: Spans, index: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Corner points of one span: program time, place, whether it is a feed move."""
    sweep = float(spans.sweep[index])
    n_pieces = max(1, math.ceil(abs(sweep) / _ARC_STEP_RAD)) if math.isfinite(sweep) else 1
    share = np.linspace(0.0, 1.0, n_pieces + 1)
    time = spans.start_s[index] + share * (spans.stop_s[index] - spans.start_s[index])
    place = spans.begin[index] + share[:, None] * (spans.end[index] - spans.begin[index])
    if n_pieces > 1:
        first, second = {0: (1, 2), 1: (2, 0), 2: (0, 1)}[int(spans.axis[index])]
        arm = (spans.begin[index] - spans.centre[index])[[first, second]]
        cos, sin = np.cos(share * sweep), np.sin(share * sweep)
        place[:, first] = spans.centre[index, first] + cos * arm[0] - sin * arm[1]
        place[:, second] = spans.centre[index, second] + sin * arm[0] + cos * arm[1]
    cut = np.full(n_pieces + 1, float(spans.kind[index] in (1, 2)))
    return np.column_stack([time, place, cut])


def _rounded(value: float) -> float | None:
    return round(float(value), 3) if math.isfinite(value) else None
