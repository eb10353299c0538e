"""What each guess remembers of the holds that it says there were."""

from dataclasses import replace

import numpy as np
import pytest

from listen.follow.holding import ANY, GAPS, HOLDS, KEPT, MOST_HELD, SPREADS, Holding
from listen.follow.hypotheses import CORE, Floats
from listen.follow.priors import Priors, priors_for
from tests.follow.runs import EAR, timeline_of

pytestmark = pytest.mark.closed
Core = np.ndarray[tuple[int], np.dtype[np.void]]


def _priors() -> Priors:
    timeline = timeline_of([(1.0, 2.0)])
    return replace(priors_for(timeline, EAR), hold_per_gap=0.02, hold_median_s=5.0, hold_log_spread=1.3)


def _remembered(core: Core, changes: dict[str, Floats]) -> Core:
    after = core.copy()
    for name, value in changes.items():
        after[name] = value
    return after


def test_who_held_at_every_exit_is_taken_to_hold_again() -> None:
    """Believed 2 % of 3 gaps: after four held ones (0.06 + 4) / 7, after four others 0.06 / 7."""
    holding, never = Holding(_priors()), np.zeros(1, CORE)
    always = never.copy()
    for _ in range(4):
        always = _remembered(always, holding.after_hold(always, 1, np.array([5.0])))
        never = _remembered(never, holding.after_gaps(never, 1))
    before = 0.02 * GAPS
    assert holding.share(np.zeros(1, CORE))[0] == pytest.approx(0.02, rel=0, abs=1e-12)
    assert holding.share(always)[0] == pytest.approx((before + 4.0) / (GAPS + 4.0), rel=0, abs=1e-12)
    assert holding.share(never)[0] == pytest.approx(before / (GAPS + 4.0), rel=0, abs=1e-12)


def test_before_any_hold_its_length_is_the_usual_one() -> None:
    """A log-normal of median 5 s and spread 1.3, by its density at 5 s and half of it above."""
    holding, core = Holding(_priors()), np.zeros(1, CORE)
    density = 1.0 / (5.0 * 1.3 * np.sqrt(2.0 * np.pi))
    assert np.exp(holding.length_log(core, np.array([5.0])))[0] == pytest.approx(density, rel=1e-9)
    mean, spread = holding.lengths(core)
    assert holding.lasts(mean, spread, np.array([5.0]))[0] == pytest.approx(0.5, rel=0, abs=1e-9)


@pytest.mark.reference
def test_holds_one_after_the_other_are_what_they_are_all_at_once() -> None:
    """Gelman et al., Bayesian Data Analysis, 3rd ed. (2013), section 3.3: the posterior of n values at once.

    The mean is that of all, the prior's counting as `HOLDS` of them; half the sum of squares about it and the
    prior's go into the scale, and the predictive variance is that of Student's t with 2 α degrees of freedom.
    """
    holding, core = Holding(_priors()), np.zeros(1, CORE)
    for length_s in (6.0, 7.0, 2.5, 7.5):
        core = _remembered(core, holding.after_hold(core, 1, np.array([length_s])))
    logs, usual = np.log([6.0, 7.0, 2.5, 7.5]), np.log(5.0)
    kappa, alpha = HOLDS + 4.0, SPREADS + 2.0
    before = 1.3**2 * (SPREADS - 1.0) * HOLDS / (HOLDS + 1.0)
    among = 0.5 * ((logs - logs.mean()) ** 2).sum()
    away = HOLDS * 4.0 * (logs.mean() - usual) ** 2 / (2.0 * kappa)
    variance = (before + among + away) * (kappa + 1.0) / (kappa * (alpha - 1.0))
    mean, spread = holding.lengths(core)
    assert mean[0] == pytest.approx((HOLDS * usual + logs.sum()) / kappa, rel=0, abs=1e-12)
    assert spread[0] == pytest.approx(np.sqrt(variance), rel=0, abs=1e-12)


def test_one_odd_hold_is_borne() -> None:
    """Twenty holds of 2 s: one of 60 s is by far not as unlikely as by those alone."""
    holding, core = Holding(_priors()), np.zeros(1, CORE)
    for _ in range(20):
        core = _remembered(core, holding.after_hold(core, 1, np.array([2.0])))
    odd = holding.length_log(core, np.array([60.0]))[0]
    assert odd > np.log(ANY) + np.log(np.exp(-0.5 * (np.log(12.0) / 1.3) ** 2) / (60.0 * 1.3 * 2.51))


def test_no_more_gaps_are_remembered_than_are_kept() -> None:
    """Eighteen gaps, nine held, and eighteen more: 36 are remembered as `KEPT`, the held in proportion."""
    holding, core = Holding(_priors()), np.zeros(1, CORE)
    core["gaps"], core["held"], core["hold_square"] = 18.0, 9.0, 0.5
    after = holding.after_gaps(core, 18)
    fade = KEPT / 36.0
    assert [float(after[name][0]) for name in ("gaps", "held", "hold_square")] == pytest.approx(
        [KEPT, 9.0 * fade, 0.5 * fade], rel=0, abs=1e-12
    )


def test_a_gap_that_is_not_held_stays_possible() -> None:
    holding, core = Holding(_priors()), np.zeros(1, CORE)
    core["gaps"] = core["held"] = 1000.0
    assert holding.share(core)[0] == MOST_HELD < 1.0


def test_what_is_long_ago_fades() -> None:
    """A hundred held gaps, then 24 that were not: about a third of what is remembered is held."""
    holding, core = Holding(_priors()), np.zeros(1, CORE)
    for _ in range(100):
        core = _remembered(core, holding.after_hold(core, 1, np.array([5.0])))
    assert holding.share(core)[0] > 0.85
    for _ in range(24):
        core = _remembered(core, holding.after_gaps(core, 1))
    assert 0.25 < holding.share(core)[0] < 0.4
