"""Compiled loops that sharpen where a contact begins and ends, from the moves themselves.

The height field says near which cell; here the height of the material at any point is worked
out from the stock's own shape and every earlier move, so that the touch is as exact as these.

Conventions
-----------
`stock` is (shape, a, b, c, d, top): shape 0 is a box with west, east, south, north; shape 1 a
cylinder with centre x, y and radius; shape 2 means "look into the field of before the first cut".
"""

import math

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled
from listen.expect.kernels import (
    CORNER,
    COT,
    RADIUS,
    T0,
    T1,
    X0,
    X1,
    Y0,
    Y1,
    Z0,
    Z1,
    arrival,
    lowest_over,
    may_cut,
)

BOX, CYLINDER, FIELD = 0, 1, 2
EDGE_MM = 1e-7
Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


@compiled()
def first_height(px: float, py: float, stock: Floats, field: Floats, grid: Floats) -> float:
    """Top of the uncut stock at a point [mm], minus infinity beside it."""
    shape = int(stock[0])
    if shape == 0:
        inside = stock[1] <= px <= stock[2] and stock[3] <= py <= stock[4]
        return stock[5] if inside else -np.inf
    if shape == 1:
        return stock[5] if math.hypot(px - stock[1], py - stock[2]) <= stock[3] else -np.inf
    i = math.floor((px - grid[0]) / grid[2])
    j = math.floor((py - grid[1]) / grid[3])
    if 0 <= i < field.shape[1] and 0 <= j < field.shape[0]:
        height = field[j, i]
        return height if height > grid[4] else -np.inf
    return -np.inf


@compiled()
def into_stock(px: float, py: float, stock: Floats) -> tuple[float, float]:
    """The point of the stock's outline next to a point beside it; itself if inside."""
    shape = int(stock[0])
    if shape == 0:
        x = min(max(px, stock[1] + EDGE_MM), stock[2] - EDGE_MM)
        return x, min(max(py, stock[3] + EDGE_MM), stock[4] - EDGE_MM)
    if shape == 1:
        ex, ey = px - stock[1], py - stock[2]
        distance = math.hypot(ex, ey)
        limit = stock[3] - EDGE_MM
        if distance > limit:
            return stock[1] + ex * limit / distance, stock[2] + ey * limit / distance
    return px, py


@compiled()
def near_segments(segments: Floats, order: Indices, x: float, y: float, half: float) -> Indices:
    """Those of the segments in `order` whose tool comes near a square window."""
    found = np.empty(order.size, np.int64)
    n = 0
    for k in order:
        reach = segments[k, RADIUS] + half
        if (
            min(segments[k, X0], segments[k, X1]) - reach
            <= x
            <= max(segments[k, X0], segments[k, X1]) + reach
            and min(segments[k, Y0], segments[k, Y1]) - reach
            <= y
            <= max(segments[k, Y0], segments[k, Y1]) + reach
        ):
            found[n] = k
            n += 1
    return found[:n]


@compiled()
def may_reach(px: float, py: float, height: float, seg: Floats) -> bool:
    """Quick look whether a move can come below a height over a point; never wrongly no."""
    above = height - min(seg[Z0], seg[Z1])
    if above <= 1e-4:
        return False
    dx, dy = seg[X1] - seg[X0], seg[Y1] - seg[Y0]
    ex, ey = px - seg[X0], py - seg[Y0]
    length2 = dx * dx + dy * dy
    if length2 > 1e-16:
        near = min(max((ex * dx + ey * dy) / length2, 0.0), 1.0)
        ex -= near * dx
        ey -= near * dy
    reaches: bool = may_cut(above, ex * ex + ey * ey, seg[RADIUS], seg[CORNER], seg[COT])
    return reaches


@compiled()
def cut_times(
    px: float,
    py: float,
    height: float,
    segments: Floats,
    order: Indices,
    since: float,
    before: float,
    floor: float,
) -> tuple[float, float]:
    """When a point is first cut after `since` and last cut up to `before` [s]; infinite if never."""
    first, last = np.inf, -np.inf
    for k in order:
        seg = segments[k]
        if not may_reach(px, py, height, seg):
            continue
        low, lowest, start = lowest_over(px, py, seg, 1.0)
        low = max(low, floor)
        if not low < height - 1e-4:
            continue
        lasts = seg[T1] - seg[T0]
        until = seg[T0] + lasts * lowest
        if until > since + 1e-9:  # what ended just then was the touch before
            if first == np.inf:
                first = max(since, seg[T0] + lasts * arrival(px, py, height - 1e-6, seg, start, lowest))
            if until <= before:
                last = until
        height = low
    return first, last


@compiled()
def sharpen(
    x: float,
    y: float,
    half: float,
    segments: Floats,
    order: Indices,
    since: float,
    before: float,
    want_last: bool,
    stock: Floats,
    field: Floats,
    grid: Floats,
    n_stages: int,
) -> tuple[float, float, float]:
    """First (or last) time that any point near (x, y) is cut, and that point.

    A window of 9 × 9 points is laid around the best one and shrunk four times a stage.
    """
    best = -np.inf if want_last else np.inf
    best_x, best_y = x, y
    near = near_segments(segments, order, x, y, 2.0 * half)
    for _ in range(n_stages):
        centre_x, centre_y = best_x, best_y
        for a in range(-4, 5):
            for b in range(-4, 5):
                px, py = into_stock(centre_x + a * half / 4.0, centre_y + b * half / 4.0, stock)
                height = first_height(px, py, stock, field, grid)
                if height == -np.inf:
                    continue
                first, last = cut_times(px, py, height, segments, near, since, before, grid[4])
                if want_last and last > best:
                    best, best_x, best_y = last, px, py
                elif not want_last and first < best:
                    best, best_x, best_y = first, px, py
        half *= 0.3
    return best, best_x, best_y


@compiled()
def _is_uncut(
    px: float,
    py: float,
    z: float,
    segments: Floats,
    order: Indices,
    at: float,
    stock: Floats,
    field: Floats,
    grid: Floats,
) -> bool:
    height = first_height(px, py, stock, field, grid)
    if not height > max(z, grid[4]) + 1e-4:
        return False
    for k in order[::-1]:  # the latest moves are the likeliest to have been here
        seg = segments[k]
        if seg[T0] >= at or min(seg[Z0], seg[Z1]) >= z + 1e-4 or not may_reach(px, py, height, seg):
            continue
        lasts = seg[T1] - seg[T0]
        until = min(1.0, (at - seg[T0]) / lasts) if lasts > 0.0 else 1.0
        low, _, _ = lowest_over(px, py, seg, until)
        if low < z + 1e-4:
            return False
    return True


@compiled()
def engaged_arc(
    segments: Floats,
    k: int,
    at: float,
    order: Indices,
    stock: Floats,
    field: Floats,
    grid: Floats,
    n_angles: int,
) -> tuple[float, float, float]:
    """Arc of the cutter's front that meets material at a time: right end, left end, share engaged.

    Angles are from the feed direction, left positive [rad]; the third is the sum of engaged
    angle [rad], less than left less right where the arc is broken. All 0 where nothing is met.
    """
    seg = segments[k]
    u = (at - seg[T0]) / (seg[T1] - seg[T0])
    x = seg[X0] + u * (seg[X1] - seg[X0])
    y = seg[Y0] + u * (seg[Y1] - seg[Y0])
    z = seg[Z0] + u * (seg[Z1] - seg[Z0])
    heading = math.atan2(seg[Y1] - seg[Y0], seg[X1] - seg[X0])
    radius = seg[RADIUS] * (1.0 + 1e-7)
    near = near_segments(segments, order, x, y, seg[RADIUS] * 1.01)
    wide = math.pi / n_angles
    right, left, engaged = 10.0, -10.0, 0.0
    for a in range(n_angles):
        angle = -0.5 * math.pi + (a + 0.5) * wide
        px = x + radius * math.cos(heading + angle)
        py = y + radius * math.sin(heading + angle)
        if _is_uncut(px, py, z, segments, near, at, stock, field, grid):
            engaged += wide
            right = min(right, angle)
            left = max(left, angle)
    if engaged == 0.0:
        return 0.0, 0.0, 0.0
    ends = (right, left)
    sharp = np.empty(2)
    for e in range(2):
        inside = ends[e]
        outside = inside - wide if e == 0 else inside + wide
        outside = min(max(outside, -0.5 * math.pi), 0.5 * math.pi)
        for _ in range(16):
            middle = 0.5 * (inside + outside)
            px = x + radius * math.cos(heading + middle)
            py = y + radius * math.sin(heading + middle)
            if _is_uncut(px, py, z, segments, near, at, stock, field, grid):
                inside = middle
            else:
                outside = middle
        sharp[e] = inside
    engaged += (right - sharp[0]) + (sharp[1] - left) - wide
    return sharp[0], sharp[1], engaged
