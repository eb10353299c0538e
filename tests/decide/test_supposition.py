"""Provisional changes: how likely they are, by what was believed at them and just before."""

import math

import numpy as np
import pytest

from listen.blocks import Block
from listen.decide.supposition import Supposition, supposition_of
from listen.ears import SoundEar, shipped_model
from listen.errors import ModelError
from listen.states import Event, Standing, State, StateLikelihoods, log_odds


def odds(*beliefs: float) -> list[float]:
    return [float(value) for value in log_odds(np.array(beliefs))]


def test_without_weights_the_ear_is_taken_at_its_word() -> None:
    plain = supposition_of({})
    assert plain.probability(odds(*[0.1] * 8, 0.8), is_start=True) == pytest.approx(0.8)
    assert plain.probability(odds(*[0.9] * 8, 0.2), is_start=False) == pytest.approx(0.8)


def test_the_weights_are_a_logistic_read_out() -> None:
    given = Supposition(start=(-1.0, 0.5, -0.25))
    nats = -1.0 + 0.5 * math.log(0.8 / 0.2) - 0.25 * math.log(0.1 / 0.9)
    expected = 1.0 / (1.0 + math.exp(-nats))
    assert given.probability(odds(*[0.1] * 8, 0.8), is_start=True) == pytest.approx(expected)


def test_the_frames_next_to_the_change_do_not_count_as_before() -> None:
    given = Supposition(start=(0.0, 0.0, 1.0))
    calm = odds(*[0.1] * 6, 0.5, 0.6, 0.8)
    assert given.probability(calm, is_start=True) == pytest.approx(0.1)


def test_the_first_frames_of_a_run_are_their_own_before() -> None:
    assert 0.0 <= Supposition(start=(0.0, 1.0, 1.0)).probability(odds(0.9), is_start=True) <= 1.0


def test_the_shipped_ear_believes_a_change_out_of_calm_more_than_one_out_of_wavering() -> None:
    shipped = supposition_of(shipped_model().card)
    for is_start, calm, change in ((True, 0.01, 0.8), (False, 0.99, 0.2)):
        out_of_calm = shipped.probability(odds(*[calm] * 8, change), is_start=is_start)
        out_of_wavering = shipped.probability(odds(*[0.5] * 8, change), is_start=is_start)
        assert out_of_calm > out_of_wavering + 0.2


@pytest.mark.parametrize("told", [{"start": [1, 2, 3]}, {"start": [1, 2], "end": [1, 2, 3]}, [1, 2]])
def test_a_card_with_other_than_three_numbers_each_is_refused(told: object) -> None:
    with pytest.raises(ModelError, match="three numbers"):
        supposition_of({"supposed": told})


@pytest.mark.parity
def test_the_probability_of_a_provisional_event_is_that_of_the_beliefs_that_were_told() -> None:
    """A run that is loud by turns: each supposed change, worked out again from the likelihoods."""
    model, rate = shipped_model(), 16000
    rng = np.random.default_rng(3)
    loud = np.repeat([0.003, 0.05, 0.003, 0.05, 0.003], 2 * rate)
    ear = SoundEar(model, rate=rate, keep=False)
    told = [
        *ear.push(Block(samples=rng.normal(0.0, 1.0, loud.size) * loud, start=0, rate=rate)),
        *ear.close(),
    ]
    likely = [item for item in told if isinstance(item, StateLikelihoods)]
    at = np.concatenate([item.at for item in likely])
    beliefs = np.concatenate([item.contact for item in likely])
    supposed = [e for e in told if isinstance(e, Event) and e.standing is Standing.PROVISIONAL]
    assert supposed
    for event in supposed:
        last = int(np.searchsorted(at, event.decided_at))
        again = supposition_of(model.card).probability(
            log_odds(beliefs[max(0, last - 8) : last + 1]).tolist(), is_start=event.state is State.ENTRY
        )
        assert event.probability == pytest.approx(again, abs=1e-9)
