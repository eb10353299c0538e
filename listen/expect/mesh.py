"""Stock from a mesh file, as heights (needs the extra `mesh`)."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.expect.mesh_kernels import drape
from listen.expect.stock import Stock, empty_field, field_stock
from listen.job import Mesh

FORMATS = (".stl", ".obj", ".ply", ".off")  # what trimesh reads by itself


@dataclass(frozen=True, slots=True)
class Surface:
    """What a mesh file holds.

    Attributes
    ----------
    triangles : ndarray, shape (n_triangles, 3, 3)
        Corners [mm].
    closed : bool
        Each edge belongs to two triangles: the surface has an inside.
    """

    triangles: NDArray[np.float64]
    closed: bool

    @property
    def low(self) -> tuple[float, float, float]:
        """Least X, Y and Z [mm]."""
        x, y, z = self.triangles.reshape(-1, 3).min(axis=0).tolist()
        return x, y, z

    @property
    def high(self) -> tuple[float, float, float]:
        """Greatest X, Y and Z [mm]."""
        x, y, z = self.triangles.reshape(-1, 3).max(axis=0).tolist()
        return x, y, z


def mesh_surface(shape: Mesh) -> Surface:
    """The surface in a mesh file.

    Raises
    ------
    InputError
        Where trimesh is not installed, or the file cannot be read or holds no triangles.
    """
    name = shape.path.name
    if shape.path.suffix.lower() not in FORMATS:
        raise InputError(
            f"stock mesh must be one of {', '.join(FORMATS)}, got {name}; export the blank as STL, a solid"
        )
    try:
        changed = shape.path.stat().st_mtime_ns
    except OSError:
        raise InputError(f"no mesh file {shape.path}; stock mesh must name a file beside the job") from None
    return _read(shape, changed)


@lru_cache(maxsize=4)  # one sheet asks for outline, size and heights; a large file takes seconds to read
def _read(shape: Mesh, changed: int) -> Surface:
    name = shape.path.name
    try:
        import trimesh
    except ImportError:
        raise InputError(
            f"stock {name} is a mesh: reading it needs trimesh; pip install 'cut-listen[mesh]'"
        ) from None
    try:
        loaded = trimesh.load(shape.path, force="mesh")
        triangles = np.asarray(loaded.triangles, dtype=np.float64) * shape.scale
    except (OSError, ValueError, KeyError, IndexError, AttributeError, NotImplementedError) as error:
        raise InputError(f"{name} cannot be read as a mesh: {error}; export the blank again as STL") from None
    if not triangles.size or not np.isfinite(triangles).all():
        raise InputError(f"{name} holds no triangles; export the blank again as STL")
    triangles.setflags(write=False)
    return Surface(triangles=triangles, closed=bool(loaded.is_watertight))


def mesh_stock(shape: Mesh, *, cell: float) -> Stock:
    """Top of a mesh as a field; what overhangs is taken as solid below."""
    surface = mesh_surface(shape)
    (west, south, floor), (east, north, top) = surface.low, surface.high
    if not (east > west and north > south and top > floor):
        size = f"{east - west:.3f} by {north - south:.3f} by {top - floor:.3f} mm"
        raise InputError(f"{shape.path.name} is flat: {size}; stock needs a length on each axis")
    field, grid = empty_field(west, south, east, north, cell, floor)
    drape(field, grid, surface.triangles)
    return field_stock(field, grid)
