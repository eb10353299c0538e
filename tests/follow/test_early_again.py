"""A second early start in a row is judged afresh: what was said of the first is not held against it."""

from itertools import pairwise

import pytest

from listen.follow import Follower
from listen.states import Event, Standing, State
from listen.told import Cue
from tests.follow.runs import EAR, RATE, timeline_of

pytestmark = pytest.mark.closed
TEN = [(2.0 + 6.0 * i, 4.0 + 6.0 * i) for i in range(10)]
RUN = [(5.0 + 6.0 * i, 7.0 + 6.0 * i) for i in range(10)]
EARLY = {5: 1.0, 6: 1.0}  # contacts 6 and 7 begin a second before their place, and end in time


def event(state: State, at_s: float, lag_s: float, standing: Standing) -> Event:
    """One that is decided `lag_s` after it happened."""
    at, decided_at = round(at_s * RATE), round((at_s + lag_s) * RATE)
    return Event(state=state, at=at, decided_at=decided_at, probability=0.9, spread=240, standing=standing)


def told() -> list[Event]:
    """Each start is supposed, then settled; before the second early one many were supposed and taken back."""
    found: list[Event] = []
    for index, (start, stop) in enumerate(RUN):
        start -= EARLY.get(index, 0.0)
        if index == 6:
            for at_s in (37.6 + 0.04 * i for i in range(55)):
                found.append(event(State.ENTRY, at_s, 0.02, Standing.PROVISIONAL))
                found.append(event(State.ENTRY, at_s, 0.04, Standing.WITHDRAWN))
        found.append(event(State.ENTRY, start, 0.05, Standing.PROVISIONAL))
        found.append(event(State.ENTRY, start, 0.5, Standing.CONFIRMED))
        found.append(event(State.AIR, stop, 0.5, Standing.CONFIRMED))
    return found


def test_what_was_only_supposed_at_first_is_said_once_it_is_settled() -> None:
    """Supposed among many the second is hardly believed in at first; settled, it is."""
    follower = Follower(timeline_of(TEN, feed_override=100.0, override_steady=True), rate=RATE, ear=EAR)
    events = told()
    assert all(a.decided_at <= b.decided_at for a, b in pairwise(events))
    said: list[object] = []
    for each in events:
        said.extend(follower.push((each,), each.decided_at))
    cues = [cue for cue in said if isinstance(cue, Cue) and cue.kind == "before its line"]
    assert [cue.contact for cue in cues] == [6, 7]
    for index, cue in zip((5, 6), cues, strict=True):
        assert cue.at / RATE == pytest.approx(RUN[index][0] - EARLY[index] + 0.5, abs=0.1)
