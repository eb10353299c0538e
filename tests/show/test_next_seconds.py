"""How soon the next contact comes: at the feed as it is followed, and rapids at their own override."""

import dataclasses

import pytest

from listen.followed import Position
from listen.marks import Mark, MarkKind
from listen.show.board import Board
from listen.timeline import HoldPoint, StopWay
from listen.told import Cue
from tests.follow.runs import timeline_of

pytestmark = pytest.mark.closed
RATE = 8000


@pytest.mark.parametrize(("rapid_override", "in_s"), [(25.0, 12.0), (100.0, 6.0)])
def test_rapids_have_their_own_override(rapid_override: float, in_s: float) -> None:
    """Contacts at 2 to 6 and 10 to 14 s, half the air between in rapid: 2 s of that, and 2 s at 50 %."""
    program = timeline_of([(2.0, 6.0), (10.0, 14.0)], rapid_share=0.5, rapid_override=rapid_override)
    board = Board(rate=RATE, timeline=program)
    board.tell(position(rate=0.5))
    assert board.now["next"]["in_s"] == in_s


def test_an_override_that_is_told_counts_at_once() -> None:
    program = timeline_of([(2.0, 6.0), (10.0, 14.0)], rapid_share=0.5, rapid_override=100.0)
    board = Board(rate=RATE, timeline=program)
    board.tell(Mark(at=0, kind=MarkKind.RAPID_OVERRIDE, source="operator", value=50.0))
    board.tell(position(rate=1.0))
    assert board.now["next"]["in_s"] == 6.0


def test_in_a_hold_nothing_is_counted_down() -> None:
    board = Board(rate=RATE, timeline=timeline_of([(2.0, 6.0), (10.0, 14.0)]))
    board.tell(position(rate=0.0))
    assert board.now["next"]["in_s"] is None


@pytest.mark.parametrize(("program_s", "until_s"), [(6.5, 2.5), (7.5, 1.5), (8.5, 0.5), (6.0, 3.0)])
def test_the_word_to_hold_goes_when_a_press_would_come_too_late(program_s: float, until_s: float) -> None:
    """Told at 0.5 s and at 6 s of the program, the last press at its 8 s; followed to `program_s` at 1 s."""
    program = timeline_of([(2.0, 6.0), (10.0, 14.0)])
    hold = HoldPoint(
        contact=1, line=11, how=StopWay.FEED_HOLD, from_s=6.2, until_s=8.0, travel_mm=1.0, clear_mm=2.0,
        time_to_press_s=1.8, has_room=True, cue=True,
    )  # fmt: skip
    board = Board(rate=RATE, timeline=dataclasses.replace(program, holds=(hold,)))
    board.tell(position(rate=1.0))
    board.tell(Cue(at=RATE // 2, kind="hold now", contact=1, text="Hold now: 1.9 s to press"))
    assert board.now["cue"]["until_s"] == 2.5
    board.tell(position(rate=1.0, at=RATE, program_time=program_s))
    assert board.now["cue"]["until_s"] == until_s


def test_other_words_stay_six_seconds() -> None:
    board = Board(rate=RATE, timeline=timeline_of([(2.0, 6.0), (10.0, 14.0)]))
    board.tell(position(rate=1.0), Cue(at=RATE // 2, kind="exit soon", contact=1, text="Exit soon."))
    assert board.now["cue"]["until_s"] == 6.5


def position(*, rate: float, at: int = RATE // 2, program_time: float = 6.0) -> Position:
    return Position(
        at=at,
        program_time=program_time,
        line=11,
        spread=0.1,
        rate=rate,
        next_contact=2,
        witness="earlier contact",
    )
