"""Words about holding, against times worked by hand."""

import dataclasses

import pytest

from listen.advise import Advise
from listen.advise.hold_cue import HoldCue
from listen.followed import Position
from listen.marks import Mark, MarkKind
from listen.states import Event, Standing, State
from listen.timeline import HoldPoint, StopWay, Timeline
from listen.told import Cue
from tests.follow.runs import timeline_of

pytestmark = pytest.mark.closed
RATE = 8000
PASSES = [(2.0, 6.0), (10.0, 14.0), (18.0, 22.0)]
HOLD = HoldPoint(
    contact=1,
    line=11,
    how=StopWay.FEED_HOLD,
    from_s=6.256,
    until_s=8.5,
    travel_mm=20.0,
    clear_mm=3.0,
    time_to_press_s=2.244,
    has_room=True,
    cue=True,
)


def program(
    *, hold: HoldPoint = HOLD, kind: str = "first cut", reaction_s: float = 0.5, surprise_s: float = 1.0
) -> Timeline:
    """Feed moves at 100 %: contact 1 ends at 6.0 s, a press before 8.5 s still stops in time."""
    later = dataclasses.replace(HOLD, contact=3, from_s=22.3, until_s=24.0, has_room=True)
    made = timeline_of(PASSES, holds=(hold, later), kind=kind)
    return dataclasses.replace(made, reaction_s=reaction_s, surprise_s=surprise_s)


def where(at_s: float, program_s: float, number: int = 1, **more: float) -> Position:
    given: dict[str, float] = {"spread": 0.1, "rate": 1.0, "probability": 0.9, **more}
    return Position(at=round(at_s * RATE), program_time=program_s, line=10, next_contact=number, **given)  # type: ignore[arg-type]


def heard(
    state: State, at_s: float, *, lag_s: float = 0.03, standing: Standing = Standing.CONFIRMED
) -> Event:
    at = round(at_s * RATE)
    return Event(state=state, at=at, decided_at=at + round(lag_s * RATE), probability=0.9, standing=standing)


def said(timeline: Timeline, *items: Position | Event | Mark) -> list[Cue]:
    cue = HoldCue(timeline, RATE, sure=0.6)
    found: list[Cue] = []
    for item in items:
        if isinstance(item, Position):
            found += cue.position(item)
        elif isinstance(item, Event):
            found += cue.event(item)
        else:
            cue.mark(item)
    return found


TOUCH = heard(State.ENTRY, 2.0)
LEAVES = heard(State.AIR, 6.0, standing=Standing.PROVISIONAL)
SURE = heard(State.AIR, 6.0, lag_s=0.4)
GRID = [where(2.5 + 0.5 * i, 2.5 + 0.5 * i) for i in range(7)]  # 2.5 to 5.5 s


def test_exit_soon_comes_a_surprise_before_the_exit() -> None:
    """Lead 1.0 s of surprise and 0.5 s, and the next place comes 0.5 s later: at 4.5 s, 1.5 s before."""
    found = said(program(), TOUCH, *GRID)
    assert [(cue.kind, cue.at / RATE) for cue in found] == [("exit soon", 4.5)]
    assert found[0].text == "Exit soon. Hand on feed hold."


def test_a_slower_person_is_told_sooner() -> None:
    """Surprise 2.0 s: lead 2.5 s, so less than 3.0 s before: at 3.5 s."""
    found = said(program(surprise_s=2.0), TOUCH, *GRID)
    assert [cue.at / RATE for cue in found] == [3.5]


def test_hold_now_waits_for_the_exit_to_be_heard() -> None:
    """Heard 0.03 s late and 0.15 s to the page: from 6.18 to 8.5 s are 2.32 s."""
    found = said(program(), TOUCH, *GRID, LEAVES)
    assert [cue.kind for cue in found] == ["exit soon", "hold now"]
    assert found[1].at == LEAVES.decided_at
    assert found[1].text == "Hold now: 2.3 s to press, tool then 3 mm clear."
    assert [cue.kind for cue in said(program(), TOUCH, *GRID, where(6.5, 6.5))] == ["exit soon"]


def test_it_is_said_once() -> None:
    found = said(program(), TOUCH, *GRID, LEAVES, SURE, where(6.4, 6.4, 2), where(6.5, 6.5, 2))
    assert [cue.kind for cue in found] == ["exit soon", "hold now"]


def test_an_exit_where_none_was_predicted_waits_until_it_is_confirmed_and_followed() -> None:
    """At 4.0 s two seconds are missing: no word by ear alone. Confirmed 0.4 s late: 8.5 - 6.55 = 1.95 s."""
    early = heard(State.AIR, 4.0, standing=Standing.PROVISIONAL)
    assert not said(program(), TOUCH, *GRID[:3], early)
    found = said(program(), TOUCH, *GRID[:3], SURE, where(6.0, 6.0), where(6.4, 6.4, 2))
    assert [(cue.kind, cue.contact) for cue in found] == [("hold now", 1)]
    assert "1.9 s to press" in found[0].text or "2.0 s to press" in found[0].text


def test_a_stop_inside_a_contact_is_no_place_to_hold() -> None:
    """The sound ends at 12.0 s, half-way through contact 2, and contact 1 is long over."""
    touch, gone = heard(State.ENTRY, 10.0), heard(State.AIR, 12.0, lag_s=0.4)
    assert not said(program(), touch, where(11.0, 11.0, 2), gone, where(12.4, 12.0, 2), where(12.5, 12.0, 2))


def test_a_withdrawn_exit_is_taken_back() -> None:
    gone = heard(State.AIR, 6.0, lag_s=0.3, standing=Standing.WITHDRAWN)
    found = said(program(), TOUCH, *GRID, LEAVES, gone, where(6.4, 6.4))
    assert found[-1].text == "Not out after all: still in the cut."
    again = heard(State.AIR, 6.2, standing=Standing.PROVISIONAL)  # once wrong, it waits until it is sure
    sure = heard(State.AIR, 6.2, lag_s=0.4)
    found = said(program(), TOUCH, *GRID, LEAVES, gone, where(6.4, 6.0), again, sure, where(6.6, 6.6, 2))
    assert [cue.kind for cue in found] == ["exit soon", "hold now", "still in the cut", "hold now"]
    assert found[-1].at == sure.decided_at


def test_an_exit_that_is_only_dated_anew_is_not_taken_back() -> None:
    """Withdrawn and confirmed at the same moment: the first word stands."""
    gone = heard(State.AIR, 6.0, lag_s=0.3, standing=Standing.WITHDRAWN)
    anew = heard(State.AIR, 5.9, lag_s=0.4)
    found = said(program(), TOUCH, *GRID, LEAVES, gone, anew, where(6.3, 6.3, 2), where(6.5, 6.5, 2))
    assert [cue.kind for cue in found] == ["exit soon", "hold now"]


def test_a_feed_that_was_stated_leaves_no_more_time_than_it_gives() -> None:
    """The follower believes in 0.5, the job says 100 % and steady: 2.3 s are left, not 4.8."""
    slow = [where(p.at / RATE, p.program_time, rate=0.5) for p in GRID]
    steady = dataclasses.replace(program(), override_steady=True)
    assert "2.3 s to press" in said(steady, TOUCH, *slow, LEAVES)[-1].text


def test_too_late_is_told_with_the_next_place() -> None:
    """Confirmed 1.6 s late: 8.5 - 7.75 = 0.75 s are less than the least of 1.0 s."""
    slow = heard(State.AIR, 6.0, lag_s=1.6)
    found = said(program(), TOUCH, *GRID[:3], slow, where(7.6, 7.6, 2))
    assert [cue.kind for cue in found] == ["no room to hold here"]
    assert found[0].text == "Too late to hold here. Next place: after contact 3 (line 14)."


def test_a_slow_person_needs_more_than_a_second() -> None:
    """Least to press is 1.0 + (2.0 - 0.5) = 2.5 s; 2.3 s are left."""
    slow = program(reaction_s=2.0, hold=dataclasses.replace(HOLD, time_to_press_s=2.6))
    assert said(slow, TOUCH, *GRID, LEAVES)[-1].kind == "no room to hold here"


def test_no_room_is_told_before_the_exit_with_the_next_place() -> None:
    none = dataclasses.replace(HOLD, has_room=False, time_to_press_s=0.4, next_contact=3)
    found = said(program(hold=none), TOUCH, *GRID, LEAVES, SURE, where(6.4, 6.4, 2))
    assert [cue.kind for cue in found] == ["no room to hold here"]
    assert found[0].text == "No room to hold after this cut. Next place: after contact 3 (line 14)."


@pytest.mark.parametrize(
    ("block", "where"), [("", "line 12"), ("line 12", "line 12"), ("N90", "N90 (line 12)")]
)
def test_where_feed_hold_is_too_slow_single_block_is_named(block: str, where: str) -> None:
    late = dataclasses.replace(HOLD, how=StopWay.SINGLE_BLOCK, line=12, block=block, time_to_press_s=0.7)
    found = said(program(hold=late), TOUCH, *GRID, LEAVES)
    assert [cue.text for cue in found] == [
        f"Exit soon. No time for feed hold: single block on before {where}."
    ]


def test_a_window_that_opens_later_is_waited_for() -> None:
    """Clear from 7.6 s only: told to wait, then to hold once it is clear within the reaction."""
    later = dataclasses.replace(HOLD, from_s=7.6, until_s=10.0)
    after = [where(6.5, 6.5, 2), where(7.0, 7.0, 2), where(7.5, 7.5, 2)]
    found = said(program(hold=later), TOUCH, *GRID, LEAVES, *after)
    assert [(cue.kind, cue.at / RATE) for cue in found[1:]] == [
        ("exit heard", pytest.approx(6.03)),
        ("hold now", 7.5),
    ]
    assert found[1].text == "Exit heard. Clear in 1 s: hold then."


@pytest.mark.parametrize(
    "why", ["no hold in tapping: it may not be obeyed", "no cue in drilling and pecking"]
)
def test_nothing_is_said_where_no_cue_is_allowed(why: str) -> None:
    forbidden = dataclasses.replace(HOLD, cue=False, note=why)
    assert not said(program(hold=forbidden), TOUCH, *GRID, LEAVES, SURE, where(6.4, 6.4, 2))


def test_nothing_is_said_while_the_place_is_unsure() -> None:
    unsure = [where(p.at / RATE, p.program_time, probability=0.5) for p in GRID]
    wide = [where(p.at / RATE, p.program_time, spread=1.0) for p in GRID]
    assert not said(program(), TOUCH, *unsure, LEAVES)
    assert not said(program(), TOUCH, *wide)


def test_at_a_tenth_of_the_feed_there_is_ten_times_as_long() -> None:
    """Rate 0.1: at 6.0 s of program 25 s are left to 8.5 s, less 0.18 s."""
    slow = [where(2.0 + 10.0 * (p.program_time - 2.0), p.program_time, rate=0.1) for p in GRID]
    leaves = heard(State.AIR, 42.0, standing=Standing.PROVISIONAL)
    tenth = dataclasses.replace(HOLD, from_s=6.026, time_to_press_s=24.7)
    found = said(program(hold=tenth), TOUCH, *slow, where(41.5, 5.95, rate=0.1), leaves)
    assert "24.8 s to press" in found[-1].text


def test_rapid_moves_pass_at_their_own_override() -> None:
    """Of the air after contact 1 half is rapid: 2 s at 50 % are 4 s, so until 8.5 s 2·2 + 0.5 - 0.18 s."""
    half = timeline_of(PASSES, rapid_share=0.5, rapid_override=50.0, holds=(HOLD,))
    assert "4.3 s to press" in said(half, TOUCH, *GRID, LEAVES)[-1].text
    told = Mark(at=0, kind=MarkKind.RAPID_OVERRIDE, source="operator", value=100.0)
    assert "2.3 s to press" in said(half, told, TOUCH, *GRID, LEAVES)[-1].text


@pytest.mark.parametrize(
    ("kind", "kinds"), [("first cut", ["exit soon", "hold now"]), ("repeat", []), ("raised dry run", [])]
)
def test_only_a_first_cut_gets_words_about_holding(kind: str, kinds: list[str]) -> None:
    advise = Advise(program(kind=kind), RATE)
    found = advise.push(TOUCH, *GRID, LEAVES)
    assert [item.kind for item in found if isinstance(item, Cue)] == kinds
