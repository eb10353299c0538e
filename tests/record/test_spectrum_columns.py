"""Spectrum columns: level and place of known sounds, any cut alike."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listen.errors import InputError
from listen.record.spectrum import FLOOR_DB, N_BANDS, STEP_DB, SpectrumColumns

RATE = 16000


@pytest.mark.closed
@pytest.mark.parametrize("hz", [400.0, 1000.0, 5000.0])
def test_a_sine_is_as_loud_as_its_mean_square(hz: float) -> None:
    """A sine of amplitude 0.1 has a mean square of 0.005: -23.0 dB, in the band about its frequency."""
    time = np.arange(RATE) / RATE
    made = SpectrumColumns(RATE, hop_s=0.02)
    columns = made.push(0.1 * np.sin(2 * np.pi * hz * time))
    level_db = FLOOR_DB + STEP_DB * columns[20].astype(float)
    nearest = int(np.argmin(np.abs(np.log(made.bands_hz / hz))))
    assert abs(int(np.argmax(level_db)) - nearest) <= 1
    total_db = 10 * np.log10(np.sum(10 ** (level_db / 10)))
    assert total_db == pytest.approx(-23.0, abs=1.0)


@pytest.mark.closed
def test_a_click_is_drawn_where_it_is() -> None:
    """Column i shows the sound about (i + 0.5)·hop: a click at 0.510 s falls into column 25 of 0.02 s."""
    samples = np.zeros(RATE)
    samples[round(0.510 * RATE)] = 1.0
    made = SpectrumColumns(RATE, hop_s=0.02)
    columns = np.concatenate([made.push(samples), made.close()])
    assert columns.shape[1] == N_BANDS
    assert abs(columns.shape[0] - 50) <= 1
    assert int(np.argmax(columns.sum(axis=1))) == 25


@pytest.mark.parity
@given(
    cuts=st.lists(st.integers(0, 8000), max_size=8),
    seed=st.integers(0, 20),
    hop=st.sampled_from([0.005, 0.02, 0.1]),
)
def test_any_cut_gives_the_same_columns(cuts: list[int], seed: int, hop: float) -> None:
    samples = np.random.default_rng(seed).standard_normal(8000) * 0.1
    whole, cut = SpectrumColumns(8000, hop_s=hop), SpectrumColumns(8000, hop_s=hop)
    expected = np.concatenate([whole.push(samples), whole.close()])
    parts = [cut.push(part) for part in np.split(samples, sorted(cuts))]
    np.testing.assert_array_equal(np.concatenate([*parts, cut.close()]), expected)


@pytest.mark.closed
def test_a_hop_of_nothing_is_refused() -> None:
    with pytest.raises(InputError, match=r"hop_s must be 0.001 to 10 seconds"):
        SpectrumColumns(RATE, hop_s=float("nan"))
