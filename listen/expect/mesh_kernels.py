"""Compiled loop that lays a field of heights over triangles."""

import math

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled

Floats = NDArray[np.float64]


@compiled()
def drape(field: Floats, grid: Floats, triangles: Floats) -> None:
    """Raise each cell to the highest triangle over its centre.

    Parameters
    ----------
    field : ndarray, shape (n_y, n_x)
        Heights [mm]. Changed.
    grid : ndarray, shape (5,)
        West and south edge, cell width and height, floor [mm].
    triangles : ndarray, shape (n_triangles, 3, 3)
        Corners [mm].
    """
    n_y, n_x = field.shape
    for t in range(triangles.shape[0]):
        ax, ay, az = triangles[t, 0]
        bx, by, bz = triangles[t, 1]
        cx, cy, cz = triangles[t, 2]
        area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
        if abs(area) < 1e-12:
            continue
        i0 = max(0, math.ceil((min(ax, bx, cx) - grid[0]) / grid[2] - 0.5))
        i1 = min(n_x - 1, math.floor((max(ax, bx, cx) - grid[0]) / grid[2] - 0.5))
        j0 = max(0, math.ceil((min(ay, by, cy) - grid[1]) / grid[3] - 0.5))
        j1 = min(n_y - 1, math.floor((max(ay, by, cy) - grid[1]) / grid[3] - 0.5))
        for j in range(j0, j1 + 1):
            py = grid[1] + (j + 0.5) * grid[3]
            for i in range(i0, i1 + 1):
                px = grid[0] + (i + 0.5) * grid[2]
                v = ((px - ax) * (cy - ay) - (cx - ax) * (py - ay)) / area
                w = ((bx - ax) * (py - ay) - (px - ax) * (by - ay)) / area
                if v < -1e-9 or w < -1e-9 or v + w > 1.0 + 1e-9:
                    continue
                height = az + v * (bz - az) + w * (cz - az)
                field[j, i] = max(field[j, i], height)
