"""Hold windows, ways to stop and approach ladders, against cases worked by hand."""

import dataclasses
import math

import numpy as np
import pytest

from listen.expect import expect
from listen.expect.approach import approaches, catchable, halvings, least_override
from listen.expect.stopping import (
    RealClock,
    stopping_distance,
    travel_after_press,
    travel_after_sound,
)
from listen.job import Box, KeepOut, Machine, Setup, Tool
from listen.spans import SpanKind
from listen.timeline import StopWay
from tests.expect.hand_path import BLOCK, Hand, hand_job

JERK = Machine(jerk_m_per_s3=35.0, acceleration_m_per_s2=100.0)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("feed", "millimetres", "digit"),
    [(500, 0.13, 0.005), (1000, 0.36, 0.005), (2000, 1.03, 0.005), (5000, 4.1, 0.05), (10000, 11.5, 0.05)],
)
def test_stopping_distance_of_a_jerk_limited_axis(feed: float, millimetres: float, digit: float) -> None:
    """From the formulas of a CNC technical manual of 2013, section 6.8: s = v·√(v/r), r = 35 m/s³."""
    assert stopping_distance(feed / 60.0, JERK) == pytest.approx(millimetres, abs=digit)


@pytest.mark.reference
def test_reaching_speed_and_stopping_again() -> None:
    """The same manual: 30 m/min and 70 m/s³ need 85 mm to reach speed and stop (84.5 before rounding)."""
    machine = Machine(jerk_m_per_s3=70.0, acceleration_m_per_s2=100.0)
    assert 2.0 * stopping_distance(500.0, machine) == pytest.approx(84.5, abs=0.05)


@pytest.mark.closed
def test_travel_from_the_sound_to_standstill() -> None:
    """By hand at 1000 mm/min: 16.667·(0.006 + 0.1 + 0.15 + 0.5 + 0.05) + 0.36."""
    assert travel_after_sound(1000 / 60, JERK) == pytest.approx(16.667 * 0.806 + 0.364, abs=0.01)
    assert travel_after_press(1000 / 60, JERK) == pytest.approx(16.667 * 0.05 + 0.364, abs=0.01)


def _slot_and_back(**machine: float) -> tuple[Hand, dict[str, float]]:
    hand = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(100, 25, -3).line(100, 32, -3).line(-20, 32, -3)
    return hand, machine


@pytest.mark.closed
def test_the_window_opens_clear_of_the_slot_and_ends_before_the_next_touch() -> None:
    """By hand: 2 mm from the slot's floor, level with the tip, from x = 80 + 5 + 2, and again until x = 87.

    A press at 10 mm/s still goes 10·0.05 + 10·√(10/35000) = 0.669 mm.
    """
    hand, _ = _slot_and_back()
    expected = expect(hand.path(), hand_job())
    hold = expected.timeline.holds[0]
    exit_s = expected.timeline.contacts[0].stop
    opens = exit_s + 7.0 / 10.0
    closes = exit_s + (20.0 + 7.0 + 100.0 - 87.0 - 0.669) / 10.0
    assert hold.from_s == pytest.approx(opens, abs=0.01)
    assert hold.until_s == pytest.approx(closes, abs=0.01)
    assert hold.time_to_press_s == pytest.approx(closes - opens, abs=0.02)
    assert hold.has_room
    assert hold.cue
    assert hold.clear_mm >= 2.0
    assert hold.travel_mm == pytest.approx(10.0 * 0.806 + 0.169, abs=0.01)


@pytest.mark.closed
def test_at_a_tenth_of_the_feed_there_is_ten_times_as_long() -> None:
    hand, _ = _slot_and_back()
    full = expect(hand.path(), hand_job()).timeline.holds[0]
    slow = expect(hand.path(), hand_job(feed_override=10.0)).timeline.holds[0]
    assert slow.time_to_press_s == pytest.approx(10.0 * full.time_to_press_s, rel=0.05)
    assert slow.travel_mm < 0.15 * full.travel_mm


@pytest.mark.closed
def test_without_room_the_next_place_is_named() -> None:
    """A zigzag that hardly leaves the work has no room until its last exit, with much air behind it."""
    hand = Hand(at=(-20, 4, 10), feed=3000).go(-20, 4, -1).line(81, 4, -1)
    hand.line(81, 11, -1).line(-1, 11, -1).line(-1, 18, -1).line(81, 18, -1).line(200, 18, -1).line(
        200, 18, 50
    )
    holds = expect(hand.path(), hand_job()).timeline.holds
    assert [hold.has_room for hold in holds] == [False, False, True]
    assert [hold.next_contact for hold in holds] == [3, 3, None]
    assert "no room to hold here: next room after contact 3" in holds[0].note
    assert holds[0].cue  # that there is no room may be said


@pytest.mark.closed
def test_a_program_stop_comes_before_all_other_ways() -> None:
    hand = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(100, 25, -3)
    hand.wait(0.0, SpanKind.WAIT).line(100, 60, -3)
    (hold,) = expect(hand.path(), hand_job()).timeline.holds
    assert hold.how == StopWay.PROGRAM_STOP
    assert hold.line == 3


@pytest.mark.closed
@pytest.mark.parametrize(
    ("word", "only"), [("M0", False), ("M00", False), ("M1", True), ("n7 m01", True), ("M10", False)]
)
def test_only_m1_needs_the_switch(word: str, only: bool) -> None:
    hand = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(100, 25, -3)
    path = hand.wait(0.0, SpanKind.WAIT).line(100, 60, -3).path()
    (hold,) = expect(dataclasses.replace(path, listing=("", "", word, "")), hand_job()).timeline.holds
    assert hold.line == 3
    assert ("only with optional stop on" in hold.note) == only


@pytest.mark.closed
def test_single_block_before_the_next_line_comes_before_feed_hold() -> None:
    hand, _ = _slot_and_back()
    hold = expect(hand.path(), hand_job()).timeline.holds[0]
    assert hold.how == StopWay.SINGLE_BLOCK
    assert hold.line == 3  # the slot is line 2, and it ends 20 mm beyond the stock
    assert "while line 2 runs" in hold.note


@pytest.mark.closed
def test_no_cue_in_drilling() -> None:
    drill = Tool(number=2, kind="drill", diameter=8.0, flutes=2)
    hand = (
        Hand(at=(20, 20, 20), tool=2, feed=200).go(20, 20, 2).line(20, 20, -10).go(20, 20, 20).go(60, 20, 20)
    )
    (hold,) = expect(hand.path(), hand_job(drill)).timeline.holds
    assert not hold.cue
    assert "drilling" in hold.note


@pytest.mark.closed
def test_a_keep_out_near_the_exit_closes_the_window() -> None:
    """By hand: a clamp 6 mm beyond the tool's side at x = 100 leaves less than 2 mm there."""
    hand, _ = _slot_and_back()
    job = hand_job()
    clamp = KeepOut(name="clamp", box=Box(low=(106.0, 0.0, -20.0), high=(130.0, 50.0, 20.0)))
    open_end = expect(hand.path(), job).timeline.holds[0]
    shut = expect(hand.path(), dataclasses.replace(job, keep_outs=(clamp,))).timeline.holds[0]
    assert shut.until_s < open_end.until_s - 1.0


@pytest.mark.closed
@pytest.mark.parametrize(("clamp_from", "is_near"), [(106.0, False), (306.0, True)])
def test_a_keep_out_is_as_far_as_its_work_offset_makes_it(clamp_from: float, is_near: bool) -> None:
    """By hand: under G55, with its zero at X200 of the first set-up, a clamp at X306 stands at X106."""
    hand, _ = _slot_and_back()
    path = dataclasses.replace(hand.path(), offset_names=("G55",))
    job = dataclasses.replace(hand_job(), setups=(Setup(offset="G55", stock=BLOCK, zero=(200.0, 0.0, 0.0)),))
    clamp = KeepOut(name="clamp", box=Box(low=(clamp_from, 0.0, -20.0), high=(clamp_from + 24.0, 50.0, 20.0)))
    open_end = expect(path, job).timeline.holds[0]
    hold = expect(path, dataclasses.replace(job, keep_outs=(clamp,))).timeline.holds[0]
    assert (hold.until_s < open_end.until_s - 1.0) == is_near


@pytest.mark.closed
def test_clear_is_told_of_where_the_tool_may_stand() -> None:
    """By hand: the window of a feed hold opens at x = 87, 2 from the stock; a program stop at 95 leaves 10.

    3 is the most that is told. In the second the block that leaves the work ends 1 mm from it, and all after
    it are short.
    """
    long = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(95, 25, -3).line(95, 32, -3).line(-20, 32, -3)
    short = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(86, 25, -3)
    short.line(95, 25, -3).line(95, 32, -3).line(-20, 32, -3)
    stops = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(95, 25, -3).wait(0.0, SpanKind.WAIT)
    stops.line(95, 32, -3).line(-20, 32, -3)
    holds = [expect(hand.path(), hand_job()).timeline.holds[0] for hand in (long, short, stops)]
    assert [hold.how for hold in holds] == [StopWay.SINGLE_BLOCK, StopWay.FEED_HOLD, StopWay.PROGRAM_STOP]
    assert [hold.clear_mm for hold in holds] == pytest.approx([2.0, 2.0, 3.0], abs=0.01)


@pytest.mark.closed
def test_approach_halves_what_is_left() -> None:
    """Common practice, no source: from 200 mm, holds at 100, 50, 25, 12.5 and so on."""
    assert halvings(200.0) == (100.0, 50.0, 25.0, 12.5, 6.25, 3.125, 1.5625, 0.78125)


@pytest.mark.closed
def test_the_ladder_gives_what_the_control_shows() -> None:
    """By hand: from Z41 down to the touch at Z0 with a block that ends at Z-1."""
    hand = Hand(at=(40, 25, 40), feed=600).line(40, 25, -1).go(40, 25, 40)
    job = hand_job()
    expected = expect(hand.path(), job)
    (approach,) = approaches(hand.path(), job, expected.segments, list(expected.cuts))
    assert approach.downwards
    assert approach.touch == pytest.approx((40, 25, 0), abs=0.002)
    heights = [rung.place[2] for rung in approach.rungs]
    assert heights == pytest.approx([20, 10, 5, 2.5, 1.25], abs=0.002)
    to_go = [rung.to_go_mm[2] for rung in approach.rungs]
    assert to_go == pytest.approx([-21, -11, -6, -3.5, -2.25], abs=0.002)
    assert [rung.compare for rung in approach.rungs] == [True, False, False, False, False]


@pytest.mark.closed
def test_each_work_offset_has_a_first_approach_of_its_own() -> None:
    """By hand: the way under G55 begins with the 40 mm down; before, its zero left the Z open."""
    hand = Hand(at=(40, 25, 40), feed=600).line(40, 25, -1).go(40, 25, 40)
    n_first = len(hand.rows)
    path = hand.line(30, 25, 40).line(30, 25, -2).go(30, 25, 40).path()
    offset = np.array([int(k >= n_first) for k in range(len(path.spans))], dtype=np.int16)
    path = dataclasses.replace(path, offset=offset, offset_names=("G54", "G55"))
    job = hand_job()
    job = dataclasses.replace(job, setups=(*job.setups, Setup(offset="G55", stock=BLOCK)))
    expected = expect(path, job)
    first, second = expected.timeline.approaches
    assert (first.offset, second.offset) == ("G54", "G55")
    assert second.touch == pytest.approx((30, 25, 0), abs=0.002)
    assert [rung.left_mm for rung in first.rungs] == pytest.approx([20, 10, 5, 2.5, 1.25], abs=0.002)
    assert [rung.place[2] for rung in second.rungs] == pytest.approx([20, 10, 5, 2.5, 1.25], abs=0.002)


@pytest.mark.closed
def test_a_low_rung_cannot_be_caught_in_full_rapid() -> None:
    """By hand at 15 m/min: 250·0.55 + stop ≥ 137 mm, at 5 % 12.5·0.55 + 0.2 = 7.1 mm; half of 50 is 25."""
    job = hand_job()
    assert catchable(250.0, 50.0, job, rapid=True) == 5.0
    assert catchable(250.0, 12.5, job, rapid=True) is None
    assert catchable(250.0, 800.0, job, rapid=True) == 100.0


@pytest.mark.closed
def test_the_least_override_that_makes_a_chip() -> None:
    """By hand: a slot's mean chip is 2/π of the feed per tooth; rubbing below 0.3 of the edge radius."""
    tool = Tool(number=1, kind="flat end mill", diameter=10.0, flutes=4, edge_radius=0.02)
    hand = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(100, 25, -3)
    job = hand_job(tool)
    cuts = list(expect(hand.path(), job).cuts)
    chip = 600 / 6000 / 4 * 2 / math.pi
    assert least_override(cuts, job, 1) == pytest.approx(100.0 * 0.3 * 0.02 / chip, rel=0.001)


@pytest.mark.closed
def test_real_time_at_overrides() -> None:
    """By hand: 60 s of feed and a rapid of 1 s and 3 s of dwell at 50 %: 120 + 2 + 3."""
    hand = Hand(at=(0, 0, 60), feed=600, rapid=6000).line(600, 0, 60).go(700, 0, 60).wait(3.0)
    clock = RealClock(hand.path(), feed=0.5, rapid=0.5)
    assert clock.between(0.0, 64.0) == pytest.approx(125.0)
    assert clock.program_time(60.0) == pytest.approx(30.0)
