"""The kernels of `measure` against their plain-loop twins."""

import numpy as np
import pytest

from listen.measure.kernels import follow_extremes, follow_references
from tests.naive.naive_measure import follow_extremes as plain_extremes
from tests.naive.naive_measure import follow_references as plain_references

HOP_S = 0.01


def levels(n_frames: int, n_columns: int, *, quiet_from: int) -> np.ndarray:
    table = -60.0 + 8.0 * np.random.default_rng(5).standard_normal((n_frames, n_columns))
    table[quiet_from : quiet_from + 10] = -170.0  # digital silence
    return table


@pytest.mark.twin
@pytest.mark.parametrize("quiet_from", [0, 60, 140])
def test_references_equal_their_twin(quiet_from: int) -> None:
    table = levels(150, 3, quiet_from=quiet_from)
    alive = np.array([True, True, False])
    contrast = np.empty((150, 12))
    follow_references(table, alive, np.zeros((4, 3)), np.array([0.0, -300.0]), HOP_S, contrast)
    expected = plain_references(table.tolist(), alive.tolist(), HOP_S)
    np.testing.assert_allclose(contrast, expected, rtol=0, atol=1e-9)


@pytest.mark.twin
@pytest.mark.parametrize("quiet_from", [0, 60, 140])
def test_extremes_equal_their_twin(quiet_from: int) -> None:
    table = levels(150, 2, quiet_from=quiet_from)
    extremes = np.empty((150, 8))
    follow_extremes(table, np.zeros((40, 2)), np.zeros(3), HOP_S, extremes)
    np.testing.assert_allclose(extremes, plain_extremes(table.tolist(), 40, HOP_S), rtol=0, atol=1e-9)
