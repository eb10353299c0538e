"""A stop that the ear first supposes: said once confirmed, and not if the cut was heard again by then."""

import pytest

from listen.follow import Follower
from listen.states import Event, Standing, State
from listen.timeline import Cue
from tests.follow.runs import EAR, RATE, events_of, timeline_of

pytestmark = pytest.mark.closed
PASSES = [(2.0 + 4.0 * index, 4.0 + 4.0 * index) for index in range(4)]
SUPPOSED, CONFIRMED, WITHDRAWN = Standing.PROVISIONAL, Standing.CONFIRMED, Standing.WITHDRAWN
STEADY = {"feed_override": 100.0, "override_steady": True}


def heard(state: State, at_s: float, decided_s: float, standing: Standing) -> Event:
    at, decided = round(at_s * RATE), round(decided_s * RATE)
    return Event(state=state, at=at, decided_at=decided, probability=0.97, spread=240, standing=standing)


def stops(*last: Event) -> list[float]:
    """When "cutting stopped" is said [s]: three whole passes, then one from 14.0 s that stops half-way."""
    follower = Follower(timeline_of(PASSES, **STEADY), rate=RATE, ear=EAR)
    begins = heard(State.ENTRY, 14.0, 14.1, CONFIRMED)
    said: list[object] = []
    for event in (*events_of(PASSES[:3]), begins, *last):
        said += follower.push((event,), event.decided_at)
    said += follower.push((), 17 * RATE)
    return [cue.at / RATE for cue in said if isinstance(cue, Cue) and cue.kind == "cutting stopped"]


SUPPOSES = heard(State.AIR, 15.0, 15.03, SUPPOSED)


def test_what_is_only_supposed_is_not_said() -> None:
    assert stops(SUPPOSES, heard(State.AIR, 15.0, 16.1, WITHDRAWN)) == []


def test_a_confirmed_stop_is_said_at_once_the_silence_before_counts() -> None:
    assert stops(SUPPOSES, heard(State.AIR, 15.0, 15.5, CONFIRMED)) == [15.5]


def test_a_cut_that_is_heard_again_before_that_did_not_stop() -> None:
    again = heard(State.ENTRY, 15.3, 15.33, SUPPOSED)
    assert stops(SUPPOSES, again, heard(State.AIR, 15.0, 15.5, CONFIRMED)) == []


def test_a_sound_after_it_that_was_none_does_not_hide_the_stop() -> None:
    again, none = heard(State.ENTRY, 15.3, 15.33, SUPPOSED), heard(State.ENTRY, 15.3, 15.45, WITHDRAWN)
    assert stops(SUPPOSES, again, none, heard(State.AIR, 15.0, 15.5, CONFIRMED)) == [15.5]
