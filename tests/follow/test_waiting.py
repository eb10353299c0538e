"""What a long wait says: the program was not started yet, or it was held; a burst of the ear is rarer."""

from dataclasses import replace

import numpy as np
import pytest

from listen.follow import Follower
from listen.follow.feed_clock import FeedClock
from listen.follow.hypotheses import CORE, Phase
from listen.follow.model import Model
from listen.follow.priors import priors_for
from listen.follow.quiet import Quiet
from listen.follow.silence import Silence
from listen.follow.space import Space
from listen.follow.tracking import Tracking
from listen.followed import Position, Verdict, VerdictKind
from tests.follow.runs import EAR, RATE, Stretches, events_of, timeline_of

pytestmark = pytest.mark.closed
PLACES = [(3.0, 4.5), (6.0, 9.0), (11.0, 12.0), (14.5, 17.0)]
LONG = [(3.0 + 4.0 * i, 5.0 + 4.0 * i + 0.1 * i) for i in range(12)]


def last_position(places: Stretches, heard: Stretches, n_events: int) -> Position:
    """The position just after so many starts and ends."""
    follower = Follower(timeline_of(places), rate=RATE, ear=EAR)
    said: list[object] = []
    for event in events_of(heard)[:n_events]:
        said.extend(follower.push((event,), event.decided_at))
    return [item for item in said if isinstance(item, Position)][-1]


@pytest.mark.parametrize("lead_s", [5.0, 30.0])
def test_a_program_started_late_is_known_at_its_first_contact(lead_s: float) -> None:
    """The recording runs for a while before somebody presses start."""
    heard = [(a + lead_s, b + lead_s) for a, b in PLACES]
    position = last_position(PLACES, heard, 2)
    assert position.next_contact == 2
    assert position.probability > 0.8


def test_a_contact_after_a_long_hold_is_no_burst_of_the_ear() -> None:
    """Held for 100 s in the air before contact 3 of 12: as it begins, that is the likeliest."""
    heard = [*LONG[:2], *((a + 100.0, b + 100.0) for a, b in LONG[2:])]
    tracking = Tracking(timeline_of(LONG), rate=RATE, ear=EAR, n_slots=16, width=200, most=32)
    for event in events_of(heard)[:5]:
        tracking.take(event)
    engine = tracking.engine
    assert engine.weights[engine.core["phase"] == Phase.EXTRA].sum() < 0.3


def test_a_guess_that_waits_on_pays_for_the_silence_once() -> None:
    """Due 2 s after 10 s; by 60 s only a hold of 48 s is left: 0.0099 of holds by hand, or none at all.

    Share of gaps with a hold 1 − 0.99 · exp(−2 / 150) = 0.0231; of these 1 − Φ(ln(48 / 5) / 1.3) = 0.0409
    last that long. Turned slower: 0.003 · Φ(−(48 − 4) / 3) = 0. Contact 3 absent (0.004 + 0.01), and 4 due
    3.5 s later: much the same again for it, 0.30 of it absent with no contact after it.
    """
    program = timeline_of(PLACES)
    model = Model(Space(program), priors_for(program, EAR), FeedClock(program), Quiet(RATE))
    core = np.zeros(1, CORE)
    core["k"], core["phase"], core["t0"], core["u0"], core["q"], core["v"] = (
        2,
        Phase.AIR,
        10.0,
        9.0,
        0.01,
        4e-4,
    )
    quiet, absent = Silence(model, core).until(60.0)
    held = 0.0231 * 0.0409
    np.testing.assert_allclose(quiet, [0.986 * held + 0.014 * 0.31], rtol=0.05, atol=0.0)
    np.testing.assert_allclose(absent, [0.014 * 0.31 / (0.986 * held + 0.014 * 0.31)], rtol=0.05, atol=0.0)


def test_cuts_long_after_the_end_are_no_doors() -> None:
    """All 12 contacts, and a quarter of an hour later 7 to 11 once more, without a word."""
    again = [(a + 900.0, b + 900.0) for a, b in LONG[6:11]]
    assert last_position(LONG, [*LONG, *again], 34).next_contact == 12


def test_an_end_is_judged_with_the_start_that_is_known_at_the_same_moment() -> None:
    """Passes in pairs, a quarter of a second apart, held for two seconds before the fifth pair.

    It then begins where its second pass was due; that another follows so soon tells that it is the first.
    """
    pairs = [
        (2.0 + 5.0 * i + at, 2.0 + 5.0 * i + stop)
        for i in range(8)
        for at, stop in ((0.0, 2.0), (2.25, 4.15))
    ]
    held = [(start + 2.05 * (i >= 8), stop + 2.05 * (i >= 8)) for i, (start, stop) in enumerate(pairs)]
    told = list(events_of(held, lag_s=0.48))
    for i in range(2, len(told), 4):  # the second of a pair
        told[i] = replace(told[i], decided_at=told[i - 1].decided_at)
    follower = Follower(timeline_of(pairs), rate=RATE, ear=replace(EAR, missed_share=0.045))
    said: list[object] = []
    for event in told:
        said += follower.push((event,), event.decided_at)
    said += follower.close(60 * RATE)
    assert {one.kind for one in said if isinstance(one, Verdict)} == {VerdictKind.AS_EXPECTED}
