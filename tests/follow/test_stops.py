"""A stop that the ear first supposes: said once confirmed, and not if the cut was heard again by then."""

import numpy as np
import pytest

from listen.follow import Follower
from listen.states import Event, Standing, State, StateLikelihoods
from listen.told import Cue
from tests.follow.runs import EAR, RATE, events_of, timeline_of

pytestmark = pytest.mark.closed
PASSES = [(2.0 + 4.0 * index, 4.0 + 4.0 * index) for index in range(4)]
SUPPOSED, CONFIRMED, WITHDRAWN = Standing.PROVISIONAL, Standing.CONFIRMED, Standing.WITHDRAWN
AT_ONCE = [15.5 + 1 / RATE]  # what is told together with it comes first
STEADY = {"feed_override": 100.0, "override_steady": True}


def heard(
    state: State, at_s: float, decided_s: float, standing: Standing, probability: float = 0.97
) -> Event:
    at, decided = round(at_s * RATE), round(decided_s * RATE)
    return Event(
        state=state, at=at, decided_at=decided, probability=probability, spread=240, standing=standing
    )


def stops(*last: Event, log_odds: float | None = None) -> list[float]:
    """When "cutting stopped" is said [s]: three whole passes, then one from 14.0 s that stops half-way.

    `log_odds`: what the live ear believes from 15.0 s on.
    """
    follower = Follower(timeline_of(PASSES, **STEADY), rate=RATE, ear=EAR)
    begins = heard(State.ENTRY, 14.0, 14.1, CONFIRMED)
    said: list[object] = []
    if log_odds is not None:
        at = np.arange(15.0, 15.5, 0.01) * RATE
        belief = np.full(at.size, 1.0 / (1.0 + np.exp(-log_odds)))
        follower.listen(
            StateLikelihoods(at=at.astype(np.int64), log_likelihood=np.zeros((at.size, 4)), contact=belief)
        )
    for event in (*events_of(PASSES[:3]), begins, *last):
        said += follower.push((event,), event.decided_at)
    said += follower.push((), 18 * RATE)
    return [cue.at / RATE for cue in said if isinstance(cue, Cue) and cue.kind == "cutting stopped"]


SUPPOSES = heard(State.AIR, 15.0, 15.03, SUPPOSED)


def test_what_is_only_supposed_is_not_said() -> None:
    assert stops(SUPPOSES, heard(State.AIR, 15.0, 16.1, WITHDRAWN)) == []


def test_a_confirmed_stop_is_said_at_once_the_silence_before_counts() -> None:
    assert stops(SUPPOSES, heard(State.AIR, 15.0, 15.5, CONFIRMED)) == AT_ONCE


def test_a_break_that_is_settled_together_with_the_start_after_it_is_none() -> None:
    """The ear settles late what it was unsure of: then the cut is running again as the end is told."""
    end, again = heard(State.AIR, 15.0, 16.4, CONFIRMED), heard(State.ENTRY, 15.3, 16.4, CONFIRMED)
    assert stops(end, again) == []
    assert stops(end) == [16.4 + 1 / RATE]


def test_a_cut_that_is_heard_again_before_that_did_not_stop() -> None:
    again = heard(State.ENTRY, 15.3, 15.33, SUPPOSED)
    assert stops(SUPPOSES, again, heard(State.AIR, 15.0, 15.5, CONFIRMED)) == []


def test_a_sound_after_it_that_was_none_does_not_hide_the_stop() -> None:
    again, none = heard(State.ENTRY, 15.3, 15.33, SUPPOSED), heard(State.ENTRY, 15.3, 15.45, WITHDRAWN)
    assert stops(SUPPOSES, again, none, heard(State.AIR, 15.0, 15.5, CONFIRMED)) == AT_ONCE


def test_what_the_live_ear_believes_since_counts() -> None:
    """Ends of this run are believed to 95 %, this one to 85 %: half believing, the ear may have lost it."""
    doubtful = heard(State.AIR, 15.0, 15.5, CONFIRMED, probability=0.85)
    (quiet,), loud = stops(SUPPOSES, doubtful, log_odds=-3.0), stops(SUPPOSES, doubtful, log_odds=0.5)
    assert quiet <= AT_ONCE[0]
    assert not loud or loud[0] > quiet + 0.3


def test_an_end_that_is_hardly_believed_is_never_said() -> None:
    assert stops(SUPPOSES, heard(State.AIR, 15.0, 15.5, CONFIRMED, probability=0.05), log_odds=0.5) == []
