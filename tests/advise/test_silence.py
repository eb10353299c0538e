"""Nothing after "cutting stopped": who did not press hold is told once more."""

import pytest

from listen.advise import Advise
from listen.states import Event, State
from listen.timeline import Cue, Mark, MarkKind, Position
from tests.follow.runs import timeline_of

pytestmark = pytest.mark.closed
RATE = 8000
PROGRAM = timeline_of([(2.0, 6.0), (10.0, 14.0)])
STOPPED = Cue(at=4 * RATE, kind="cutting stopped", contact=1, text="")


def place(at_s: float, program_s: float, *, rate: float = 1.0) -> Position:
    at = round(at_s * RATE)
    return Position(at=at, program_time=program_s, line=10, spread=0.1, rate=rate, next_contact=1)


def told(*items: Position | Cue | Mark | Event) -> list[Cue]:
    found = Advise(PROGRAM, RATE).push(*items)
    return [item for item in found if isinstance(item, Cue) and item.kind == "nothing since"]


def later(until_s: float) -> list[Position]:
    return [place(4.5 + 0.5 * i, 4.0, rate=0.0) for i in range(round(2.0 * (until_s - 4.0)))]


def test_the_reminder_comes_when_the_next_contact_is_overdue() -> None:
    """Stopped at 4.0 s, contact 2 is 6.0 s away: 6.0 · 1.1 + 1.0 = 7.6 s later, at the next place: 12.0 s."""
    assert not told(place(4.0, 4.0), STOPPED, *later(11.5))
    found = told(place(4.0, 4.0), STOPPED, *later(20.0))
    assert [(cue.at / RATE, cue.contact) for cue in found] == [(12.0, 1)]
    assert "since cutting stopped in contact 1 (line 10) at 4.0 s" in found[0].text


def test_at_a_tenth_of_the_feed_it_waits_ten_times_as_long() -> None:
    assert not told(place(4.0, 4.0, rate=0.1), STOPPED, *later(60.0))
    assert told(place(4.0, 4.0, rate=0.1), STOPPED, *later(72.0))


def test_a_hold_or_a_contact_explains_it() -> None:
    hold = Mark(at=5 * RATE, kind=MarkKind.HOLD, source="operator")
    touch = Event(state=State.ENTRY, at=5 * RATE, decided_at=5 * RATE, probability=0.9)
    assert not told(place(4.0, 4.0), STOPPED, hold, *later(20.0))
    assert not told(place(4.0, 4.0), STOPPED, touch, *later(20.0))
    goes_on = Cue(at=5 * RATE, kind="cutting goes on", contact=None, text="")
    assert not told(place(4.0, 4.0), STOPPED, goes_on, *later(20.0))
