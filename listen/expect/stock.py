"""The stock as a field of heights, and its own shape for exact touches."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.job import Box, Cylinder, Mesh, Shape

MOST_CELLS = 12_000_000
FINEST_MM, COARSEST_MM = 0.02, 0.25
CELLS_ACROSS_TOOL = 60
CELLS_VISITED = 1.5e8
_BOX, _CYLINDER, _FIELD = 0.0, 1.0, 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stock:
    """Stock under one work offset.

    Attributes
    ----------
    shape : ndarray, shape (6,)
        The shape as the exact kernels read it.
    field : ndarray, shape (n_y, n_x)
        Height of the material over each cell's centre [mm, work coordinates]; the floor or
        below where there is none.
    grid : ndarray, shape (5,)
        West and south edge, cell width and height, floor [mm].
    top : float
        Nothing is higher [mm].
    """

    shape: NDArray[np.float64]
    field: NDArray[np.float64]
    grid: NDArray[np.float64]
    top: float

    @property
    def floor(self) -> float:
        """Underside of the stock [mm]."""
        return float(self.grid[4])

    @property
    def cell(self) -> float:
        """The longer side of a cell [mm]."""
        return float(max(self.grid[2], self.grid[3]))

    @property
    def east_north(self) -> tuple[float, float]:
        """The other two edges [mm]."""
        n_y, n_x = self.field.shape
        return float(self.grid[0] + n_x * self.grid[2]), float(self.grid[1] + n_y * self.grid[3])

    def volume(self) -> float:
        """How much material there is [mm³]."""
        above = np.maximum(self.field - self.grid[4], 0.0)
        return float(above.sum() * self.grid[2] * self.grid[3])


def choose_cell(width: float, depth: float, *, least_diameter: float, work_mm2: float) -> float:
    """Side of a cell [mm], fine enough for the tool and few enough for memory and time.

    Parameters
    ----------
    width, depth : float
        The stock's sides [mm].
    least_diameter : float
        Of the thinnest tool that cuts [mm].
    work_mm2 : float
        Area of cells that will be visited [mm²], counted as often as they are.
    """
    fine = min(max(least_diameter / CELLS_ACROSS_TOOL, FINEST_MM), COARSEST_MM)
    by_memory = math.sqrt(width * depth / MOST_CELLS)
    by_time = math.sqrt(work_mm2 / CELLS_VISITED)
    return max(fine, by_memory, by_time)


def empty_field(
    west: float, south: float, east: float, north: float, cell: float, floor: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A field with nothing in it, and its grid."""
    n_x = max(1, math.ceil((east - west) / cell - 1e-9))
    n_y = max(1, math.ceil((north - south) / cell - 1e-9))
    grid = np.array([west, south, (east - west) / n_x, (north - south) / n_y, floor], dtype=np.float64)
    return np.full((n_y, n_x), floor, dtype=np.float64), grid


def make_stock(shape: Shape, *, cell: float) -> Stock:
    """The uncut stock of a box, a cylinder or a mesh.

    Raises
    ------
    InputError
        For a mesh file that cannot be read or holds no solid.
    """
    if isinstance(shape, Box):
        return _box(shape, cell)
    if isinstance(shape, Cylinder):
        return _cylinder(shape, cell)
    if isinstance(shape, Mesh):
        from listen.expect.mesh import mesh_stock

        return mesh_stock(shape, cell=cell)
    raise InputError("stock 'after' an earlier job is worked out from that job, not from a shape")


def _box(shape: Box, cell: float) -> Stock:
    field, grid = empty_field(*shape.low[:2], *shape.high[:2], cell, shape.low[2])
    field[:] = shape.high[2]
    numbers = [_BOX, shape.low[0], shape.high[0], shape.low[1], shape.high[1], shape.high[2]]
    return Stock(shape=np.array(numbers, dtype=np.float64), field=field, grid=grid, top=shape.high[2])


def _cylinder(shape: Cylinder, cell: float) -> Stock:
    (x, y), radius = shape.centre, shape.diameter / 2.0
    field, grid = empty_field(x - radius, y - radius, x + radius, y + radius, cell, shape.low_z)
    east = grid[0] + (np.arange(field.shape[1]) + 0.5) * grid[2] - x
    north = grid[1] + (np.arange(field.shape[0]) + 0.5) * grid[3] - y
    field[np.hypot(east[None, :], north[:, None]) <= radius] = shape.high_z
    numbers = [_CYLINDER, x, y, radius, 0.0, shape.high_z]
    return Stock(shape=np.array(numbers, dtype=np.float64), field=field, grid=grid, top=shape.high_z)


def outline_of(shape: Shape) -> tuple[float, float, float, float, float, float]:
    """Bounding box of a stock: west, south, low, east, north, high [mm]."""
    if isinstance(shape, Box):
        return (*shape.low, *shape.high)
    if isinstance(shape, Cylinder):
        (x, y), r = shape.centre, shape.diameter / 2.0
        return x - r, y - r, shape.low_z, x + r, y + r, shape.high_z
    if isinstance(shape, Mesh):
        from listen.expect.mesh import mesh_surface

        surface = mesh_surface(shape)
        return (*surface.low, *surface.high)
    raise InputError("the outline of stock 'after' an earlier job is that job's own stock")


def field_stock(field: NDArray[np.float64], grid: NDArray[np.float64]) -> Stock:
    """Stock known only as heights: a mesh, or what an earlier job leaves."""
    numbers = np.array([_FIELD, 0.0, 0.0, 0.0, 0.0, float(field.max())])
    return Stock(shape=numbers, field=field, grid=grid, top=float(field.max()))
