"""Compiled loop for how far a tool is from the material."""

import math

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled
from listen.expect.kernels import rise

Floats = NDArray[np.float64]


@compiled()
def distance_to_stock(
    field: Floats,
    grid: Floats,
    x: float,
    y: float,
    z: float,
    profile: tuple[float, float, float],
    reach: float,
) -> float:
    """Least distance between a tool standing at a place and the material, at most `reach` [mm].

    Measured to the top of each cell; 0 where tool and material overlap.
    """
    radius, corner, cot = profile
    n_y, n_x = field.shape
    wide = radius + reach
    j0 = max(0, math.ceil((y - wide - grid[1]) / grid[3] - 0.5))
    j1 = min(n_y - 1, math.floor((y + wide - grid[1]) / grid[3] - 0.5))
    i0 = max(0, math.ceil((x - wide - grid[0]) / grid[2] - 0.5))
    i1 = min(n_x - 1, math.floor((x + wide - grid[0]) / grid[2] - 0.5))
    nearest = reach
    half = 0.5 * max(grid[2], grid[3])
    for j in range(j0, j1 + 1):
        ey = grid[1] + (j + 0.5) * grid[3] - y
        for i in range(i0, i1 + 1):
            height = field[j, i]
            if height <= grid[4] or height <= z - nearest:
                continue
            distance = math.hypot(grid[0] + (i + 0.5) * grid[2] - x, ey)
            if distance >= radius + nearest + half:
                continue
            under = z + rise(min(distance, radius), radius, corner, cot) - height
            aside = max(distance - radius - half, 0.0)
            nearest = min(nearest, math.hypot(max(under, 0.0), aside))
            if nearest <= 0.0:
                return 0.0
    return nearest
