"""How near tool and holder come to a box: a vice jaw, a clamp, the uncut stock.

Tool and holder are upright cylinders without an upper end, and a box stands on the table. So
the distance from a place to the box is that to a convex set, and along a straight piece of the
path it falls, then rises: its least value is found by halving, without samples.
"""

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.job import Box, Tool
from listen.lengths import Place
from listen.program.chords import n_chords, points_along
from listen.program.facts import span_extents
from listen.program.path import TimedPath
from listen.spans import SpanKind

CHORD_MM = 0.01
"""How far a chord may be from its arc."""
TOUCH_MM = 1e-6
"""Up to here a tool runs along a box without going into it."""
N_THIRDS = 48
N_AT_ONCE = 20_000
MOVING = (int(SpanKind.RAPID), int(SpanKind.FEED), int(SpanKind.RIGID))
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """An upright cylinder that moves with the tool's tip: the tool itself, or its holder [mm]."""

    name: str
    radius: float
    above: float

    def of_tool(self, number: int) -> str:
        """As it is called in a sentence."""
        return f"T{number}" if self.name == "tool" else f"the {self.name} of T{number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """The first place where a body goes into a box, or else the place where it comes nearest.

    Attributes
    ----------
    span : int
    distance : float
        [mm]; 0 inside.
    place : (x, y, z)
        Of the tool's tip [mm], in the coordinates of the span.
    lowest : float
        Lowest tip known to be inside [mm]; that of `place` where none is.
    """

    span: int
    distance: float
    place: Place
    lowest: float


def bodies_of(tool: Tool | None) -> tuple[Body, ...]:
    """Tool and holder, as far as they are known; a tool that is not in the job is a line."""
    if tool is None:
        return (Body(name="tool", radius=0.0, above=0.0),)
    cutter = Body(name="tool", radius=tool.diameter / 2.0, above=0.0)
    holder = holder_of(tool)
    return (cutter,) if holder is None else (cutter, holder)


def holder_of(tool: Tool) -> Body | None:
    """The holder, where the job gives its size and how far the tool sticks out of it."""
    if tool.holder_diameter is None or tool.stick_out is None:
        return None
    return Body(name="holder", radius=tool.holder_diameter / 2.0, above=tool.stick_out)


def distances_to_box(tips: Floats, box: Box, body: Body) -> Floats:
    """Distance of a body from a box that stands on the table, for each place of the tip [mm]; 0 inside.

    Examples
    --------
    >>> jaw = Box(low=(0.0, 0.0, 0.0), high=(10.0, 10.0, 10.0))
    >>> body = Body(name="tool", radius=1.0, above=0.0)
    >>> distances_to_box(np.array([[14.0, 5.0, 14.0], [5.0, 5.0, -3.0]]), jaw, body).round(3)
    array([5., 0.])
    """
    low, high = np.array(box.low), np.array(box.high)
    beside = np.maximum(np.maximum(low - tips, tips - high), 0.0)
    aside = np.maximum(np.hypot(beside[:, 0], beside[:, 1]) - max(body.radius - TOUCH_MM, 0.0), 0.0)
    over = np.maximum(tips[:, 2] + body.above - high[2] + TOUCH_MM, 0.0)
    return np.asarray(np.hypot(aside, over))


def nearest(
    path: TimedPath, chosen: NDArray[np.bool_], box: Box, body: Body, *, within: float, bent: bool
) -> Near | None:
    """Where a body first goes into a box on the chosen spans, or else comes nearest to it.

    Parameters
    ----------
    path : TimedPath
    chosen : ndarray, shape (n_spans,)
        The spans that are looked at.
    box : Box
        In the coordinates of these spans [mm].
    body : Body
    within : float
        Farther than this is not looked for [mm].
    bent : bool
        Whether each axis may go by itself in a rapid move.
    """
    spans = np.flatnonzero(chosen & _around(path, box, body, within))
    best: Near | None = None
    for at in range(0, spans.size, N_AT_ONCE):
        found = _nearest_of(path, spans[at : at + N_AT_ONCE], box, body, bent=bent)
        best = found if best is None else _nearer(best, found)
    return best if best is not None and best.distance <= within else None


def _nearer(earlier: Near, later: Near) -> Near:
    """The earlier one where both go in; its lowest place is then that of both."""
    if earlier.distance == later.distance == 0.0:
        return replace(earlier, lowest=min(earlier.lowest, later.lowest))
    return later if later.distance < earlier.distance else earlier


def _around(path: TimedPath, box: Box, body: Body, within: float) -> NDArray[np.bool_]:
    """Spans whose own boxes come near enough."""
    low, high = span_extents(path.spans)
    reach = body.radius + within
    near = np.isin(path.spans.kind, MOVING) & (low[:, 2] + body.above < box.high[2] + within)
    for axis in (0, 1):
        near &= (low[:, axis] - reach < box.high[axis]) & (high[:, axis] + reach > box.low[axis])
    return np.asarray(near & np.isfinite(path.spans.end).all(axis=1))


def _nearest_of(path: TimedPath, spans: NDArray[np.int64], box: Box, body: Body, *, bent: bool) -> Near:
    begin, end, owner = _chords(path, spans, bent=bent)
    tips = _nearest_tips(begin, end, box, body)
    distances = distances_to_box(tips, box, body)
    first = int(np.argmax(distances == 0.0) if (distances == 0.0).any() else np.argmin(distances))
    if distances[first] == 0.0:
        tips[first] = _entry(begin[first], tips[first], box, body)
    x, y, z = (float(v) for v in tips[first])
    inside = np.concatenate([begin, end, tips])
    inside = inside[distances_to_box(inside, box, body) == 0.0]
    lowest = float(inside[:, 2].min()) if inside.size else z
    return Near(span=int(owner[first]), distance=float(distances[first]), place=(x, y, z), lowest=lowest)


def _chords(
    path: TimedPath, spans: NDArray[np.int64], *, bent: bool
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Straight pieces of some spans in their order, and the span of each.

    A span that begins where nobody knows is its end alone.
    """
    n_pieces = n_chords(path.spans, spans, within_mm=CHORD_MM)
    owner, each = np.repeat(spans, n_pieces), np.repeat(n_pieces, n_pieces)
    nth = np.arange(owner.size) - np.repeat(np.cumsum(n_pieces) - n_pieces, n_pieces)
    begin = points_along(path.spans, owner, nth / each)
    end = points_along(path.spans, owner, (nth + 1) / each)
    unknown = ~np.isfinite(begin).all(axis=1)
    begin[unknown] = end[unknown]
    if not bent:
        return begin, end, owner
    return _with_bent(path, begin, end, owner)


def _with_bent(
    path: TimedPath, begin: Floats, end: Floats, owner: NDArray[np.int64]
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """With the legs of each rapid move in which every axis goes at its own speed."""
    legs, of = [], []
    rapid = path.spans.kind[owner] == SpanKind.RAPID
    skew = (np.abs(end - begin) > TOUCH_MM).sum(axis=1) >= 2
    for k in np.flatnonzero(rapid & skew):
        corners = each_axis_places(tuple(begin[k].tolist()), tuple(end[k].tolist()))
        pairs = list(itertools.pairwise(corners))
        legs += pairs
        of += [int(owner[k])] * len(pairs)
    if not legs:
        return begin, end, owner
    more, whose = np.array(legs), np.array(of, dtype=np.int64)
    order = np.argsort(np.concatenate([owner, whose]), kind="stable")
    begins, ends = np.concatenate([begin, more[:, 0]]), np.concatenate([end, more[:, 1]])
    return begins[order], ends[order], np.concatenate([owner, whose])[order]


def each_axis_places(begin: Place, end: Place) -> list[Place]:
    """Corners of a rapid move in which every axis goes at full speed until it is there.

    Examples
    --------
    >>> each_axis_places((0.0, 0.0, 0.0), (30.0, 10.0, 0.0))
    [(0.0, 0.0, 0.0), (10.0, 10.0, 0.0), (30.0, 10.0, 0.0)]
    """
    ways = [b - a for a, b in zip(begin, end, strict=True)]
    corners = [begin]
    for gone in sorted({abs(way) for way in ways if way != 0.0}):
        x, y, z = (a + np.sign(way) * min(abs(way), gone) for a, way in zip(begin, ways, strict=True))
        corners.append((float(x), float(y), float(z)))
    return corners


def _nearest_tips(begin: Floats, end: Floats, box: Box, body: Body) -> Floats:
    """The place on each piece where the body is nearest to the box, by cutting off a third at a time."""
    low, high = np.zeros(len(begin)), np.ones(len(begin))
    way = end - begin
    for _ in range(N_THIRDS):
        a, b = low + (high - low) / 3.0, high - (high - low) / 3.0
        at_a = distances_to_box(begin + way * a[:, None], box, body)
        at_b = distances_to_box(begin + way * b[:, None], box, body)
        low, high = np.where(at_a > at_b, a, low), np.where(at_a > at_b, high, b)
    tips = np.stack([begin, end, begin + way * ((low + high) / 2.0)[:, None]])
    distances = np.stack([distances_to_box(each, box, body) for each in tips])
    least = np.argmin(distances, axis=0)
    return np.asarray(tips[least, np.arange(len(begin))])


def _entry(begin: Floats, inside: Floats, box: Box, body: Body) -> Floats:
    """Where a piece that goes into the box begins to."""
    low, high = 0.0, 1.0
    for _ in range(N_THIRDS):
        middle = (low + high) / 2.0
        at = begin + (inside - begin) * middle
        low, high = (low, middle) if distances_to_box(at[None], box, body)[0] == 0.0 else (middle, high)
    return np.asarray(begin + (inside - begin) * high)
