"""The zero of a log and its lone wrong values, by hand."""

import numpy as np
import pytest
from numpy.typing import NDArray

from listen.blocks import LoadSample
from listen.decide.load_tidy import above_nothing, is_by_block, without_lone
from listen.measure.load import MeasureLoad

CUTS: NDArray[np.float64] = np.repeat([0.0, 1.0, 9.0, 1.0, 9.0, 1.0, 0.0], 20)


@pytest.mark.closed
def test_a_lowest_level_far_below_nothing_becomes_nothing() -> None:
    np.testing.assert_allclose(above_nothing(CUTS - 7.0), CUTS, rtol=0, atol=1e-9)
    for offset in (0.0, -0.5, 4.0):
        np.testing.assert_array_equal(above_nothing(CUTS + offset), CUTS + offset)


@pytest.mark.closed
def test_one_value_far_off_both_its_neighbours_is_set_between_them_where_values_come_fast() -> None:
    load = CUTS.copy()
    load[50], load[30] = 0.0, 40.0  # a drop in a cut, a spike in air
    seconds: NDArray[np.float64] = np.arange(load.size, dtype=np.float64)
    np.testing.assert_array_equal(without_lone(np.multiply(seconds, 0.2), load), CUTS)
    np.testing.assert_array_equal(without_lone(seconds, load), load)


@pytest.mark.closed
@pytest.mark.parametrize(
    ("turned", "offset", "sign"), [(1.0, -7.0, 1.0), (-1.0, 0.0, -1.0), (-1.0, 1.0, -1.0)]
)
def test_a_load_below_nothing_rises_only_where_both_its_ends_are_lowest(
    turned: float, offset: float, sign: float
) -> None:
    measure = MeasureLoad(rate=1000)
    for i, value in enumerate(turned * CUTS + offset):
        measure.push(LoadSample(at=200 * i, percent=float(value), kind="current_a"))
    (last,) = measure.close()
    assert last.values[0, 3] == sign


@pytest.mark.closed
def test_values_that_stand_for_seconds_are_one_a_block_those_that_stand_for_less_are_not() -> None:
    seconds: NDArray[np.float64] = np.arange(60, dtype=np.float64)
    levels: NDArray[np.float64] = np.repeat([0.31, 8.17, 7.2, 0.33, 6.11, 0.3], 10)
    assert is_by_block(np.multiply(seconds, 0.5), levels, step=0.0)
    assert not is_by_block(np.multiply(seconds, 0.5), levels, step=0.1)
    assert not is_by_block(np.multiply(seconds, 0.1), levels, step=0.0)
