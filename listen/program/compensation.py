"""Cutter compensation: the path of the tool's centre beside the programmed contour.

The tool stays at its radius from the contour, turns round outer corners on an arc, and
goes straight to where the offset paths cross at inner ones. The first move leads to the
place square to the next piece; the first move after G40 leads off.

References
----------
NISTIR 6556, appendix B; the lead-in as common controls have it, which is the same where
the entry is tangent.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from listen.lengths import Place
from listen.program.expression import Wrong
from listen.program.frame import plane_axes

Point = tuple[float, float]
SMALL = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One move in its plane: a line, or an arc where `sweep` is not 0.

    Attributes
    ----------
    row : tuple
        The move as it would be stored without compensation.
    line : int
    begin, end : (x, y, z)
    centre : (x, y, z)
    sweep : float
    moves : bool
        False for what has no length in the plane: dwells, and moves along the tool's axis.
    """

    row: tuple[object, ...]
    line: int
    begin: Place
    end: Place
    centre: Place
    sweep: float
    moves: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """A piece of offset path: its plane ends, and its radius about the old centre."""

    begin: Point
    end: Point
    centre: Point | None = None
    sweep: float = 0.0


def offset_path(
    pieces: list[Piece], *, radius: float, left: bool, axis: int, length: Callable[[float], str]
) -> list[Piece]:
    """The pieces of the tool's centre, arcs round outer corners added."""
    moving = [piece for piece in pieces if piece.moves]
    if not moving:
        return pieces
    if moving[0].sweep != 0.0:
        raise Wrong("cutter compensation begins with an arc; controls need G0 or G1 there")
    side = radius if left else -radius
    plane = plane_axes(axis)
    beside = [_beside(piece, side, plane, length) for piece in moving[1:]]
    joined, corners = _join(moving[1:], beside, side, plane)
    return _place(pieces, _lead_in(moving[0], joined, side, plane), joined, corners, plane, axis)


def _flat(place: Place, plane: tuple[int, int]) -> Point:
    return place[plane[0]], place[plane[1]]


def _tangent(piece: Piece, plane: tuple[int, int], *, last: bool) -> Point:
    begin, end = _flat(piece.begin, plane), _flat(piece.end, plane)
    if piece.sweep == 0.0:
        length = math.dist(begin, end)
        return (end[0] - begin[0]) / length, (end[1] - begin[1]) / length
    centre = _flat(piece.centre, plane)
    at = end if last else begin
    radius = math.dist(at, centre)
    turn = math.copysign(1.0, piece.sweep)
    return -turn * (at[1] - centre[1]) / radius, turn * (at[0] - centre[0]) / radius


def _shifted(at: Point, tangent: Point, side: float) -> Point:
    """Square to the left of the direction for a positive side."""
    return at[0] - tangent[1] * side, at[1] + tangent[0] * side


def _beside(piece: Piece, side: float, plane: tuple[int, int], length: Callable[[float], str]) -> Beside:
    begin = _shifted(_flat(piece.begin, plane), _tangent(piece, plane, last=False), side)
    end = _shifted(_flat(piece.end, plane), _tangent(piece, plane, last=True), side)
    if piece.sweep == 0.0:
        return Beside(begin=begin, end=end)
    centre = _flat(piece.centre, plane)
    radius = math.dist(_flat(piece.begin, plane), centre) - side * math.copysign(1.0, piece.sweep)
    if not radius > SMALL:
        inner = math.dist(_flat(piece.begin, plane), centre)
        raise Wrong(
            f"the inner arc has radius {length(inner)}, the tool {length(abs(side))}; it does not fit",
            line=piece.line,
        )
    return Beside(begin=begin, end=end, centre=centre, sweep=piece.sweep)


def _lead_in(first: Piece, joined: list[Beside], side: float, plane: tuple[int, int]) -> Point:
    if joined:
        return joined[0].begin
    return _shifted(_flat(first.end, plane), _tangent(first, plane, last=True), side)


def _join(
    pieces: list[Piece], beside: list[Beside], side: float, plane: tuple[int, int]
) -> tuple[list[Beside], list[float]]:
    """Pieces cut or left at their corners; the turn of the arc after each, 0 for none."""
    corners = [0.0] * len(pieces)
    for i in range(len(pieces) - 1):
        before, after = _tangent(pieces[i], plane, last=True), _tangent(pieces[i + 1], plane, last=False)
        turn = math.atan2(
            before[0] * after[1] - before[1] * after[0], before[0] * after[0] + before[1] * after[1]
        )
        if math.dist(beside[i].end, beside[i + 1].begin) < 1e-6:
            continue
        if turn * side < 0.0 or abs(abs(turn) - math.pi) < 1e-9:
            corners[i] = turn if abs(abs(turn) - math.pi) > 1e-9 else -math.copysign(math.pi, side)
        else:
            at = _crossing(beside[i], beside[i + 1], _flat(pieces[i].end, plane))
            if at is None:
                raise Wrong("the tool does not fit into the inner corner here", line=pieces[i + 1].line)
            beside[i] = _cut(beside[i], end=at)
            beside[i + 1] = _cut(beside[i + 1], begin=at)
            _refuse_backwards(pieces[i], beside[i], plane)
    if pieces:
        _refuse_backwards(pieces[-1], beside[-1], plane)
    return beside, corners


def _refuse_backwards(piece: Piece, beside: Beside, plane: tuple[int, int]) -> None:
    """A line shorter than the tool needs would be run backwards: controls stop with an alarm."""
    if piece.sweep != 0.0:
        return
    direction = _tangent(piece, plane, last=True)
    along = (beside.end[0] - beside.begin[0]) * direction[0] + (beside.end[1] - beside.begin[1]) * direction[
        1
    ]
    if along < -1e-6:
        raise Wrong("the tool does not fit; this move is too short for its radius", line=piece.line)


def _cut(piece: Beside, *, begin: Point | None = None, end: Point | None = None) -> Beside:
    first, last = begin or piece.begin, end or piece.end
    if piece.centre is None:
        return replace(piece, begin=first, end=last)
    c = piece.centre
    turn = math.atan2(last[1] - c[1], last[0] - c[0]) - math.atan2(first[1] - c[1], first[0] - c[0])
    whole = 2.0 * math.pi
    turn = turn % whole if piece.sweep > 0.0 else -(-turn % whole)
    return replace(piece, begin=first, end=last, sweep=turn)


def _crossing(one: Beside, two: Beside, corner: Point) -> Point | None:
    """Where two offset pieces cross, nearest to the programmed corner."""
    if one.centre is None and two.centre is None:
        found = _line_line(one, two)
    elif one.centre is not None and two.centre is not None:
        found = _circle_circle(one.centre, _radius(one), two.centre, _radius(two))
    elif one.centre is None:
        assert two.centre is not None
        found = _line_circle(one, two.centre, _radius(two))
    else:
        found = _line_circle(two, one.centre, _radius(one))
    return min(found, key=lambda at: math.dist(at, corner), default=None)


def _radius(piece: Beside) -> float:
    assert piece.centre is not None
    return math.dist(piece.begin, piece.centre)


def _line_line(one: Beside, two: Beside) -> list[Point]:
    ax, ay = one.end[0] - one.begin[0], one.end[1] - one.begin[1]
    bx, by = two.end[0] - two.begin[0], two.end[1] - two.begin[1]
    cross = ax * by - ay * bx
    if abs(cross) < 1e-15:
        return []
    share = ((two.begin[0] - one.begin[0]) * by - (two.begin[1] - one.begin[1]) * bx) / cross
    return [(one.begin[0] + share * ax, one.begin[1] + share * ay)]


def _line_circle(line: Beside, centre: Point, radius: float) -> list[Point]:
    length = math.dist(line.begin, line.end)
    if length < SMALL:
        return []
    ux, uy = (line.end[0] - line.begin[0]) / length, (line.end[1] - line.begin[1]) / length
    along = (centre[0] - line.begin[0]) * ux + (centre[1] - line.begin[1]) * uy
    foot = (line.begin[0] + along * ux, line.begin[1] + along * uy)
    half = radius * radius - math.dist(foot, centre) ** 2
    if half < 0.0:
        return []
    step = math.sqrt(half)
    return [(foot[0] + s * step * ux, foot[1] + s * step * uy) for s in (-1.0, 1.0)]


def _circle_circle(c1: Point, r1: float, c2: Point, r2: float) -> list[Point]:
    apart = math.dist(c1, c2)
    if apart < SMALL or apart > r1 + r2 or apart < abs(r1 - r2):
        return []
    along = (apart * apart + r1 * r1 - r2 * r2) / (2.0 * apart)
    step = math.sqrt(max(r1 * r1 - along * along, 0.0))
    ux, uy = (c2[0] - c1[0]) / apart, (c2[1] - c1[1]) / apart
    return [(c1[0] + along * ux - s * step * uy, c1[1] + along * uy + s * step * ux) for s in (-1.0, 1.0)]


def _place(
    pieces: list[Piece],
    lead_in: Point,
    joined: list[Beside],
    corners: list[float],
    plane: tuple[int, int],
    axis: int,
) -> list[Piece]:
    """All pieces in order at their offset places, with the arcs round corners."""
    result: list[Piece] = []
    at: Point | None = None  # None until the lead-in: uncompensated
    n = -1
    for piece in pieces:
        if not piece.moves:
            result.append(_stay(piece, at, plane))
        elif n < 0:
            result.append(replace(piece, end=_set(piece.end, lead_in, plane)))
            at = lead_in
            n = 0
        else:
            result += _follow(piece, joined[n], corners[n], joined[n + 1 : n + 2], plane, axis)
            at = _flat(result[-1].end, plane)
            n += 1
    return result


def _follow(
    piece: Piece, beside: Beside, corner: float, after: list[Beside], plane: tuple[int, int], axis: int
) -> list[Piece]:
    begin = _set(piece.begin, beside.begin, plane)
    end = _set(piece.end, beside.end, plane)
    centre = piece.centre if beside.centre is None else _set(begin, beside.centre, plane)
    placed = [replace(piece, begin=begin, end=end, centre=centre, sweep=beside.sweep)]
    if corner != 0.0 and after:
        placed.append(
            replace(piece, begin=end, end=_set(end, after[0].begin, plane), centre=piece.end, sweep=corner)
        )
    return placed


def _stay(piece: Piece, at: Point | None, plane: tuple[int, int]) -> Piece:
    if at is None:
        return piece
    return replace(piece, begin=_set(piece.begin, at, plane), end=_set(piece.end, at, plane))


def _set(place: Place, at: Point, plane: tuple[int, int]) -> Place:
    result = list(place)
    result[plane[0]], result[plane[1]] = at
    return (result[0], result[1], result[2])
