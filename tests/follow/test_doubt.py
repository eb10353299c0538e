"""What the ear's own belief and the way out say of an end, worked by hand."""

import math

import numpy as np
import pytest

from listen.follow.boundaries import Boundaries
from listen.follow.doubt import Doubts, doubts_of_ends
from listen.follow.way_out import WaysOut
from listen.states import Event, State

pytestmark = pytest.mark.closed
RATE = 1000


def sigmoid(log_odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-log_odds))


def test_a_usual_belief_is_less_doubtful_than_a_low_one() -> None:
    """Right N(0, 1), wrong N(−2, 1) beside the usual: the ratio is exp(−2 z − 2)."""
    doubts = Doubts(2.0, 1.0, (-2.0, 1.0))
    assert doubts.of(sigmoid(2.0)) == pytest.approx(math.exp(-2.0), rel=1e-9)
    assert doubts.of(sigmoid(0.5)) == pytest.approx(math.exp(1.0), rel=1e-9)
    assert doubts.of(sigmoid(-3.0)) == 20.0  # at most


def test_what_is_usual_is_learnt_from_the_run() -> None:
    """Two beliefs of 2 before the run; after five of 1 the median of all seven is 1."""
    doubts = Doubts(2.0, 1.0, (-2.0, 1.0))
    for _ in range(5):
        doubts.learn(sigmoid(1.0))
    assert doubts.of(sigmoid(1.0)) == pytest.approx(math.exp(-2.0), rel=1e-9)


def test_surer_is_never_more_doubtful() -> None:
    doubts = doubts_of_ends()
    found = [doubts.of(p) for p in (0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99)]
    assert found == sorted(found, reverse=True)


def test_few_breaks_are_believed_as_much_as_a_sure_end() -> None:
    """Wrong N(−2, 1) beside the usual 2: at 2 two standard deviations above their mean, at 0 just there."""
    doubts = Doubts(2.0, 1.0, (-2.0, 1.0))
    assert doubts.share_as_sure(sigmoid(2.0)) == pytest.approx(0.02275, abs=1e-5)  # standard normal table
    assert doubts.share_as_sure(sigmoid(0.0)) == pytest.approx(0.5, rel=1e-9)


def event(state: State, at_s: float) -> Event:
    at = round(at_s * RATE)
    return Event(state=state, at=at, decided_at=at + 100, probability=0.9, spread=10)


def test_the_way_out_is_told_once_the_ear_has_told_one() -> None:
    """None told yet; then from 5.0 to 5.4 s; then a contact that stops at once."""
    boundaries = Boundaries(RATE)
    told = [
        boundaries.take(event(state, at_s))
        for state, at_s in (
            (State.ENTRY, 1.0),
            (State.AIR, 2.0),
            (State.ENTRY, 4.0),
            (State.EXIT, 5.0),
            (State.AIR, 5.4),
            (State.ENTRY, 6.0),
            (State.AIR, 7.0),
        )
    ]
    ways_out = [boundary.way_out_s for boundary in told if boundary is not None and not boundary.is_onset]
    np.testing.assert_allclose(ways_out, [np.nan, 0.4, 0.0], rtol=0, atol=1e-9)


def test_a_fading_end_speaks_for_a_cut_that_ran_out_as_far_as_fading_is_known() -> None:
    """A way out of 0.4 s, 0.26 s of it heard: 20 times as likely as at a stop, believed to 0.3."""
    ways_out = WaysOut()
    expected = np.array([0.4, 0.05])  # the second guess expects none that could be heard
    np.testing.assert_allclose(
        ways_out.log_ratio(0.26, expected), [math.log(0.3 * 20.0 + 0.7), 0.0], rtol=0, atol=1e-9
    )
    unheard = 0.85 * math.exp(-2.0) + 0.05
    abrupt = math.log(0.3 * unheard / 0.85 + 0.7)
    np.testing.assert_allclose(ways_out.log_ratio(0.0, expected), [abrupt, 0.0], rtol=0, atol=1e-9)
    np.testing.assert_array_equal(ways_out.log_ratio(math.nan, expected), [0.0, 0.0])


def test_a_run_whose_cuts_never_fade_soon_says_nothing_by_it() -> None:
    """As a slowed recording: every cut ends at once, whatever the program says."""
    ways_out = WaysOut()
    for _ in range(3):
        ways_out.learn(0.0, 0.5, 1.0)
    assert abs(float(ways_out.log_ratio(0.0, np.array([0.5]))[0])) < 0.02


def test_a_break_that_is_found_out_is_not_usual_for_ends() -> None:
    """Ends are believed to 90 %, breaks to 60 %: forgotten, they leave what is usual as it was."""
    told, plain = doubts_of_ends(), doubts_of_ends()
    for _ in range(6):
        told.learn(0.9)
        plain.learn(0.9)
        told.learn(0.6)
        told.forget()
    assert told.of(0.75) == pytest.approx(plain.of(0.75), rel=1e-12)
