"""The staircase against its published rule and against learners whose threshold is known."""

import numpy as np
import pytest

from listen.coach.staircase import STEPS_DB, TARGET, Staircase, confusions
from listen.errors import InputError

N_LEARNERS = 400
GUESS = 0.25  # four words to choose from


def right_share(level_db: float, threshold_db: float, slope_db: float) -> float:
    """A learner: guesses at 25 %, right in 70.7 % at the threshold, logistic in between."""
    at_target = np.log((TARGET - GUESS) / (1.0 - TARGET))
    return float(GUESS + (1.0 - GUESS) / (1.0 + np.exp(-((level_db - threshold_db) / slope_db + at_target))))


def measured(threshold_db: float, slope_db: float, rng: np.random.Generator) -> tuple[float, int]:
    stairs = Staircase()
    while not stairs.is_done:
        stairs = stairs.answered(bool(rng.random() < right_share(stairs.level_db, threshold_db, slope_db)))
    assert stairs.threshold_db is not None
    return stairs.threshold_db, stairs.n_trials


@pytest.mark.closed
def test_simulated_learners_are_right_at_their_threshold_as_often_as_they_should() -> None:
    assert right_share(3.0, 3.0, 0.7) == pytest.approx(0.7071, rel=0, abs=1e-4)


@pytest.mark.reference
def test_four_hundred_learners_of_known_threshold() -> None:
    """Levitt (1971): converges on 70.7 %; here within 1 dB for the learner, and unbiased over learners."""
    rng = np.random.default_rng(41)
    thresholds = rng.uniform(-10.0, 12.0, N_LEARNERS)
    found = [measured(float(threshold), 0.7, rng) for threshold in thresholds]
    errors = np.array([level for level, _ in found]) - thresholds
    trials = np.median([n for _, n in found])
    within = np.mean(np.abs(errors) <= 1.0)
    print(
        f"{N_LEARNERS} learners: mean error {errors.mean():+.2f} dB, rms {errors.std():.2f} dB, "
        f"within 1 dB {within:.1%}, worst {np.abs(errors).max():.2f} dB, median {trials:.0f} answers"
    )
    assert abs(errors.mean()) <= 0.2
    assert within >= 0.95


@pytest.mark.closed
def test_rule_by_hand() -> None:
    """Right right: down 4. Wrong: up 4, a reversal at 16. Right right: down, a reversal at 20, now 2 dB."""
    stairs = Staircase(level_db=20.0)
    levels = []
    for right in (True, True, False, True, True, True, True, False):
        stairs = stairs.answered(right)
        levels.append(stairs.level_db)
    assert levels == [20.0, 16.0, 20.0, 20.0, 16.0, 16.0, 14.0, 16.0]
    assert stairs.reversals_db == (16.0, 20.0, 14.0)
    assert stairs.step_db == STEPS_DB[1]


@pytest.mark.closed
def test_level_stays_in_its_range_and_the_test_ends() -> None:
    deaf, perfect = Staircase(), Staircase()
    while not deaf.is_done:
        deaf, perfect = deaf.answered(False), perfect.answered(True)
    assert (deaf.level_db, perfect.level_db) == (30.0, -20.0)
    assert deaf.threshold_db is None
    with pytest.raises(InputError, match="level must lie between"):
        Staircase(level_db=float("nan"))


@pytest.mark.closed
def test_confusions_refuse_words_that_are_not_asked() -> None:
    with pytest.raises(InputError, match="got chatter"):
        confusions([("air", "chatter")], ["air", "exit"])
