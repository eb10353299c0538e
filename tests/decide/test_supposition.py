"""Provisional changes: how likely they are, by what was believed at them and just before."""

import math

import pytest

from listen.decide.supposition import Supposition, supposition_of
from listen.ears import shipped_model
from listen.errors import ModelError


def test_without_weights_the_ear_is_taken_at_its_word() -> None:
    plain = supposition_of({})
    assert plain.probability([0.1] * 8 + [0.8], is_start=True) == pytest.approx(0.8)
    assert plain.probability([0.9] * 8 + [0.2], is_start=False) == pytest.approx(0.8)


def test_the_weights_are_a_logistic_read_out() -> None:
    given = Supposition(start=(-1.0, 0.5, -0.25))
    odds = -1.0 + 0.5 * math.log(0.8 / 0.2) - 0.25 * math.log(0.1 / 0.9)
    expected = 1.0 / (1.0 + math.exp(-odds))
    assert given.probability([0.1] * 8 + [0.8], is_start=True) == pytest.approx(expected)


def test_the_frames_next_to_the_change_do_not_count_as_before() -> None:
    given = Supposition(start=(0.0, 0.0, 1.0))
    calm = [0.1] * 6 + [0.5, 0.6, 0.8]
    assert given.probability(calm, is_start=True) == pytest.approx(0.1)


def test_the_first_frames_of_a_run_are_their_own_before() -> None:
    assert 0.0 <= Supposition(start=(0.0, 1.0, 1.0)).probability([0.9], is_start=True) <= 1.0


def test_the_shipped_ear_believes_a_change_out_of_calm_more_than_one_out_of_wavering() -> None:
    shipped = supposition_of(shipped_model().card)
    for is_start, calm, change in ((True, 0.01, 0.8), (False, 0.99, 0.2)):
        out_of_calm = shipped.probability([calm] * 8 + [change], is_start=is_start)
        out_of_wavering = shipped.probability([0.5] * 8 + [change], is_start=is_start)
        assert out_of_calm > out_of_wavering + 0.2


@pytest.mark.parametrize("told", [{"start": [1, 2, 3]}, {"start": [1, 2], "end": [1, 2, 3]}, [1, 2]])
def test_a_card_with_other_than_three_numbers_each_is_refused(told: object) -> None:
    with pytest.raises(ModelError, match="three numbers"):
        supposition_of({"supposed": told})
