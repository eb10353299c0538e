"""Cautions that need stock, tools and keep-outs."""

import dataclasses
import math

import pytest

from listen.expect import expect, expect_timeline
from listen.expect.joined import joined_path
from listen.job import Box, Job, KeepOut, Material, Setup, Tool
from listen.spans import SpanKind
from listen.timeline import Caution
from tests.expect.hand_path import BLOCK, FLAT_10, Hand, hand_job

pytestmark = pytest.mark.closed
JAW = KeepOut(name="front jaw", box=Box(low=(-20.0, -60.0, -60.0), high=(100.0, 0.0, -12.0)))


def _kinds(hand: Hand, job: Job | None = None) -> list[str]:
    return [caution.kind for caution in expect_timeline(hand.path(), job or hand_job()).cautions]


def _caution(hand: Hand, job: Job, kind: str) -> Caution:
    return next(c for c in expect_timeline(hand.path(), job).cautions if c.kind == kind)


def _side_cut(z: float, tool: int = 1) -> Hand:
    return Hand(at=(-20, -3, 30), tool=tool).go(-20, -3, z).line(100, -3, z).go(100, -3, 30)


def test_the_holder_is_checked_where_given() -> None:
    """It sticks out 4 mm, the tool goes to -5; at X-20 its radius of 20 is short of the corner, 20.2 away."""
    long = Tool(number=1, kind="flat end mill", diameter=10.0, flutes=4, stick_out=30.0, holder_diameter=40.0)
    short = dataclasses.replace(long, stick_out=4.0)
    assert "holder below the top" not in _kinds(_side_cut(-5.0), hand_job(long))
    found = _caution(_side_cut(-5.0), hand_job(short), "holder below the top")
    assert "1.00 mm below the top" in found.text
    assert found.line == 2


def test_clamps_and_holder_not_checked_is_said() -> None:
    found = _caution(_side_cut(-5.0), hand_job(), "not checked")
    assert found.text.startswith("clamps and holder not checked")


def test_what_the_job_does_not_give_of_clamps_and_holders_is_named() -> None:
    held = Tool(number=1, kind="flat end mill", diameter=10.0, flutes=4, stick_out=30.0, holder_diameter=40.0)
    assert _caution(_side_cut(-5.0), hand_job(held), "not checked").text.startswith("clamps not checked")
    job = dataclasses.replace(hand_job(), keep_outs=(JAW,))
    assert _caution(_side_cut(-5.0), job, "not checked").text.startswith("holder not checked for T1")
    assert "not checked" not in _kinds(_side_cut(-5.0), dataclasses.replace(hand_job(held), keep_outs=(JAW,)))


def test_a_program_that_never_meets_the_stock_is_called_out() -> None:
    above = _caution(_side_cut(5.0), hand_job(), "no contact")
    assert above.text == "the program never touches the stock of this job"
    no_feed = _caution(Hand(at=(-20, -3, 30)).go(-20, -3, 5), hand_job(), "no contact")
    assert no_feed.text == "the program has no feed move"
    assert "no contact" not in _kinds(_side_cut(-5.0))
    assert "no contact" not in _kinds(_side_cut(-5.0, tool=9))  # not in the job: not judged, told so


def test_a_rapid_is_told_with_its_own_depth_and_place() -> None:
    """The slot is 4 deep; the rapid out of it goes 1 deep through what stands beyond x = 45."""
    hand = Hand(at=(10, 25, 2)).line(10, 25, -4, feed=300).line(40, 25, -4)
    found = _caution(hand.go(40, 25, -1).go(60, 25, -1).go(60, 25, 30), hand_job(), "rapid into stock")
    assert found.line == 4
    assert "1.00 mm deep, near X40.00 Y25.00 Z-1.00" in found.text
    inside = Hand(at=(10, 25, 2)).line(10, 25, -4, feed=300).line(40, 25, -4).go(60, 25, -4).go(60, 25, 30)
    found = _caution(inside, hand_job(), "rapid into stock")
    assert "4.00 mm deep, near X40.00 Y25.00 Z-4.00" in found.text


@pytest.mark.parametrize("kind", ["flat end mill", "drill", "ball end mill"])
def test_a_rapid_straight_down_is_told_with_all_of_its_depth(kind: str) -> None:
    """The classic crash: it goes 5 mm into the block in one piece; on a slope over 20 mm it goes as deep."""
    job = hand_job(Tool(number=1, kind=kind, diameter=10.0, flutes=2))
    down = Hand(at=(40, 25, 10)).go(40, 25, -5).go(40, 25, 10)
    found = _caution(down, job, "rapid into stock")
    assert found.line == 1
    assert "5.00 mm deep, near X40.00 Y25.00 Z0.00" in found.text
    (contact,) = expect_timeline(down.path(), job).contacts
    assert contact.way == "rapid"
    assert contact.axial_depth_mm == pytest.approx(5.0, abs=0.001)
    slope = Hand(at=(20, 25, 5)).go(60, 25, -5).go(60, 25, 10)
    assert "5.00 mm deep, near X4" in _caution(slope, job, "rapid into stock").text
    assert "20.00 mm deep" in _caution(Hand(at=(40, 25, 10)).go(40, 25, -30), job, "rapid into stock").text


def test_a_tool_that_feeds_and_meets_nothing_is_named() -> None:
    """T2 runs 5 mm above what T1 has cut; alone it is a program that touches nothing."""
    other = Tool(number=2, kind="flat end mill", diameter=10.0)
    hand = _side_cut(-5.0).change(2).go(-20, -3, 5).line(100, -3, 5)
    found = _caution(hand, hand_job(FLAT_10, other), "tool touches nothing")
    assert (found.line, found.text[:22]) == (6, "T2 feeds, but never to")
    assert "tool touches nothing" not in _kinds(_side_cut(-5.0))


def test_a_contour_that_meets_nothing_beside_others_of_its_tool_is_named() -> None:
    """Lines 5 to 7 run at Z5, 5 mm above the block, as where the minus was forgotten."""
    hand = _side_cut(-5.0).go(-20, 25, 30).line(-20, 25, 5).line(100, 25, 5).line(100, 25, 30)
    found = _caution(hand, hand_job(), "tool touches nothing")
    assert found.line == 5
    assert found.text == "T1 feeds from here to line 7 and touches nothing there; elsewhere it does"
    assert "less than 0.17 mm off" in found.remedy  # a cell: a sixtieth of the tool
    again = hand.go(-20, 40, 30).line(-20, 40, 5).line(100, 40, 5).go(100, 40, 30)
    found = _caution(again, hand_job(), "tool touches nothing")
    assert "nothing there, nor in 1 more of its feed moves between two rapids; elsewhere" in found.text
    lower = _side_cut(-5.0).go(-20, 25, 30).line(-20, 25, -5).line(100, 25, -5).line(100, 25, 30)
    assert "tool touches nothing" not in _kinds(lower)


def test_a_way_down_beside_the_work_is_no_contour() -> None:
    """Straight down in feed, and 4 mm sideways with a tool of 10 mm, before a rapid to the cut."""
    hand = Hand(at=(-20, -3, 30)).line(-20, -3, 10).line(-16, -3, 10).go(-20, -3, -5).line(100, -3, -5)
    assert "tool touches nothing" not in _kinds(hand)


def test_one_hole_beside_the_work_is_named() -> None:
    """Two holes of one move each; the second, in line 4, is 20 mm beside the block: a sign of X is wrong."""
    drill = Tool(number=1, kind="drill", diameter=6.0, flutes=2)
    hand = Hand(at=(20, 20, 2)).line(20, 20, -5, feed=200, cycle=81).go(20, 20, 2).go(-20, 20, 2)
    beside = hand.line(-20, 20, -5, feed=200, cycle=81).go(-20, 20, 2)
    found = _caution(beside, hand_job(drill), "tool touches nothing")
    assert (found.line, "touches nothing there; elsewhere it does" in found.text) == (4, True)


def test_a_whole_circle_beside_the_work_is_a_contour() -> None:
    """It ends where it began: its way is round its centre, 2 pi 10 mm."""
    hand = _side_cut(-5.0).go(-60, 25, 30).line(-60, 25, -5).arc((-70, 25), 2 * math.pi).go(-60, 25, 30)
    assert _caution(hand, hand_job(), "tool touches nothing").line == 5


def test_an_inch_job_is_warned_in_inches() -> None:
    """25.4 mm are an inch: 4 mm are 0.1575, X40 Y25 Z-4 is X1.5748 Y0.9843 Z-0.1575."""
    inch = dataclasses.replace(hand_job(), units="inch", keep_outs=(JAW,))
    slot = Hand(at=(10, 25, 2)).line(10, 25, -4, feed=300).line(40, 25, -4).go(60, 25, -4).go(60, 25, 30)
    found = _caution(slot, inch, "rapid into stock")
    assert "0.1575 inch deep, near X1.5748 Y0.9843 Z-0.1575" in found.text
    deep = _caution(_side_cut(-25.4), inch, "below the underside")
    assert "goes to Z-1.0000, 0.2126 inch below" in deep.text


def test_a_drill_through_the_stock_is_told_with_the_height_of_its_tip() -> None:
    """The point is out of the stock at -21.8, and goes on to -22.5."""
    drill = Tool(number=1, kind="drill", diameter=6.0, flutes=2)
    through = Hand(at=(20, 20, 2)).line(20, 20, -22.5, feed=200).go(20, 20, 5)
    found = _caution(through, hand_job(drill), "below the underside")
    assert "goes to Z-22.50, 2.50 mm below" in found.text


def test_pecks_through_the_stock_are_told_by_the_deepest_and_are_no_way_in_air() -> None:
    """The second peck breaks through at -20 and the third finds nothing left; the point is out at -21.8."""
    drill = Tool(number=1, kind="drill", diameter=6.0, flutes=2)
    pecks = Hand(at=(20, 20, 2))
    for depth in (-12.0, -24.0, -36.0):
        pecks.line(20, 20, depth, feed=200, cycle=83).go(20, 20, 2)
    for row in pecks.rows:
        row.update(cycle=83, line=1)
    found = _caution(pecks, hand_job(drill), "below the underside")
    assert "goes to Z-36.00, 16.00 mm below" in found.text
    assert "tool touches nothing" not in _kinds(pecks, hand_job(drill))


def test_a_feed_with_a_digit_too_many_is_called_out() -> None:
    """By hand: 15600 / (6000 · 4) is 0.65 mm a tooth of 10: too much in metal, not in wood."""
    slot = Hand(at=(-20, 25, -2)).line(100, 25, -2, feed=15600)
    found = _caution(slot, hand_job(), "feed too great for the tool")
    assert (found.line, found.text[:38]) == (1, "T1 takes 0.650 mm a tooth at 100 %, mo")
    kind = "feed too great for the tool"
    assert kind not in _kinds(slot, hand_job(material="wood"))
    assert kind not in _kinds(Hand(at=(-20, 25, -2)).line(100, 25, -2, feed=2400))
    assert kind not in _kinds(_side_cut(-5.0).line(-20, -3, 30, feed=24000))  # fast, and in air


def test_a_fast_way_out_of_a_cut_is_no_great_feed() -> None:
    """The last 5 of 120 mm of it are still in the cut: the tool's own radius."""
    out = Hand(at=(-20, 25, -2)).line(80, 25, -2).line(200, 25, -2, feed=24000)
    assert "feed too great for the tool" not in _kinds(out)


def test_a_standing_spindle_in_the_cut_is_called_out() -> None:
    hand = Hand(at=(-20, 25, 10), rpm=0.0).go(-20, 25, -3).line(100, 25, -3)
    assert "spindle stopped in contact" in _kinds(hand)


def test_a_bent_rapid_is_checked_where_the_path_is_not_given() -> None:
    """By hand, radius 5, stock from y = 0: straight to (100, -4.9) the side is at y = -5.75 where x = 80.

    At equal speeds y is there at x = 15.1, and the tool then runs along the stock 0.1 mm in it;
    to (100, -5.1) it runs 0.1 mm clear.
    """
    clear = Hand(at=(-20, -40, 10)).go(-20, -40, -3).go(100, -5.1, -3)
    touching = Hand(at=(-20, -40, 10)).go(-20, -40, -3).go(100, -4.9, -3)
    kind = "rapid into stock, each axis by itself"
    assert kind not in _kinds(clear)
    assert kind in _kinds(touching)
    assert kind not in _kinds(touching, hand_job(rapid_path="straight"))


def test_a_rapid_that_meets_the_stock_anyhow_is_not_called_clear_in_a_straight_line() -> None:
    """Slanting down into the block it meets it on both ways; that is told once."""
    found = _kinds(Hand(at=(20, 25, 5)).go(60, 25, -5).go(60, 25, 10))
    assert "rapid into stock" in found
    assert "rapid into stock, each axis by itself" not in found


def test_tools_and_offsets_that_are_not_in_the_job_are_not_judged() -> None:
    assert "tool not in the job" in _kinds(_side_cut(-5.0, tool=7))
    probe = Tool(number=1, kind="probe", diameter=6.0)
    timeline = expect_timeline(_side_cut(-5.0).path(), hand_job(probe))
    assert timeline.contacts == ()
    assert "not judged" in [caution.kind for caution in timeline.cautions]
    other = dataclasses.replace(hand_job(), setups=(Setup(offset="G55", stock=BLOCK),))
    assert "not judged" in _kinds(_side_cut(-5.0), other)


def test_deeper_than_the_cutting_length() -> None:
    short = dataclasses.replace(FLAT_10, cutting_length=4.0)
    assert "deeper than the cutting length" in _kinds(_side_cut(-5.0), hand_job(short))
    assert "deeper than the cutting length" not in _kinds(_side_cut(-3.9), hand_job(short))


def test_fire_and_holds_that_are_not_obeyed() -> None:
    burning = dataclasses.replace(hand_job(), material=Material(name="titanium grade 5"))
    assert "fire" in _kinds(_side_cut(-5.0), burning)
    tap = Tool(number=1, kind="tap", diameter=6.0, flutes=3, pitch=1.0)
    hand = Hand(at=(20, 20, 5)).line(20, 20, -10, kind=SpanKind.RIGID).line(20, 20, 5, kind=SpanKind.RIGID)
    timeline = expect_timeline(hand.path(), hand_job(tap))
    assert "hold may not be obeyed" in [caution.kind for caution in timeline.cautions]
    assert timeline.contacts[0].way == "tapping"
    assert not timeline.holds[0].cue


def test_two_set_ups_are_cut_apart() -> None:
    hand = _side_cut(-5.0)
    path = hand.path()
    both = dataclasses.replace(path, offset_names=("G54", "G55"))
    again = dataclasses.replace(both, offset=both.offset + 1)
    job = hand_job()
    two = dataclasses.replace(
        job, setups=(*job.setups, Setup(offset="G55", stock=BLOCK, zero=(200.0, 0.0, 0.0)))
    )
    expected = expect(joined_path([both, again]), two)
    assert [cut.offset for cut in expected.cuts] == ["G54", "G55"]
    first, second = expected.timeline.contacts
    assert second.removed_mm3 == pytest.approx(first.removed_mm3, rel=1e-9)
    assert second.start - first.start == pytest.approx(float(path.spans.stop_s[-1]))


def test_a_second_program_meets_what_the_first_left() -> None:
    path = _side_cut(-5.0).path()
    assert len(expect_timeline(joined_path([path, path]), hand_job()).contacts) == 1
