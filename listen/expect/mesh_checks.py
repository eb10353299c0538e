"""What a stock mesh shows to be wrong: a surface with gaps, a unit that does not fit the program."""

import numpy as np

from listen.expect import kernels
from listen.expect.mesh import Surface, mesh_surface
from listen.expect.segments import Segments
from listen.job import Job, Mesh
from listen.lengths import length_number, length_text
from listen.timeline import Caution

FAR_FROM_REACH = 100.0  # areas; a mesh in inch that is read in mm, or the other way round, is off by 645


def check_meshes(job: Job, segments: Segments) -> list[Caution]:
    """Cautions about the meshes that are stock in this job."""
    meshes = [setup.stock for setup in job.setups if isinstance(setup.stock, Mesh)]
    surfaces = {mesh.path.name: mesh_surface(mesh) for mesh in meshes}
    return [
        *(_open(name) for name, surface in surfaces.items() if not surface.closed),
        *(_odd_size(name, one, job.units) for name, one in surfaces.items() if _is_odd(one, segments)),
    ]


def _open(name: str) -> Caution:
    return Caution(
        kind="open mesh",
        line=None,
        text=f"the stock {name} has gaps in its surface: below a gap it is taken as empty, so contacts "
        "may be missing here, a rapid move into the stock among them",
        remedy="close it in the CAD and export it again as a solid, or give the stock as min and max",
    )


def _is_odd(surface: Surface, segments: Segments) -> bool:
    """Whether the mesh is so much larger or smaller than all moves together that its unit may be wrong."""
    (west, south, _), (east, north, _) = surface.low, surface.high
    x = segments.rows[:, [kernels.X0, kernels.X1]]
    y = segments.rows[:, [kernels.Y0, kernels.Y1]]
    reach = float(np.ptp(x) * np.ptp(y)) if segments.rows.size else 0.0
    area = (east - west) * (north - south)
    return reach > 0.0 and not 1.0 / FAR_FROM_REACH < area / reach < FAR_FROM_REACH


def _odd_size(name: str, surface: Surface, unit: str) -> Caution:
    x, y, z = (high - low for low, high in zip(surface.low, surface.high, strict=True))
    size = f"{length_number(x, unit, 2)} by {length_number(y, unit, 2)} by {length_text(z, unit, 2)}"
    return Caution(
        kind="not checked",
        line=None,
        text=f"unit of the stock {name} not checked: as it is read it measures {size}, "
        "and the program's moves are of quite another size",
        remedy='a mesh names no unit: write units = "mm" or units = "inch" in [stock], as it was drawn',
    )
