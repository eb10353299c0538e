"""Jaws and clamps: what goes into them, what comes near, and where; worked by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from listen.job import Box, Job, KeepOut, Machine, Setup, Tool
from listen.program.keep_out import keep_out_cautions
from listen.program.near import Body, distances_to_box, nearest
from listen.timeline import Caution
from tests.expect.hand_path import BLOCK, Hand, hand_job

pytestmark = pytest.mark.closed
JAW = KeepOut(name="front jaw", box=Box(low=(-20.0, -60.0, -60.0), high=(100.0, 0.0, -12.0)))
POST = Box(low=(0.0, 0.0, 0.0), high=(2.0, 1.0, 10.0))
LINE = Body(name="tool", radius=0.0, above=0.0)
HELD = Tool(number=1, kind="flat end mill", diameter=10.0, flutes=4, stick_out=4.0, holder_diameter=40.0)


def _side_cut(z: float) -> Hand:
    return Hand(at=(-20, -3, 30)).go(-20, -3, z).line(100, -3, z).go(100, -3, 30)


def _found(hand: Hand, job: Job | None = None) -> list[Caution]:
    job = hand_job(rapid_path="straight") if job is None else job
    return keep_out_cautions(hand.path(), replace(job, keep_outs=(JAW,)))


def _near(
    hand: Hand, box: Box, body: Body, *, bent: bool = False, within: float = 100.0
) -> tuple[float, int]:
    path = hand.path()
    near = nearest(path, np.ones(len(path.spans), dtype=np.bool_), box, body, within=within, bent=bent)
    assert near is not None
    return near.distance, near.span


def test_distance_from_a_straight_move_to_a_box() -> None:
    """Along y = 3 past a box up to y = 1: 2. A corner, or 3 aside and 4 over: 5. A diagonal through it: 0."""
    assert _near(Hand(at=(-5, 3, 0)).line(5, 3, 0), POST, LINE)[0] == pytest.approx(2.0)
    assert _near(Hand(at=(5, 5, 0)).line(9, 5, 0), POST, LINE)[0] == pytest.approx(5.0)
    assert _near(Hand(at=(5, 1, 14)).line(9, 1, 14), POST, LINE)[0] == pytest.approx(5.0)
    assert _near(Hand(at=(-1, 2, 5)).line(3, -2, 5), POST, LINE)[0] == 0.0


def test_the_nearest_place_within_a_move_is_found_not_an_end_of_it() -> None:
    """The line x + y = 5 is (5 - 3) / sqrt 2 from the corner (2, 1)."""
    hand = Hand(at=(-10, 15, 0)).line(12, -7, 0)
    assert _near(hand, POST, LINE)[0] == pytest.approx(2.0 / math.sqrt(2.0), abs=1e-6)


def test_an_arc_is_followed_round_its_bulge() -> None:
    """Half a turn of radius 10 about (0, 15): its lowest point is (0, 5), 4 above the box's edge."""
    hand = Hand(at=(-10, 15, 0)).arc((0, 15), math.pi)
    assert _near(hand, POST, LINE)[0] == pytest.approx(4.0, abs=0.02)


def test_a_rapid_of_which_each_axis_goes_by_itself_is_followed_on_both_ways() -> None:
    """Straight, x + 2 y = 16 is 12 / sqrt 5 from the corner; at equal speeds it comes to (3, 1), 1 aside."""
    hand = Hand(at=(-8, 12, 5)).go(14, 1, 5)
    body = Body(name="tool", radius=1.5, above=0.0)
    assert _near(hand, POST, body)[0] == pytest.approx(12.0 / math.sqrt(5.0) - 1.5, abs=1e-5)
    assert _near(hand, POST, body, bent=True)[0] == 0.0


def test_a_tool_that_just_touches_has_not_gone_in() -> None:
    """Radius 5 along y = 6: the box ends at y = 1."""
    hand = Hand(at=(-20, 6, 5)).line(20, 6, 5)
    assert 0.0 < _near(hand, POST, Body(name="tool", radius=5.0, above=0.0))[0] < 1e-5
    assert _near(hand, POST, Body(name="tool", radius=5.001, above=0.0))[0] == 0.0


def test_a_tool_below_the_foot_of_a_box_still_has_its_shank_in_it() -> None:
    tips = np.array([[1.0, 0.5, -50.0]])
    assert distances_to_box(tips, POST, LINE)[0] == 0.0


def test_a_tool_into_a_jaw_is_called_out_with_its_place() -> None:
    """The rapid down beside the stock goes in at the jaw's top."""
    assert _found(_side_cut(-5.0)) == []
    (found,) = _found(_side_cut(-14.0))
    assert (found.kind, found.line) == ("rapid into a keep-out", 1)
    assert found.text == "T1 goes into 'front jaw' on this line, near X-20.00 Y-3.00 Z-12.00"


def test_a_tool_near_a_jaw_is_told_how_near() -> None:
    """0.5 mm above its top: 0.0197 inch."""
    (found,) = _found(_side_cut(-11.5))
    assert found.kind == "near a keep-out"
    assert found.text.startswith("T1 comes within 0.50 mm of 'front jaw'")
    (inch,) = _found(_side_cut(-11.5), replace(hand_job(), units="inch"))
    assert "comes within 0.0197 inch of 'front jaw' on this line, near X" in inch.text
    assert _found(_side_cut(-10.9)) == []


def test_tool_and_holder_are_told_apart() -> None:
    """The holder begins 4 mm above the tip: at Z-15 it is 1 mm over the top, at Z-17 it is 1 mm in."""
    assert [c.kind for c in _found(_side_cut(-17.0), hand_job(HELD))] == ["rapid into a keep-out"] * 2
    tool, holder = _found(_side_cut(-15.5), hand_job(HELD))
    assert tool.text.startswith("T1 goes into")
    assert holder.text.startswith("the holder of T1 comes within 0.50 mm")


def test_a_tool_that_is_not_in_the_job_is_checked_as_a_line() -> None:
    hand = Hand(at=(-20, -3, 30), tool=7).go(-20, -3, -14)
    assert [c.text.split(" on ")[0] for c in _found(hand)] == ["T7 goes into 'front jaw'"]


def test_a_keep_out_is_seen_from_the_offset_in_force() -> None:
    """The zero of G55 is 100 mm up: Z-14 there is Z86 over the jaw; an offset nobody gave is not judged."""
    job = hand_job(rapid_path="straight")
    path = replace(_side_cut(-14.0).path(), offset_names=("G55",))
    up = replace(job, setups=(Setup(offset="G55", stock=BLOCK, zero=(0.0, 0.0, 100.0)),), keep_outs=(JAW,))
    assert keep_out_cautions(path, up) == []
    level = replace(up, setups=(Setup(offset="g55", stock=BLOCK, zero=(0.0, 0.0, 1.0)),))
    (found,) = keep_out_cautions(path, level)
    assert found.text.endswith("near X-20.00 Y-3.00 Z-13.00")  # the jaw's top as the control shows it
    assert keep_out_cautions(path, replace(job, keep_outs=(JAW,), machine=Machine())) == []


def test_of_many_pieces_the_first_and_the_lowest_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same whether the pieces are worked out at once or one at a time."""
    hand = Hand(at=(1, 0.5, 20)).line(1, 0.5, 12).line(1, 0.5, 8).line(1, 0.5, 3).line(1, 0.5, 20)
    path = hand.path()
    chosen = np.ones(len(path.spans), dtype=np.bool_)
    whole = nearest(path, chosen, POST, LINE, within=0.0, bent=False)
    monkeypatch.setattr("listen.program.near.N_AT_ONCE", 1)
    assert nearest(path, chosen, POST, LINE, within=0.0, bent=False) == whole
    assert whole is not None
    assert (whole.span, whole.lowest) == (1, 3.0)
    assert whole.place == pytest.approx((1.0, 0.5, 10.0), abs=1e-5)
