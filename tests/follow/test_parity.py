"""Any cut of the stream into pushes gives the same positions, cues and verdicts."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.errors import ListenError
from listen.follow import Follower
from tests.follow.runs import EAR, RATE, events_of, timeline_of

PROGRAM = timeline_of([(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(4)])
EVENTS = events_of([(5.0 + 3.1 * i, 7.0 + 3.1 * i) for i in range(4)])
END = 20 * RATE


def followed(cuts: list[int]) -> list[object]:
    follower = Follower(PROGRAM, rate=RATE, ear=EAR)
    said: list[object] = []
    before = -1
    for now in sorted({*cuts, END}):
        given_now = tuple(event for event in EVENTS if before < event.decided_at <= now)
        said.extend(follower.push(given_now, now))
        before = now
    return [*said, *follower.close(END)]


@pytest.mark.parity
@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, END), max_size=30))
def test_any_cut_gives_the_same_result(cuts: list[int]) -> None:
    assert repr(followed(cuts)) == repr(followed([]))


@pytest.mark.closed
def test_a_closed_follower_takes_nothing_more() -> None:
    follower = Follower(PROGRAM, rate=RATE, ear=EAR)
    follower.close(0)
    with pytest.raises(ListenError, match=r"make a new Follower per run$"):
        follower.push((), 0)
