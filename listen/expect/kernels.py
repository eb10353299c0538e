"""Compiled loops: sweep tools through a height field, and the exact height under past moves.

Conventions
-----------
A segment is one straight piece of the path, a row of `n_columns` numbers as named below; a tool
is three of them: radius, corner radius, and the cotangent of half its point angle (0: no point).
The tool's lower surface rises from its tip by `rise` at a distance from its axis, and is a wall
at its radius. Everything is in millimetres and seconds. The plain-loop twins are in tests/naive.
"""

import math

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled

X0, Y0, Z0, X1, Y1, Z1, T0, T1, RADIUS, CORNER, COT, S0 = range(12)
N_SEGMENT_COLUMNS = 12

SEGMENT, FROM_S, TO_S, VOLUME, DEPTH, LEFT, RIGHT, CLIMB, FIRST_X, FIRST_Y, LAST_X, LAST_Y, REACH, TOP = (
    range(14)
)
N_RECORD_COLUMNS = 14

GRAZE_MM = 0.005  # closer than this to what is cut already is not counted as contact
SHALLOW_MM = 0.001
NOTHING = -1e300
Floats = NDArray[np.float64]


@compiled()
def rise(distance: float, radius: float, corner: float, cot: float) -> float:
    """Height of the tool's lower surface over its tip [mm]."""
    if cot > 0.0:
        return distance * cot
    beyond = distance - (radius - corner)
    if beyond <= 0.0:
        return 0.0
    return corner - math.sqrt(max(corner * corner - beyond * beyond, 0.0))


@compiled()
def height_at(u: float, px: float, py: float, seg: Floats) -> float:
    """Height of the tool's lower surface over a point, at a share `u` of the segment [mm]."""
    x = seg[X0] + u * (seg[X1] - seg[X0])
    y = seg[Y0] + u * (seg[Y1] - seg[Y0])
    z = seg[Z0] + u * (seg[Z1] - seg[Z0])
    height: float = z + rise(math.hypot(px - x, py - y), seg[RADIUS], seg[CORNER], seg[COT])
    return height


@compiled()
def stay(px: float, py: float, seg: Floats, until: float) -> tuple[float, float, float]:
    """Shares of the segment between which a point is under the tool, and where it is nearest."""
    dx = seg[X1] - seg[X0]
    dy = seg[Y1] - seg[Y0]
    length2 = dx * dx + dy * dy
    ex = px - seg[X0]
    ey = py - seg[Y0]
    radius2 = seg[RADIUS] * seg[RADIUS]
    if length2 < 1e-16:
        if ex * ex + ey * ey < radius2:
            return 0.0, until, 0.0
        return 1.0, 0.0, 0.0
    near = (ex * dx + ey * dy) / length2
    aside = ex * dy - ey * dx
    left2 = radius2 - aside * aside / length2
    if left2 <= 0.0:
        return 1.0, 0.0, 0.0
    half = math.sqrt(left2 / length2)
    return max(0.0, near - half), min(until, near + half), near


@compiled()
def lowest_over(px: float, py: float, seg: Floats, until: float) -> tuple[float, float, float]:
    """Lowest that the tool comes over a point: height, share of the segment then, and share of arrival.

    The height is infinite where the tool does not come over the point.
    """
    start, stop, near = stay(px, py, seg, until)
    if not start < stop:
        return np.inf, 0.0, 0.0
    falls = seg[Z1] - seg[Z0]
    if seg[CORNER] == 0.0 and seg[COT] == 0.0:
        u = stop if falls < 0.0 else start
        return seg[Z0] + u * falls, u, start
    dx = seg[X1] - seg[X0]
    dy = seg[Y1] - seg[Y0]
    length = math.sqrt(dx * dx + dy * dy)
    if length < 1e-8:
        u = stop if falls < 0.0 else start
        return height_at(u, px, py, seg), u, start
    best = min(max(near, start), stop)
    low = height_at(best, px, py, seg)
    if falls == 0.0:
        return low, best, start
    if length > 0.25 * seg[RADIUS]:
        best = _lowest_of_convex(start, stop, px, py, seg)
        return height_at(best, px, py, seg), best, start
    for u in (start, stop):
        other = height_at(u, px, py, seg)
        if other < low:
            low, best = other, u
    return low, best, start


@compiled()
def _lowest_of_convex(start: float, stop: float, px: float, py: float, seg: Floats) -> float:
    low, high = start, stop
    for _ in range(40):
        a = low + (high - low) * 0.381966
        b = low + (high - low) * 0.618034
        if height_at(a, px, py, seg) <= height_at(b, px, py, seg):
            high = b
        else:
            low = a
    return 0.5 * (low + high)


@compiled()
def arrival(px: float, py: float, height: float, seg: Floats, start: float, lowest: float) -> float:
    """Share of the segment at which the tool first comes below a height over a point."""
    if height_at(start, px, py, seg) < height:
        return start
    a, b = start, lowest
    for _ in range(40):
        middle = 0.5 * (a + b)
        if height_at(middle, px, py, seg) < height:
            b = middle
        else:
            a = middle
    return b


@compiled()
def may_cut(above: float, distance2: float, radius: float, corner: float, cot: float) -> bool:
    """Whether material so high above the tip, that far from it (squared), is inside the tool."""
    if distance2 >= radius * radius:
        return False
    if cot > 0.0:
        return above * above > distance2 * cot * cot
    flat = radius - corner
    if above >= corner or distance2 <= flat * flat:
        return True
    beyond = math.sqrt(distance2) - flat if flat > 0.0 else math.sqrt(distance2)
    under = corner - above
    return corner * corner - beyond * beyond > under * under


@compiled()
def _lowest_of_step(
    ex: float, ey: float, ux: float, uy: float, length: float, seg: Floats
) -> tuple[float, float]:
    """Lowest that a rounded or pointed tool comes in one short step over a point seen from its start."""
    radius, corner, cot = seg[RADIUS], seg[CORNER], seg[COT]
    z0, falls = seg[Z0], seg[Z1] - seg[Z0]
    along = min(max(ex * ux + ey * uy, 0.0), length)
    near = along / length if length > 0.0 else (1.0 if falls < 0.0 else 0.0)
    fx, fy = ex - along * ux, ey - along * uy
    low, at = z0 + near * falls + rise(math.sqrt(fx * fx + fy * fy), radius, corner, cot), near
    if falls < 0.0 and length > 0.0:
        fx, fy = ex - length * ux, ey - length * uy
        distance2 = fx * fx + fy * fy
        if distance2 < radius * radius:
            end = seg[Z1] + rise(math.sqrt(distance2), radius, corner, cot)
            if end < low:
                low, at = end, 1.0
    elif falls > 0.0:
        distance2 = ex * ex + ey * ey
        if distance2 < radius * radius:
            begin = z0 + rise(math.sqrt(distance2), radius, corner, cot)
            if begin < low:
                low, at = begin, 0.0
    return low, at


@compiled()
def _ball_meets_row(
    row: Floats, i0: int, i1: int, first_x: float, cell_x: float, ey: float, seg: Floats, ux: float, uy: float
) -> bool:
    """Whether a ball's step can cut any cell of a row; counted without branches, so that it is fast."""
    length = math.hypot(seg[X1] - seg[X0], seg[Y1] - seg[Y0])
    radius = seg[RADIUS]
    radius2 = radius * radius
    centre = min(seg[Z0], seg[Z1]) + radius
    count = 0
    for i in range(i0, i1 + 1):
        ex = first_x + i * cell_x
        along = ex * ux + ey * uy
        along = along if along > 0.0 else 0.0
        along = along if along < length else length
        fx = ex - along * ux
        fy = ey - along * uy
        under = centre - row[i]
        under = under if under > 0.0 else 0.0
        count += radius2 - fx * fx - fy * fy - under * under > 1e-9
    return count > 0


@compiled()
def _ahead(
    i0: int, i1: int, ey: float, ux: float, uy: float, limit: float, west: float, cell_x: float
) -> tuple[int, int]:
    """Narrow a row to the cells that lie at least `limit` along the feed; `west` is seen from the start."""
    if limit < -1e200:
        return i0, i1
    if abs(ux) < 1e-12:
        return (i0, i1) if ey * uy >= limit else (1, 0)
    edge = (limit - ey * uy) / ux
    index = (edge - west) / cell_x - 0.5
    if ux > 0.0:
        return max(i0, math.floor(index)), i1
    return i0, min(i1, math.ceil(index))


@compiled()
def _behind_limit(seg: Floats) -> float:
    """How far along the feed a cell must lie for a step to cut it that begins where the last one ended."""
    length = math.hypot(seg[X1] - seg[X0], seg[Y1] - seg[Y0])
    falls = seg[Z0] - seg[Z1]
    if length <= 1e-8:
        return -1e300
    if falls <= 0.0:
        return 0.0
    return -falls / length * seg[RADIUS] if seg[CORNER] == seg[RADIUS] else -1e300


@compiled()
def _met_at(along: float, across2: float, above: float, seg: Floats) -> float:
    """How far along the feed a pointed or rounded tool meets material so high above its tip."""
    radius, corner, cot = seg[RADIUS], seg[CORNER], seg[COT]
    wide = radius
    if cot > 0.0:
        wide = min(radius, above / cot)
    elif above < corner:
        wide = radius - corner + math.sqrt(max(corner * corner - (corner - above) * (corner - above), 0.0))
    return along - math.sqrt(max(wide * wide - across2, 0.0))


@compiled()
def _cut_step(field: Floats, grid: Floats, seg: Floats, record: Floats, skip_start: bool) -> int:
    """Cut one short step into the field; fill the record and give how many cells it counts."""
    n_y, n_x = field.shape
    west, south, cell_x, cell_y, floor = grid[0], grid[1], grid[2], grid[3], grid[4]
    radius = seg[RADIUS]
    x0, y0, x1, y1 = seg[X0], seg[Y0], seg[X1], seg[Y1]
    dx, dy = x1 - x0, y1 - y0
    length = math.sqrt(dx * dx + dy * dy)
    moves = length > 1e-8
    ux = dx / length if moves else 0.0
    uy = dy / length if moves else 0.0
    plain = seg[CORNER] == 0.0 and seg[COT] == 0.0
    ball = seg[CORNER] == radius
    limit = _behind_limit(seg)
    tip = min(seg[Z0], seg[Z1])
    graze2 = (radius - GRAZE_MM) * (radius - GRAZE_MM)
    j0 = max(0, math.ceil((min(y0, y1) - radius - south) / cell_y - 0.5))
    j1 = min(n_y - 1, math.floor((max(y0, y1) + radius - south) / cell_y - 0.5))
    count = 0
    first_along, last_along = 1e300, -1e300
    for j in range(j0, j1 + 1):
        py = south + (j + 0.5) * cell_y
        a0 = radius * radius - (py - y0) * (py - y0)
        a1 = radius * radius - (py - y1) * (py - y1)
        h0 = math.sqrt(a0) if a0 > 0.0 else 0.0
        h1 = math.sqrt(a1) if a1 > 0.0 else 0.0
        i0 = max(0, math.ceil((min(x0 - h0, x1 - h1) - west) / cell_x - 1.5))
        i1 = min(n_x - 1, math.floor((max(x0 + h0, x1 + h1) - west) / cell_x + 0.5))
        leap0, leap1 = i1 + 1, i1
        if plain and skip_start and a0 > 0.0:
            leap0 = math.ceil((x0 - h0 - west) / cell_x + 0.5)
            leap1 = math.floor((x0 + h0 - west) / cell_x - 1.5)
        if not plain:
            if skip_start:
                i0, i1 = _ahead(i0, i1, py - y0, ux, uy, limit, west - x0, cell_x)
            if i0 > i1:
                continue
            first_x = west + 0.5 * cell_x - x0
            if ball and not _ball_meets_row(field[j], i0, i1, first_x, cell_x, py - y0, seg, ux, uy):
                continue
        i = i0 - 1
        while i < i1:
            i += 1
            if leap0 <= i <= leap1:
                i = leap1
                continue
            height = field[j, i]
            if height <= floor:
                continue
            px = west + (i + 0.5) * cell_x
            if not plain:
                if height <= tip:
                    continue
                ex, ey = px - x0, py - y0
                along = min(max(ex * ux + ey * uy, 0.0), length)
                ex -= along * ux
                ey -= along * uy
                if not may_cut(height - tip, ex * ex + ey * ey, radius, seg[CORNER], seg[COT]):
                    continue
                low, at = _lowest_of_step(px - x0, py - y0, ux, uy, length, seg)
            else:
                low, at, start = lowest_over(px, py, seg, 1.0)
            if low < floor:
                low = floor
            gone = height - low
            if gone <= 1e-4:
                continue
            field[j, i] = low
            ex, ey = px - x0, py - y0
            aside = ux * ey - uy * ex  # left of the feed is positive
            across2 = aside * aside if moves else ex * ex + ey * ey
            record[VOLUME] += gone * cell_x * cell_y
            if gone < SHALLOW_MM or across2 > graze2:
                continue
            count += 1
            record[DEPTH] = max(record[DEPTH], gone)
            record[TOP] = max(record[TOP], height)
            if moves:
                record[LEFT] = max(record[LEFT], aside)
                record[RIGHT] = min(record[RIGHT], aside)
                if aside < 0.0:
                    record[CLIMB] += gone * cell_x * cell_y
            record[REACH] = max(record[REACH], across2)
            order = start * length if plain else _met_at(ex * ux + ey * uy, across2, height - tip, seg)
            if order < first_along:
                first_along = order
                record[FIRST_X], record[FIRST_Y] = px, py
            order = start * length if plain else at * length
            if order >= last_along:
                last_along = order
                record[LAST_X], record[LAST_Y] = px, py
    record[REACH] = math.sqrt(record[REACH])
    return count


@compiled()
def sweep(
    field: Floats,
    grid: Floats,
    segments: Floats,
    judged: NDArray[np.bool_],
    n_steps: NDArray[np.int64],
    highest: float,
    records: Floats,
) -> int:
    """Cut segments in order into the field, and keep a record of each step that removes material.

    Parameters
    ----------
    field : ndarray, shape (n_y, n_x)
        Height of the stock's top over each cell's centre [mm]. Changed.
    grid : ndarray, shape (5,)
        West and south edge, cell width and height, floor below which there is nothing [mm].
    segments : ndarray, shape (n_segments, n_columns)
    judged : ndarray, shape (n_segments,)
        False for a segment to be passed over.
    n_steps : ndarray, shape (n_segments,)
        Into how many steps each segment is cut.
    highest : float
        No material is above this [mm].
    records : ndarray, shape (at least the sum of n_steps, n_record_columns)
        Filled from the start.

    Returns
    -------
    int
        How many records were filled.
    """
    n_records = 0
    n_y, n_x = field.shape
    east = grid[0] + n_x * grid[2]
    north = grid[1] + n_y * grid[3]
    step = np.empty(segments.shape[1])
    follows = False
    for k in range(segments.shape[0]):
        seg = segments[k]
        radius = seg[RADIUS]
        away = (
            not judged[k]
            or min(seg[Z0], seg[Z1]) >= highest
            or max(seg[X0], seg[X1]) + radius <= grid[0]
            or min(seg[X0], seg[X1]) - radius >= east
            or max(seg[Y0], seg[Y1]) + radius <= grid[1]
            or min(seg[Y0], seg[Y1]) - radius >= north
        )
        if away:
            follows = False
            continue
        step[:] = seg
        pointed = seg[CORNER] != 0.0 or seg[COT] != 0.0
        skips = pointed or seg[Z1] >= seg[Z0]
        lasts = seg_length(seg)
        n = n_steps[k]
        joined = follows and k > 0 and same_place(segments[k - 1], seg)
        for m in range(n):
            fill_step(step, seg, m / n, (m + 1.0) / n)
            record = records[n_records]
            record[:] = 0.0
            record[LEFT], record[RIGHT], record[TOP] = NOTHING, -NOTHING, NOTHING
            skip = skips and (m > 0 or joined)
            if _cut_step(field, grid, step, record, skip) > 0:
                record[SEGMENT] = k
                record[FROM_S] = seg[S0] + lasts * m / n
                record[TO_S] = seg[S0] + lasts * (m + 1.0) / n
                n_records += 1
        follows = True
    return n_records


@compiled()
def seg_length(seg: Floats) -> float:
    """Length of a segment [mm]."""
    dx, dy, dz = seg[X1] - seg[X0], seg[Y1] - seg[Y0], seg[Z1] - seg[Z0]
    return math.sqrt(dx * dx + dy * dy + dz * dz)


@compiled()
def same_place(before: Floats, seg: Floats) -> bool:
    """Whether a segment begins where the one before ends, with the same tool."""
    for a, b in ((X1, X0), (Y1, Y0), (Z1, Z0), (RADIUS, RADIUS), (CORNER, CORNER), (COT, COT)):
        if abs(before[a] - seg[b]) > 1e-9:
            return False
    return True


@compiled()
def fill_step(step: Floats, seg: Floats, a: float, b: float) -> None:
    """Make `step` the piece of a segment between two shares of it."""
    for begin, end in ((X0, X1), (Y0, Y1), (Z0, Z1), (T0, T1)):
        step[begin] = seg[begin] + a * (seg[end] - seg[begin])
        step[end] = seg[begin] + b * (seg[end] - seg[begin])
