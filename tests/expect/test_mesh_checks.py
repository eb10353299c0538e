"""Stock meshes as they come: with gaps, in another unit; made by trimesh, not by this project."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh

from listen.expect import expect_timeline
from listen.expect.mesh import mesh_surface
from listen.job import Job, Mesh, Setup
from listen.timeline import Caution
from tests.expect.hand_path import Hand, hand_job

pytestmark = pytest.mark.closed
ACROSS = Hand(at=(-20, 10, 10)).go(-20, 10, -3).line(100, 10, -3).go(100, 40, 10).go(-20, 40, 10)


def a_block() -> "trimesh.Trimesh":
    return trimesh.creation.box(bounds=[[0.0, 0.0, -20.0], [80.0, 50.0, 0.0]])


def with_stock(path: Path, block: "trimesh.Trimesh", *, scale: float = 1.0) -> Job:
    """The job of other tests with this mesh as its stock."""
    block.export(path)
    setup = Setup(offset="G54", stock=Mesh(path=path, scale=scale))
    return replace(hand_job(), setups=(setup,))


def cautions(job: Job) -> list[Caution]:
    return list(expect_timeline(ACROSS.path(), job).cautions)


def test_a_whole_block_of_the_right_size_raises_nothing(tmp_path: Path) -> None:
    said = [caution.text for caution in cautions(with_stock(tmp_path / "blank.stl", a_block()))]
    assert not [text for text in said if "blank.stl" in text]


@pytest.mark.parametrize("normal_z", [1.0, -1.0])
def test_a_surface_with_a_gap_is_told_as_wrong(tmp_path: Path, normal_z: float) -> None:
    """Without its top, or its underside: the first leaves nothing to touch."""
    block = a_block()
    block.update_faces(np.abs(block.face_normals[:, 2] - normal_z) > 0.5)
    (found,) = (c for c in cautions(with_stock(tmp_path / "blank.stl", block)) if c.kind == "open mesh")
    assert found.text.startswith("the stock blank.stl has gaps in its surface")


@pytest.mark.parametrize("factor", [1.0 / 25.4, 25.4, 0.001])
def test_a_block_drawn_in_another_unit_is_asked_about(tmp_path: Path, factor: float) -> None:
    block = a_block()
    block.apply_scale(factor)
    said = cautions(with_stock(tmp_path / "blank.stl", block))
    (found,) = (caution for caution in said if "unit of the stock blank.stl" in caution.text)
    x, y, z = (length * factor for length in (80.0, 50.0, 20.0))
    assert f"{x:.2f} by {y:.2f} by {z:.2f} mm" in found.text
    right = with_stock(tmp_path / "blank.stl", block, scale=1.0 / factor)
    assert not [caution for caution in cautions(right) if "unit of the stock" in caution.text]


def test_a_file_that_was_changed_is_read_anew(tmp_path: Path) -> None:
    job = with_stock(tmp_path / "blank.stl", a_block())
    (setup,) = job.setups
    assert isinstance(setup.stock, Mesh)
    assert mesh_surface(setup.stock).high == (80.0, 50.0, 0.0)
    lower = a_block()
    lower.apply_translation([0.0, 0.0, -5.0])
    lower.export(tmp_path / "blank.stl")
    assert mesh_surface(setup.stock).high == (80.0, 50.0, -5.0)
