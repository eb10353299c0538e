"""Reading a table in a turn, against numpy's own straight lines."""

import numpy as np
import pytest

from listen.synth.kernels import read_turns

pytestmark = pytest.mark.twin


def test_reads_as_numpy_interpolates() -> None:
    rng = np.random.default_rng(3)
    table = rng.standard_normal(64).astype(np.float32)
    closed = np.append(table, table[0])
    turns = np.concatenate([[0.0, 1.0, -0.25, 7.0 - 1e-16], rng.uniform(-5.0, 900.0, 500)])
    plain = np.interp(turns % 1.0 * 64, np.arange(65), closed.astype(float))
    np.testing.assert_allclose(read_turns(closed, turns), plain, atol=2e-6)
