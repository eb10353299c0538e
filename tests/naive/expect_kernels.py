"""Plain-loop twins of listen.expect.kernels and exact_kernels: what is meant, without any speed.

The tool is sampled at many places along each move, and lowered on every cell each time.
"""

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def rise(distance: float, radius: float, corner: float, cot: float) -> float:
    """Lower surface over the tip at a distance from the axis."""
    if cot > 0.0:
        return distance * cot
    beyond = distance - (radius - corner)
    return corner - math.sqrt(max(corner**2 - beyond**2, 0.0)) if beyond > 0.0 else 0.0


def swept_field(field: Floats, grid: Floats, segments: Floats, *, n_places: int = 200) -> Floats:
    """The field after all segments, tool by tool and place by place."""
    left = field.copy()
    n_y, n_x = field.shape
    for seg in segments:
        radius, corner, cot = seg[8], seg[9], seg[10]
        for u in np.linspace(0.0, 1.0, n_places):
            x, y, z = seg[0:3] + u * (seg[3:6] - seg[0:3])
            for j in range(n_y):
                for i in range(n_x):
                    px = grid[0] + (i + 0.5) * grid[2]
                    py = grid[1] + (j + 0.5) * grid[3]
                    distance = math.hypot(px - x, py - y)
                    if distance < radius:
                        low = max(z + rise(distance, radius, corner, cot), grid[4])
                        left[j, i] = min(left[j, i], low)
    return left


def distance_to_stock(
    field: Floats,
    grid: Floats,
    place: tuple[float, float, float],
    profile: tuple[float, float, float],
    reach: float,
) -> float:
    """Least distance from the tool to the top of any cell, cell by cell."""
    radius, corner, cot = profile
    half = 0.5 * max(grid[2], grid[3])
    nearest = reach
    for j in range(field.shape[0]):
        for i in range(field.shape[1]):
            height = field[j, i]
            if height <= grid[4]:
                continue
            px, py = grid[0] + (i + 0.5) * grid[2], grid[1] + (j + 0.5) * grid[3]
            distance = math.hypot(px - place[0], py - place[1])
            under = place[2] + rise(min(distance, radius), radius, corner, cot) - height
            aside = max(distance - radius - half, 0.0)
            nearest = min(nearest, math.hypot(max(under, 0.0), aside))
    return nearest


def draped(field: Floats, grid: Floats, triangles: Floats) -> Floats:
    """Each cell raised to the highest triangle over its centre, triangle by triangle."""
    top = field.copy()
    for a, b, c in triangles:
        normal = np.cross(b - a, c - a)
        if abs(normal[2]) < 1e-12:
            continue
        for j in range(field.shape[0]):
            for i in range(field.shape[1]):
                p = np.array([grid[0] + (i + 0.5) * grid[2], grid[1] + (j + 0.5) * grid[3]])
                v, w = np.linalg.solve(np.column_stack([(b - a)[:2], (c - a)[:2]]), p - a[:2])
                if min(v, w) >= -1e-9 and v + w <= 1.0 + 1e-9:
                    top[j, i] = max(top[j, i], a[2] + v * (b - a)[2] + w * (c - a)[2])
    return top
