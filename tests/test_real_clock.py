"""Seconds of the real clock between places of a program, by hand."""

import pytest

from listen.followed import Position
from listen.marks import Mark, MarkKind
from listen.real_clock import RealClock
from listen.spans import SpanKind
from listen.timeline import Timeline
from tests.follow.runs import spans_of, timeline_of

pytestmark = pytest.mark.closed


def clock_at(feed: float, rapid: float, *, steady: bool = False) -> RealClock:
    """Ten seconds of rapid, ten of feed, ten of dwell and ten of feed again, at these overrides."""
    pieces = [(SpanKind.RAPID, 10.0, 1), (SpanKind.FEED, 10.0, 2), (SpanKind.DWELL, 10.0, 3)]
    program: Timeline = timeline_of(
        [(11.0, 19.0)],
        spans=spans_of([*pieces, (SpanKind.FEED, 10.0, 4)]),
        feed_override=feed,
        rapid_override=rapid,
        override_steady=steady,
    )
    return RealClock(program)


def position(rate: float) -> Position:
    return Position(at=0, program_time=0.0, line=1, spread=0.1, rate=rate, next_contact=1, witness="mark")


def test_feed_rapid_and_dwell_each_have_their_pace() -> None:
    """Half of 10 s at 25 %, 10 s at 50 %, 10 s of dwell as they are, half of 10 s at 50 %."""
    clock = clock_at(50.0, 25.0)
    assert clock.seconds(5.0, 35.0) == pytest.approx(20.0 + 20.0 + 10.0 + 10.0, rel=0, abs=1e-9)
    assert clock.seconds(35.0, 5.0) == pytest.approx(-60.0, rel=0, abs=1e-9)
    assert clock.seconds(12.0, 12.0) == 0.0


@pytest.mark.parametrize("overrides", [(50.0, 25.0), (150.0, 100.0), (10.0, 5.0)])
@pytest.mark.parametrize("seconds", [0.0, 1.0, 10.0, 45.0])
def test_so_many_seconds_later_lies_so_many_seconds_away(
    overrides: tuple[float, float], seconds: float
) -> None:
    clock = clock_at(*overrides)
    later = clock.after(2.0, seconds)
    if later < 39.9:  # the program has not ended
        assert clock.seconds(2.0, later) == pytest.approx(seconds, rel=0, abs=1e-9)


def test_the_pace_is_followed_but_a_hold_is_none_and_what_was_stated_is_the_least() -> None:
    clock = clock_at(50.0, 100.0)
    for rate, seconds in ((0.2, 10.0), (0.0, 10.0), (1.0, 2.0)):
        clock.follow(position(rate))
        assert clock.seconds(12.0, 14.0) == pytest.approx(seconds, rel=0, abs=1e-9)
    steady = clock_at(50.0, 100.0, steady=True)
    steady.follow(position(0.2))
    assert steady.seconds(12.0, 14.0) == pytest.approx(4.0, rel=0, abs=1e-9)


def test_what_is_not_as_stated_may_be_slower() -> None:
    """2 s at 50 % as stated, at 20 % as followed."""
    program = timeline_of([(11.0, 19.0)], feed_override=50.0, override_steady=True)
    clocks = (RealClock(program), RealClock(program, is_as_stated=False))
    for clock in clocks:
        clock.follow(position(0.2))
    assert [clock.seconds(12.0, 14.0) for clock in clocks] == pytest.approx([4.0, 10.0], rel=0, abs=1e-9)


def test_an_override_that_is_told_counts_from_then_on_and_none_is_ever_0() -> None:
    """Told, 80 % is the least of the feed; a rapid of 0 % is a hold, and holds are no pace."""
    clock = clock_at(50.0, 100.0)
    for kind, value in (
        (MarkKind.FEED_OVERRIDE, 80.0),
        (MarkKind.RAPID_OVERRIDE, 50.0),
        (MarkKind.FEED_OVERRIDE, 0.0),
        (MarkKind.RAPID_OVERRIDE, 0.0),
        (MarkKind.LINE, 5.0),
    ):
        clock.mark(Mark(at=0, kind=kind, source="operator", value=value))
    clock.follow(position(0.2))
    assert clock.seconds(12.0, 16.0) == pytest.approx(5.0, rel=0, abs=1e-9)
    assert clock.seconds(0.0, 5.0) == pytest.approx(10.0, rel=0, abs=1e-9)
