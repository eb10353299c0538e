"""The path cut into straight pieces that kernels can sweep."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.expect.kernels import N_SEGMENT_COLUMNS, S0
from listen.expect.pace import KNOTS, Pace, pace_of
from listen.expect.profile import is_judged, profile_of
from listen.job import Job
from listen.program.chords import n_chords, points_along
from listen.program.path import TimedPath
from listen.spans import SpanKind

CHORD_MM = 0.002
RAMP_SHARES = np.arange(2 * KNOTS.size)
MOVING = (int(SpanKind.RAPID), int(SpanKind.FEED), int(SpanKind.RIGID))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Segments:
    """Straight pieces of a path, arcs as chords within `CHORD_MM`.

    Attributes
    ----------
    rows : ndarray, shape (n_segments, n_columns)
        As `listen.expect.kernels` names the columns.
    span : ndarray, shape (n_segments,)
        The span each belongs to, int64.
    judged : ndarray, shape (n_segments,)
        False where the tool's contact is not worked out.
    pauses : ndarray, shape (n_segments,)
        How many standing spans (dwell, wait, tool change …) and straight pull-backs in rapid lie
        before it, int64.
    """

    rows: NDArray[np.float64]
    span: NDArray[np.int64]
    judged: NDArray[np.bool_]
    pauses: NDArray[np.int64]

    def lengths(self) -> NDArray[np.float64]:
        """Length of each segment [mm]."""
        ends: NDArray[np.float64] = self.rows[:, 3:6] - self.rows[:, 0:3]
        return np.asarray(np.linalg.norm(ends, axis=1))


def segments_of(path: TimedPath, job: Job) -> Segments:
    """All pieces of the path in which the tool moves and its place is known."""
    spans = path.spans
    known = np.isfinite(spans.begin).all(axis=1) & np.isfinite(spans.end).all(axis=1)
    runs = np.isin(spans.kind, MOVING) & (spans.stop_s > spans.start_s)
    moving = np.flatnonzero(known & runs).astype(np.int64)
    pace = pace_of(path, moving, *_along(path, moving))
    n_pieces = n_chords(path.spans, moving, within_mm=CHORD_MM)
    straight = spans.sweep[moving] == 0.0
    n_pieces[straight & pace.bends] = RAMP_SHARES.size - 1
    each = np.repeat(np.arange(moving.size), n_pieces)
    span = moving[each]
    nth = np.arange(span.size) - np.repeat(np.cumsum(n_pieces) - n_pieces, n_pieces)
    begin, end = nth / n_pieces[each], (nth + 1) / n_pieces[each]
    ramped = (straight & pace.bends)[each]
    begin[ramped] = _ramp_share(pace, each[ramped], nth[ramped])
    end[ramped] = _ramp_share(pace, each[ramped], nth[ramped] + 1)
    rows = np.zeros((span.size, N_SEGMENT_COLUMNS))
    rows[:, 0:3] = points_along(path.spans, span, begin)
    rows[:, 3:6] = points_along(path.spans, span, end)
    rows[:, 6] = spans.start_s[span] + pace.time(each, begin)
    rows[:, 7] = spans.start_s[span] + pace.time(each, end)
    real = rows[:, 7] > rows[:, 6]
    rows, span = rows[real], span[real]
    judged = _fill_tools(rows, spans.tool[span], job)
    standing = ~runs & (spans.stop_s > spans.start_s)
    standing |= np.isin(spans.kind, (int(SpanKind.WAIT), int(SpanKind.TOOL_CHANGE))) | _pulled_back(path)
    made = Segments(rows=rows, span=span, judged=judged, pauses=np.cumsum(standing, dtype=np.int64)[span])
    lengths = made.lengths()
    rows[:, S0] = np.cumsum(lengths) - lengths
    return made


def _pulled_back(path: TimedPath) -> NDArray[np.bool_]:
    """Rapid moves straight up: what is cut after one is another touch, however short the move."""
    spans = path.spans
    way = spans.end - spans.begin
    upright = (np.abs(way[:, :2]) < 1e-9).all(axis=1) & (way[:, 2] > 0.0)
    return np.asarray(upright & (spans.kind == SpanKind.RAPID))


def _along(
    path: TimedPath, moving: NDArray[np.int64]
) -> tuple[NDArray[np.float64], tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Length of each span [mm], and its direction at begin and end."""
    spans = path.spans
    places = [
        points_along(path.spans, moving, np.full(moving.size, share)) for share in (0.0, 1e-3, 0.999, 1.0)
    ]
    ways = [places[1] - places[0], places[3] - places[2]]
    tangents = [way / np.maximum(np.linalg.norm(way, axis=1), 1e-15)[:, None] for way in ways]
    lengths = np.linalg.norm(places[3] - places[0], axis=1)
    turned = np.abs(spans.sweep[moving]) > 0.0
    lengths[turned] = 1000.0 * np.linalg.norm(ways[0][turned], axis=1)
    return lengths, (tangents[0], tangents[1])


def _ramp_share(pace: Pace, index: NDArray[np.int64], knot: NDArray[np.int64]) -> NDArray[np.float64]:
    """Share of the length at the knots of a straight span that speeds up and slows down."""
    up, down = pace.up[index], pace.down[index]
    n = KNOTS.size
    early = knot < n
    shares = np.empty(index.size)
    shares[early] = up[early] * KNOTS[knot[early]]
    mirrored = KNOTS[(2 * n - 1 - knot[~early]).clip(0, n - 1)]
    shares[~early] = 1.0 - down[~early] * mirrored
    return shares


def _fill_tools(rows: NDArray[np.float64], tools: NDArray[np.int32], job: Job) -> NDArray[np.bool_]:
    judged = np.zeros(tools.size, dtype=np.bool_)
    for number in np.unique(tools):
        tool = job.tool(int(number))
        if tool is None:
            continue
        mine = tools == number
        rows[mine, 8:11] = profile_of(tool)
        judged[mine] = is_judged(tool)
    return judged
