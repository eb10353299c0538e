"""What the live ear believed where nothing was heard: a miss is mostly half heard."""

import math

import numpy as np
import pytest

from listen.follow import Follower
from listen.follow.quiet import AIR, AIR_SPREAD, MISSED, Quiet
from listen.states import StateLikelihoods
from listen.timeline import Verdict
from tests.follow.runs import EAR, RATE, events_of, timeline_of

pytestmark = pytest.mark.closed
PLACES = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(8)]
LATER = 1000.0


def believed(start_s: float, stop_s: float, log_odds: float) -> StateLikelihoods:
    at = np.round(np.arange(start_s, stop_s, 0.01) * RATE).astype(np.int64)
    contact = np.full(at.size, 1.0 / (1.0 + math.exp(-log_odds)))
    return StateLikelihoods(at=at, log_likelihood=np.zeros((at.size, 4)), contact=contact)


def for_a_miss(log_odds: float) -> float | None:
    quiet = Quiet(RATE)
    quiet.take(believed(0.0, 10.0, log_odds))
    return quiet.for_a_miss(5.0, 7.0, LATER)


def test_the_ratio_is_that_of_two_normals() -> None:
    """At -1: 1.5 / 1.7 and 2.2 / 1.2042 from the modes; 1.2042² is 0.8² of one run and 0.9² between runs."""
    assert (MISSED, AIR, AIR_SPREAD) == ((0.5, 1.7), (-3.2, 0.8), 0.9)
    by_hand = 1.204159 / 1.7 * math.exp(-0.5 * (1.5 / 1.7) ** 2 + 0.5 * (2.2 / 1.204159) ** 2)
    assert for_a_miss(-1.0) == pytest.approx(by_hand, rel=1e-5)


def test_quieter_than_usual_air_is_no_more_than_air_and_little_is_made_of_what_is_loud() -> None:
    assert for_a_miss(-5.0) == pytest.approx(for_a_miss(-3.2), rel=1e-9)
    assert for_a_miss(3.0) == 5.0


def test_a_run_is_held_against_its_own_air() -> None:
    """Where air is mostly believed in at -1.5, that much over a contact says nothing of a miss."""
    other, own = Quiet(RATE), Quiet(RATE)
    for quiet in (other, own):
        quiet.take(believed(0.0, 60.0, -1.5))
    for start in range(20, 50):
        own.learn_air(float(start), start + 1.0)
    told, usual = own.for_a_miss(5.0, 7.0, LATER), other.for_a_miss(5.0, 7.0, LATER)
    assert told is not None
    assert usual is not None
    assert told < 0.5 * usual


def test_a_short_contact_tells_by_what_there_is_of_it() -> None:
    quiet = Quiet(RATE)
    quiet.take(believed(0.0, 10.0, -3.2))
    assert quiet.for_a_miss(5.0, 5.3, LATER) is not None
    assert quiet.for_a_miss(5.0, 5.12, LATER) is None


def test_what_is_not_known_tells_nothing() -> None:
    quiet = Quiet(RATE)
    assert quiet.for_a_miss(5.0, 7.0, LATER) is None
    quiet.take(believed(0.0, 10.0, 0.0))
    assert quiet.for_a_miss(math.nan, 7.0, LATER) is None
    assert quiet.for_a_miss(11.0, 12.0, LATER) is None
    assert quiet.for_a_miss(5.0, 7.0, 5.2) is None  # most of it is still to come
    quiet.take(believed(5000.0, 5010.0, 0.0))
    assert quiet.for_a_miss(5.0, 7.0, LATER) is None  # too long ago


def test_pieces_of_any_size_tell_the_same() -> None:
    whole, pieces = Quiet(RATE), Quiet(RATE)
    frames = believed(0.0, 10.0, -1.0)
    whole.take(frames)
    for low in range(0, frames.at.size, 7):
        part = slice(low, low + 7)
        pieces.take(
            StateLikelihoods(
                at=frames.at[part],
                log_likelihood=frames.log_likelihood[part],
                contact=frames.contact[part],
            )
        )
    assert pieces.for_a_miss(5.0, 7.0, LATER) == pytest.approx(whole.for_a_miss(5.0, 7.0, LATER), rel=1e-12)


def sure_of_the_fifth(log_odds: float) -> float:
    """Probability of "not heard" of the fifth of eight, the ear being said to miss 3 %."""
    program = timeline_of(PLACES, feed_override=100.0, override_steady=True)
    ear = EAR.__class__(
        false_bursts_per_hour=2.0,
        dropouts_per_hour=10.0,
        missed_share=0.03,
        onset_spread_s=0.03,
        offset_spread_s=0.05,
    )
    follower = Follower(program, rate=RATE, ear=ear)
    follower.listen(believed(12.5, 18.0, log_odds))
    said: list[object] = []
    for event in events_of([place for i, place in enumerate(PLACES) if i != 4]):
        said += follower.push((event,), event.decided_at)
    said += follower.close(30 * RATE)
    (verdict,) = [one for one in said if isinstance(one, Verdict) and one.contact == 5]
    return verdict.probability if verdict.kind == "not heard" else 0.0


def test_a_contact_that_was_half_heard_is_not_called_missing() -> None:
    assert sure_of_the_fifth(-3.5) > 0.75
    assert sure_of_the_fifth(0.5) == 0.0
