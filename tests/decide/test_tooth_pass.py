"""Tooth-pass frequency from lines whose places are worked by hand."""

import numpy as np
import pytest

from listen.decide.tooth_pass import lasting_lines, tooth_pass
from listen.states import Turning


def looks_of(*frequencies_hz: float, n_looks: int = 25, jitter_hz: float = 0.5) -> np.ndarray:
    """Looks in which these lines stand, each placed a little differently every time, 15 dB over."""
    rng = np.random.default_rng(1)
    looks = np.zeros((n_looks, 5, 3), dtype=np.float32)
    for i, hz in enumerate(frequencies_hz):
        looks[:, i, 0] = hz + jitter_hz * rng.standard_normal(n_looks)
        looks[:, i, 2] = 15.0
    return looks


def known(rpm: float, flutes: int) -> tuple[Turning, ...]:
    return (Turning(spindle_hz=rpm / 60.0, flutes=flutes),)


@pytest.mark.closed
@pytest.mark.parametrize(
    ("true_rpm", "program_rpm"),
    [(6000.0, 6000.0), (5900.0, 6000.0), (5980.0, 8000.0), (4485.0, 5980.0)],
)
def test_runout_and_tooth_lines_tell_the_speed(true_rpm: float, program_rpm: float) -> None:
    """Lines at turns 2, 3, 5, 6 and 9: three flutes with runout; z n / 60 by hand, to 0.3 %."""
    turn = true_rpm / 60.0
    found = tooth_pass(looks_of(*(turn * k for k in (2, 3, 5, 6, 9))), known(program_rpm, 3))
    assert found is not None
    assert found.hz == pytest.approx(3.0 * turn, rel=0.003)
    assert 0.0 < found.spread_hz < 0.01 * found.hz


@pytest.mark.closed
def test_lines_at_every_fourth_turn_only_are_no_three_flutes() -> None:
    turn = 100.0
    found = tooth_pass(looks_of(4 * turn, 8 * turn, 12 * turn, 16 * turn), known(6000.0, 3))
    assert found is not None
    assert found.hz == pytest.approx(4.0 * turn, rel=0.003)


@pytest.mark.closed
def test_two_lines_are_too_few_for_another_number_of_flutes() -> None:
    """Turns 4 and 8 of a cutter of three flutes: with a third, at 12, they would be of four."""
    found = tooth_pass(looks_of(400.0, 800.0), known(6000.0, 3))
    assert found is not None
    assert found.hz == pytest.approx(300.0, rel=0.003)


@pytest.mark.closed
def test_two_flutes_that_sing_at_every_turn_or_every_fourth_stay_two() -> None:
    for orders in ((1, 2, 3, 4), (4, 8, 12, 16)):
        found = tooth_pass(looks_of(*(150.0 * k for k in orders)), known(9000.0, 2))
        assert found is not None
        assert found.hz == pytest.approx(300.0, rel=0.003)


@pytest.mark.closed
def test_lines_with_no_common_turning_tell_nothing() -> None:
    assert tooth_pass(looks_of(317.0, 943.0), known(6000.0, 3)) is None
    assert tooth_pass(looks_of(), known(6000.0, 3)) is None
    assert tooth_pass(looks_of(300.0, 600.0, 900.0), ()) is None


@pytest.mark.closed
def test_a_line_lasts_where_it_stands_in_a_quarter_of_the_looks() -> None:
    looks = looks_of(500.0, 800.0, n_looks=40)
    looks[8:, 1] = 0.0  # a fifth
    hz, weight = lasting_lines(looks)
    np.testing.assert_allclose(hz, [500.0], rtol=0, atol=0.5)
    assert weight == pytest.approx([15.0], rel=0.05)


@pytest.mark.closed
def test_of_two_tools_the_one_that_turns_is_taken() -> None:
    both = (*known(6000.0, 3), *known(8400.0, 2))
    found = tooth_pass(looks_of(*(140.0 * k for k in (1, 2, 4, 5, 6))), both)
    assert found is not None
    assert found.hz == pytest.approx(280.0, rel=0.003)


@pytest.mark.closed
def test_a_squeal_and_its_double_lie_on_a_comb_at_some_speed_near_and_tell_none() -> None:
    """The 40th turn of 54.7 Hz, its double, a line off that comb: by chance, the program's 53.3 Hz has 41."""
    squeal = looks_of(2186.0, 4372.0, 309.0)
    squeal[:, :2, 2] = 45.0
    assert tooth_pass(squeal, known(3200.0, 4)) is None
    with_teeth = looks_of(2186.0, 4372.0, 309.0, 218.6, 437.2)
    with_teeth[:, :2, 2] = 45.0
    found = tooth_pass(with_teeth, known(3200.0, 4))
    assert found is not None
    assert found.spindle_hz == pytest.approx(54.65, rel=0.003)
