"""What the whole run shows, where it was heard otherwise at the time."""

import pytest

from listen.ears import Given, Heard
from listen.marks import Mark, MarkKind
from listen.second_hearing import SecondHearing, second_hearing
from listen.session import turnings_of
from listen.states import EarRates, Event, StateLikelihoods, Turning
from listen.told import Flag
from tests.follow.runs import EAR, RATE, contact, events_of, timeline_of

pytestmark = pytest.mark.closed
PASSES = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(6)]
START_S = 1.0
MARKS = [
    Mark(at=round(START_S * RATE), kind=MarkKind.CYCLE_START, source="operator"),
    Mark(at=round(START_S * RATE), kind=MarkKind.FEED_OVERRIDE, source="operator", value=100.0),
]


class HeardAgain:
    """An ear that has heard the run and tells it a second time."""

    runs_on_load = False
    rates: EarRates = EAR
    latency = 0

    def __init__(self, events: tuple[Event, ...]) -> None:
        self._events = events

    def know(self, turnings: tuple[Turning, ...]) -> None:
        """It was told before."""

    def push(self, given: Given) -> tuple[Heard, ...]:
        """It has heard all."""
        return ()

    def close(self) -> tuple[Heard, ...]:
        """It is closed."""
        return ()

    def look_again(self) -> tuple[Event, ...]:
        """What it tells."""
        return self._events

    def believed_again(self) -> tuple[StateLikelihoods, ...]:
        """It tells no belief."""
        return ()


def again(*, without: int | None, told: list[Flag]) -> SecondHearing:
    """Six passes, one of them perhaps not there, heard at their times."""
    heard = [(START_S + a, START_S + b) for n, (a, b) in enumerate(PASSES, start=1) if n != without]
    ear = HeardAgain(events_of(heard))
    return second_hearing(ear, timeline_of(PASSES), rate=RATE, told=[*MARKS, *told], end=30 * RATE)


def test_a_pass_that_only_the_second_hearing_misses_is_flagged() -> None:
    found = again(without=4, told=[])
    assert [(flag.kind, flag.contact) for flag in found.flags] == [("not heard", 4)]


def test_what_was_flagged_at_the_time_is_flagged_once() -> None:
    at_the_time = Flag(at=16 * RATE, kind="not heard", contact=4, text="at the time")
    assert again(without=4, told=[at_the_time]).flags == ()


def test_a_run_as_expected_has_no_flag_afterwards() -> None:
    found = again(without=None, told=[])
    assert [str(verdict.kind) for verdict in found.verdicts] == ["as expected"] * 6
    assert found.flags == ()


def test_the_ear_is_told_which_speeds_only_make_holes() -> None:
    """Two flutes at 9000 rpm drill and mill: not only holes; three flutes at 3000 rpm drill alone."""
    cuts = (
        contact(0, *PASSES[0], way="drilling", flutes=2),
        contact(1, *PASSES[1], flutes=2),
        contact(2, *PASSES[2], way="drilling", flutes=3, spindle_rpm=3000.0),
        contact(3, *PASSES[3], way="spot drilling", flutes=3, spindle_rpm=3000.0),
    )
    known = turnings_of(timeline_of(PASSES[:4], contacts=cuts))
    assert [(one.spindle_hz, one.flutes, one.holes) for one in known] == [(50.0, 3, True), (150.0, 2, False)]
