"""Stock from a mesh file, as heights (needs the extra `mesh`)."""

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.expect.mesh_kernels import drape
from listen.expect.stock import Stock, empty_field, field_stock
from listen.job import Mesh


def mesh_triangles(shape: Mesh) -> NDArray[np.float64]:
    """Corners of the mesh's triangles [mm], shape (n_triangles, 3, 3).

    Raises
    ------
    InputError
        Where trimesh is not installed, or the file cannot be read or holds no triangles.
    """
    try:
        import trimesh
    except ImportError:
        raise InputError(
            f"stock {shape.path.name} is a mesh: reading it needs trimesh; pip install 'cut-listen[mesh]'"
        ) from None
    if not shape.path.is_file():
        raise InputError(f"no mesh file {shape.path}; stock mesh must name a file beside the job")
    try:
        loaded = trimesh.load(shape.path, force="mesh")
        triangles = np.asarray(loaded.triangles, dtype=np.float64) * shape.scale
    except (ValueError, KeyError, IndexError, AttributeError, NotImplementedError) as error:
        raise InputError(f"{shape.path.name} cannot be read as a mesh: {error}; is it an STL?") from None
    if not triangles.size or not np.isfinite(triangles).all():
        raise InputError(f"{shape.path.name} holds no triangles; export the blank again as STL")
    return triangles


def mesh_bounds(shape: Mesh) -> tuple[float, float, float, float, float, float]:
    """West, south, low, east, north, high of a mesh [mm]."""
    corners = mesh_triangles(shape).reshape(-1, 3)
    low, high = corners.min(axis=0), corners.max(axis=0)
    return float(low[0]), float(low[1]), float(low[2]), float(high[0]), float(high[1]), float(high[2])


def mesh_stock(shape: Mesh, *, cell: float) -> Stock:
    """Top of a mesh as a field; what overhangs is taken as solid below."""
    triangles = mesh_triangles(shape)
    corners = triangles.reshape(-1, 3)
    low, high = corners.min(axis=0), corners.max(axis=0)
    if not (high > low).all():
        raise InputError(f"{shape.path.name} is flat: {high - low} mm; stock needs a length on each axis")
    field, grid = empty_field(low[0], low[1], high[0], high[1], cell, low[2])
    drape(field, grid, triangles)
    return field_stock(field, grid)
