"""Places along the spans of a path, and how many straight pieces an arc needs."""

import numpy as np
from numpy.typing import NDArray

from listen.spans import Spans


def points_along(spans: Spans, span: NDArray[np.int64], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Place of the tool's tip at a share of each of some spans [mm], shape (n, 3)."""
    begin, end = spans.begin[span], spans.end[span]
    places = begin + (end - begin) * share[:, None]
    arc = np.flatnonzero(spans.sweep[span] != 0.0)
    if arc.size:
        places[arc] = _on_arcs(spans, span[arc], share[arc], places[arc])
    at_end = share >= 1.0
    places[at_end] = end[at_end]
    return places


def _on_arcs(
    spans: Spans, span: NDArray[np.int64], share: NDArray[np.float64], straight: NDArray[np.float64]
) -> NDArray[np.float64]:
    each = np.arange(span.size)
    axis = spans.axis[span].astype(np.int64)
    b, c = (axis + 1) % 3, (axis + 2) % 3
    from_centre = spans.begin[span] - spans.centre[span]
    radius = np.hypot(from_centre[each, b], from_centre[each, c])
    to_end = spans.end[span] - spans.centre[span]
    radius_end = np.hypot(to_end[each, b], to_end[each, c])
    angle = np.arctan2(from_centre[each, c], from_centre[each, b]) + spans.sweep[span] * share
    radius = radius + (radius_end - radius) * share  # an arc whose ends differ a little spirals
    places = straight.copy()
    places[each, b] = spans.centre[span][each, b] + radius * np.cos(angle)
    places[each, c] = spans.centre[span][each, c] + radius * np.sin(angle)
    return places


def n_chords(spans: Spans, which: NDArray[np.int64], *, within_mm: float) -> NDArray[np.int64]:
    """How many straight pieces follow each of some spans within a distance; 1 for a straight one."""
    radius = np.linalg.norm(spans.begin[which] - spans.centre[which], axis=1)
    turn = np.abs(spans.sweep[which])
    with np.errstate(invalid="ignore", divide="ignore"):
        each = 2.0 * np.arccos(np.clip(1.0 - within_mm / radius, -1.0, 1.0))
        n_pieces = np.where(turn > 0.0, np.ceil(turn / each), 1.0)
    return np.nan_to_num(n_pieces, nan=1.0, posinf=1.0).clip(1, 5000).astype(np.int64)
