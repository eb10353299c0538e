"""How soon the next contact comes: at the feed as it is followed, and rapids at their own override."""

import pytest

from listen.show.board import Board
from listen.timeline import Mark, MarkKind, Position
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


def position(*, rate: float) -> Position:
    return Position(
        at=RATE // 2,
        program_time=6.0,
        line=11,
        spread=0.1,
        rate=rate,
        next_contact=2,
        witness="earlier contact",
    )
