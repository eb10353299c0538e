"""Nothing after a cut for longer than the way to the next: who did not press hold is told once."""

from dataclasses import replace

import pytest

from listen.advise import Advise
from listen.followed import Position
from listen.marks import Mark, MarkKind
from listen.spans import SpanKind
from listen.states import Event, Standing, State
from listen.timeline import Timeline
from listen.told import Cue
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


def overdue(*items: Position | Cue | Mark | Event, program: Timeline = PROGRAM) -> list[Cue]:
    found = Advise(program, RATE).push(*items)
    return [item for item in found if isinstance(item, Cue) and item.kind == "overdue"]


def after_exit(until_s: float, *, rate: float = 1.0, sure: float = 0.9) -> list[Position | Event]:
    """Contact 1 ends at 6.0 s as it should, and nothing follows; places every half second."""
    out = Event(state=State.AIR, at=6 * RATE, decided_at=round(6.5 * RATE), probability=0.9)
    places = [
        replace(place(6.5 + 0.5 * i, min(6.5 + 0.5 * i, 9.9), rate=rate), next_contact=2, probability=sure)
        for i in range(round(2.0 * (until_s - 6.5)) + 1)
    ]
    return [out, *places]


def test_a_contact_that_does_not_come_is_said_to_be_overdue_once() -> None:
    """From 6.5 s contact 2 is 3.5 s away: 3.5 · 1.1 + 1.0 = 4.85 s later, at the next place: 11.5 s."""
    assert not overdue(*after_exit(11.0))
    found = overdue(*after_exit(60.0))
    assert [(cue.at / RATE, cue.contact) for cue in found] == [(11.5, 2)]
    assert found[0].text.startswith("Contact 2 is overdue, line 12: nothing heard since 6.0 s.")


def test_while_a_start_is_only_supposed_nothing_is_overdue() -> None:
    """Contact 2 would be overdue at 11.5 s; at 11 s a start is supposed, at 12.2 s taken back or settled."""
    exit_, *places = after_exit(60.0)
    supposed = Event(
        state=State.ENTRY,
        at=11 * RATE,
        decided_at=11 * RATE,
        probability=0.6,
        standing=Standing.PROVISIONAL,
    )
    none = replace(supposed, decided_at=round(12.2 * RATE), standing=Standing.WITHDRAWN)
    settled = replace(none, standing=Standing.CONFIRMED)
    before, rest = places[:10], places[10:]  # up to 11.0 s
    (found,) = overdue(exit_, *before, supposed, *rest[:2], none, *rest[2:])
    assert found.at / RATE == 12.5
    assert not overdue(exit_, *before, supposed, *rest[:2], settled, *rest[2:])


def test_a_feed_that_is_followed_slower_than_stated_makes_nothing_overdue() -> None:
    """Stated to stay at 100 %, heard at 50 %: 3.5 s of way take 7.0 · 1.1 + 1.0 = 8.7 s from 6.5 s on."""
    stated = replace(PROGRAM, feed_override=100.0, override_steady=True)
    assert not overdue(*after_exit(15.0, rate=0.5), program=stated)
    (found,) = overdue(*after_exit(60.0, rate=0.5), program=stated)
    assert found.at / RATE == 15.5


def test_no_contact_is_overdue_in_a_slow_feed_in_doubt_or_after_a_hold() -> None:
    """At a tenth of the feed it is 35 s away: 35 · 1.1 + 1.0 = 39.5 s after 6.5 s."""
    assert not overdue(*after_exit(45.5, rate=0.1))
    assert overdue(*after_exit(46.5, rate=0.1))
    assert not overdue(*after_exit(60.0, sure=0.5))
    exit_, first, *rest = after_exit(60.0)
    hold = Mark(at=7 * RATE, kind=MarkKind.HOLD, source="operator")
    assert not overdue(exit_, first, hold, *rest)


def test_what_stopped_before_the_ear_settled_it_is_not_overdue_beside_that() -> None:
    """The belief fell at 4.0 s, the ear dates the end at 4.5 s: it stays with the first word."""
    out = Event(state=State.AIR, at=4 * RATE, decided_at=round(4.5 * RATE), probability=0.9)
    items: list[Position | Cue | Event] = [place(4.0, 4.0), STOPPED, out, *later(20.0)]
    assert not overdue(*items)
    assert [cue.at / RATE for cue in told(*items)] == [12.0]


def test_a_contact_in_time_is_not_overdue() -> None:
    items = after_exit(9.5)
    touch = Event(state=State.ENTRY, at=10 * RATE, decided_at=round(10.5 * RATE), probability=0.9)
    later = [replace(place(10.5 + 0.5 * i, 10.5), next_contact=2, probability=0.9) for i in range(20)]
    assert not overdue(*items, touch, *later)


def test_a_lower_override_moves_what_is_due() -> None:
    """At 8.0 s, 2.0 s before it, the control tells 20 %: 10.0 s more, 10 · 1.1 + 1.0 = 12 s after 8.5 s."""
    items = after_exit(60.0)
    before = [item for item in items if isinstance(item, Event) or item.at <= 8 * RATE]
    slower = Mark(at=8 * RATE, kind=MarkKind.FEED_OVERRIDE, value=20.0, source="controller")
    after = [
        replace(place(8.0 + 0.5 * i, 8.0, rate=0.2), next_contact=2, probability=0.9) for i in range(1, 100)
    ]
    found = overdue(*before, slower, *after)
    assert [cue.at / RATE for cue in found] == [20.5]


def test_nothing_is_overdue_while_a_person_changes_the_tool_or_in_a_raised_run() -> None:
    spans = PROGRAM.spans
    kind = spans.kind.copy()
    kind[(spans.start_s >= 6.0) & (spans.stop_s <= 10.0)] = SpanKind.TOOL_CHANGE
    changed = replace(PROGRAM, spans=replace(spans, kind=kind))
    assert not overdue(*after_exit(60.0), program=changed)
    assert not overdue(*after_exit(60.0), program=replace(PROGRAM, kind="raised dry run"))


def test_rapids_may_be_at_a_quarter_of_what_was_told() -> None:
    """All of the 3.5 s in rapid: 14 s at a quarter; 14 · 1.1 + 1.0 = 16.4 s after 6.5 s: 23.0 s."""
    spans = PROGRAM.spans
    kind = spans.kind.copy()
    kind[(spans.start_s >= 6.0) & (spans.stop_s <= 10.0)] = SpanKind.RAPID
    found = overdue(*after_exit(60.0), program=replace(PROGRAM, spans=replace(spans, kind=kind)))
    assert [cue.at / RATE for cue in found] == [23.0]


def test_after_a_stop_inside_a_contact_that_drew_no_word_the_one_after_it_is_overdue() -> None:
    """At 4.5 s, inside contact 1, contact 2 is 5.5 s away: 5.5 · 1.1 + 1.0 = 7.05 s later, at 12.0 s."""
    out = Event(state=State.AIR, at=4 * RATE, decided_at=round(4.5 * RATE), probability=0.9)
    places = [place(4.5 + 0.5 * i, 4.5) for i in range(40)]
    found = overdue(out, *places)
    assert [(cue.at / RATE, cue.contact) for cue in found] == [(12.0, 2)]
