"""What is kept of the last frames, against a plain list of all of them."""

import numpy as np
import pytest

from listen.decide.kept import Kept
from tests.decide.hand import HOP, LAYOUT


@pytest.mark.twin
@pytest.mark.parametrize("batch", [1, 7, 100])
def test_any_stretch_is_the_same_as_from_a_list_whatever_was_kept_ahead(batch: int) -> None:
    """Over 1500 frames the ring of 1 s and what it needs ahead goes round three times."""
    rng = np.random.default_rng(3)
    values = rng.standard_normal((1500, 8)).astype(np.float32).astype(np.float64)
    at = HOP * np.arange(1, 1501) + 3
    kept = Kept(LAYOUT, hop=HOP, kept_s=1.0)
    for first in range(0, 1500, batch):
        kept.push(at[first : first + batch], values[first : first + batch])
        now = int(at[first])
        for after, until in (
            (now - 995, now),
            (now - 5000, now),
            (now - 1700, now - 800),
            (now, now),
            (now - 10, now),
        ):
            inside = (at > max(after, until - 1000)) & (at <= until)
            np.testing.assert_array_equal(kept.bands(after, until), values[inside, :2])
            np.testing.assert_array_equal(kept.lines(after, until), values[inside, 2:].reshape(-1, 2, 3))


@pytest.mark.closed
def test_nothing_is_kept_over_a_gap() -> None:
    kept = Kept(LAYOUT, hop=HOP, kept_s=1.0)
    kept.push(np.array([10, 20]), np.ones((2, 8)))
    kept.start_anew()
    assert kept.bands(0, 20).shape == (0, 2)
    kept.push(np.array([510]), np.ones((1, 8)))
    assert kept.lines(0, 510).shape == (1, 2, 3)
