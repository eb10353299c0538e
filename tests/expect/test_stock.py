"""Removed volume against exact solids and closed forms, and stock shapes."""

import dataclasses
import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from listen.errors import InputError
from listen.expect import expect
from listen.job import After, Box, Cylinder, Mesh, Setup, Tool
from tests.expect.hand_path import BLOCK, FLAT_10, Hand, hand_job

WITHIN = 0.005


def _removed(hand: Hand, *tools: Tool, stock: Box | Cylinder = BLOCK) -> float:
    expected = expect(hand.path(), hand_job(*tools, stock=stock))
    return sum(expected.uncut[o].volume() - expected.left[o].volume() for o in expected.left)


@pytest.mark.reference
def test_a_pocket_with_arcs_against_an_exact_solid() -> None:
    """Reference: the exact solids of manifold3d (a general geometry library)."""
    from manifold3d import CrossSection, Manifold

    hand = Hand(at=(20, 20, 10)).go(20, 20, 1).line(20, 20, -6, feed=100).line(55, 20, -6)
    hand.arc((55, 27), math.pi / 2).line(62, 35, -6).line(20, 35, -6).arc((20, 27.5), math.pi)
    swept = Manifold()
    places: list[tuple[float, float]] = [(20, 20), (55, 20)]
    places += [(55 + 7 * math.sin(a), 27 - 7 * math.cos(a)) for a in np.linspace(0, math.pi / 2, 60)]
    places += [(62, 35), (20, 35)]
    places += [(20 - 7.5 * math.sin(a), 27.5 + 7.5 * math.cos(a)) for a in np.linspace(0, math.pi, 120)]
    disc = np.array([(5 * math.cos(a), 5 * math.sin(a)) for a in np.linspace(0, 2 * math.pi, 361)[:-1]])
    hulls = []
    for a, b in itertools.pairwise(places):
        both = np.concatenate([disc + np.array(a), disc + np.array(b)])
        hulls.append(CrossSection.hull_points([tuple(p) for p in both.tolist()]))
    area = CrossSection.batch_hull([hulls[0]])
    for hull in hulls:
        area = area + hull
    swept = Manifold.extrude(area, 20.0).translate((0.0, 0.0, -6.0))
    block = Manifold.cube((80.0, 50.0, 20.0)).translate((0.0, 0.0, -20.0))
    exact = (block ^ swept).volume()
    assert _removed(hand) == pytest.approx(exact, rel=WITHIN)


@pytest.mark.reference
def test_a_ball_groove_against_an_exact_solid() -> None:
    """Reference: manifold3d; the groove runs through a corner of the block."""
    from manifold3d import Manifold

    ball = Tool(number=1, kind="ball end mill", diameter=8.0, flutes=2)
    hand = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(100, 25, -3)
    round_end = Manifold.sphere(4.0, 256).translate((0.0, 25.0, 1.0))
    shank = Manifold.cylinder(20.0, 4.0, 4.0, 256).translate((0.0, 25.0, 1.0))
    end = round_end + shank
    swept = Manifold.batch_hull([end.translate((-20.0, 0.0, 0.0)), end.translate((100.0, 0.0, 0.0))])
    block = Manifold.cube((80.0, 50.0, 20.0)).translate((0.0, 0.0, -20.0))
    assert _removed(hand, ball) == pytest.approx((block ^ swept).volume(), rel=WITHIN)


@pytest.mark.closed
def test_a_blind_hole_has_the_volume_of_cylinder_and_cone() -> None:
    """By hand: a 118° point of radius 4 is 4/tan 59° high, its cone a third of that cylinder."""
    drill = Tool(number=1, kind="drill", diameter=8.0, flutes=2)
    point = 4.0 / math.tan(math.radians(59.0))
    hand = Hand(at=(40, 25, 5)).line(40, 25, -12).go(40, 25, 5)
    by_hand = math.pi * 16.0 * (12.0 - point) + math.pi * 16.0 * point / 3.0
    assert _removed(hand, drill) == pytest.approx(by_hand, rel=WITHIN)


@pytest.mark.closed
def test_a_ring_cut_from_a_round() -> None:
    hand = Hand(at=(-60, 0, 10)).go(-60, 0, -5).line(-48, 0, -5).arc((0, 0), 2 * math.pi)
    stock = Cylinder(centre=(0.0, 0.0), diameter=90.0, low_z=-20.0, high_z=0.0)
    assert _removed(hand, stock=stock) == pytest.approx(math.pi * (45**2 - 43**2) * 5, rel=WITHIN)


@pytest.mark.closed
def test_a_mesh_of_a_box_is_that_box(tmp_path: Path) -> None:
    import trimesh

    box = trimesh.creation.box(bounds=[[0.0, 0.0, -20.0], [80.0, 50.0, 0.0]])
    box.apply_scale(1.0 / 25.4)
    box.export(tmp_path / "blank.stl")
    hand = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(100, 25, -3)
    job = hand_job()
    mesh = Setup(offset="G54", stock=Mesh(path=tmp_path / "blank.stl", scale=25.4))
    (contact,) = expect(hand.path(), dataclasses.replace(job, setups=(mesh,))).timeline.contacts
    (exact,) = expect(hand.path(), job).timeline.contacts
    assert contact.place[0] == pytest.approx(exact.place[0], abs=0.1)
    assert (contact.stop - contact.start) * 10 == pytest.approx(85.0, abs=0.2)


@pytest.mark.closed
def test_a_missing_or_broken_mesh_is_named(tmp_path: Path) -> None:
    hand = Hand(at=(-20, 25, 10)).line(100, 25, -3)
    step = b"ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\nENDSEC;\nEND-ISO-10303-21;\n"
    for name, content in (("none.stl", None), ("text.stl", b"not a mesh"), ("blank.step", step)):
        if content is not None:
            (tmp_path / name).write_bytes(content)
        setup = Setup(offset="G54", stock=Mesh(path=tmp_path / name, scale=1.0))
        with pytest.raises(InputError, match=name):
            expect(hand.path(), dataclasses.replace(hand_job(), setups=(setup,)))


@pytest.mark.closed
def test_stock_after_an_earlier_job_has_what_that_left(tmp_path: Path) -> None:
    (tmp_path / "op10.nc").write_text(
        "G21 G90\nT1 M6\nM3 S6000\nG0 X-20 Y25 Z10\nG0 Z-3\nG1 X100 F600\nG0 Z10\nM30\n"
    )
    (tmp_path / "op10.toml").write_text(
        'program = "op10.nc"\n[stock]\nmin = [0, 0, -20]\nmax = [80, 50, 0]\n'
        '[[tools]]\nnumber = 1\nkind = "flat end mill"\ndiameter = 10\nflutes = 4\n'
    )
    after = Setup(offset="G54", stock=After(path=tmp_path / "op10.toml"))
    hand = Hand(at=(-20, 27, 10)).go(-20, 27, -3).line(100, 27, -3)  # 2 mm beside the slot
    (contact,) = expect(hand.path(), dataclasses.replace(hand_job(), setups=(after,))).timeline.contacts
    assert contact.removed_mm3 == pytest.approx(80 * 2 * 3, rel=0.05)
    assert contact.place[0] == pytest.approx(-4.0, abs=0.3)


@pytest.mark.closed
def test_a_job_that_waits_for_itself_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "op20.toml"
    (tmp_path / "op20.nc").write_text("G21 G90\nM30\n")
    path.write_text(
        'program = "op20.nc"\n[stock]\nafter = "op20.toml"\n'
        '[[tools]]\nnumber = 1\nkind = "flat end mill"\ndiameter = 10\n'
    )
    hand = Hand(at=(-20, 27, 10)).line(100, 27, -3)
    with pytest.raises(InputError, match="waits for itself"):
        expect(
            hand.path(),
            dataclasses.replace(hand_job(), setups=(Setup(offset="G54", stock=After(path=path)),)),
        )


@pytest.mark.closed
def test_the_tool_in_use_is_ten_wide() -> None:
    assert FLAT_10.diameter == 10.0
