"""What a belief in a verdict is worth when it is said."""

import numpy as np
import pytest

from listen.follow.feed_clock import FeedClock
from listen.follow.model import Model
from listen.follow.outcomes import AS_EXPECTED, STARTED_EARLY, Outcome
from listen.follow.priors import priors_for
from listen.follow.quiet import Quiet
from listen.follow.space import Space
from listen.follow.verdicts import Wording
from tests.follow.runs import EAR, RATE, timeline_of

pytestmark = pytest.mark.closed


def said(kind: int, belief: float, *, agreed: float = 1.0, steady: bool = False) -> float:
    """Probability that comes with the verdict on the first contact, for this belief in one kind."""
    program = timeline_of([(2.0, 4.0), (6.0, 8.0)], feed_override=100.0, override_steady=steady)
    wording = Wording(Model(Space(program), priors_for(program, EAR), FeedClock(program), Quiet(RATE)), RATE)
    beliefs = np.zeros(8)
    beliefs[kind], beliefs[1 - kind] = belief, 1.0 - belief
    outcome = Outcome(
        beliefs=beliefs,
        onset_s=5.0,
        offset_s=7.0,
        expected_onset_s=5.0,
        expected_offset_s=7.0,
        agreed=agreed,
    )
    return wording.verdict(0, outcome, 10 * RATE).probability


def test_as_expected_of_one_of_two_alike_stretches_is_as_sure_as_the_stretch() -> None:
    assert said(AS_EXPECTED, 1.0, agreed=0.6) == pytest.approx(0.6 * 0.977, rel=0, abs=1e-12)
    assert said(AS_EXPECTED, 1.0, agreed=0.6, steady=True) == pytest.approx(0.6 * 0.999, rel=0, abs=1e-12)


def test_an_early_start_is_worth_less_where_the_override_may_have_been_raised() -> None:
    """Odds 99 to 1, made exp(3 + 2/11) = 24.1 times smaller, with the feed clock exp(0.3 + 2/11) = 1.62."""
    assert said(STARTED_EARLY, 0.99) == pytest.approx(99.0 / (99.0 + 24.09), rel=0, abs=1e-4)
    assert said(STARTED_EARLY, 0.99, steady=True) == pytest.approx(99.0 / (99.0 + 1.619), rel=0, abs=1e-4)
