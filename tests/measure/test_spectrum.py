"""Band powers against closed forms."""

import numpy as np
import pytest

from listen.errors import InputError
from listen.measure.kernels import mean_in_bands
from listen.measure.spectrum import FLOOR, Spectrum, log_edges

REGIONS_HZ = (90.0, 400.0, 1500.0, 5000.0, 18000.0)


def densities(windows: np.ndarray, *, rate: int, edges_hz: np.ndarray) -> np.ndarray:
    """Mean density in each band of windows that follow each other."""
    length = windows.shape[1]
    spectrum = Spectrum(length=length, rate=rate, edges_hz=edges_hz, regions_hz=REGIONS_HZ)
    power = spectrum.power(windows.ravel(), start=0, step=length, n_windows=len(windows))
    found = np.empty((len(windows), edges_hz.size - 1))
    bank = spectrum.bank
    mean_in_bands(power, bank.first, bank.last, bank.alive, bank.floor, found)
    return found


@pytest.mark.closed
def test_a_sine_has_half_its_amplitude_squared_in_its_band() -> None:
    """A sine of amplitude 0.1 has a mean square of 0.005: its band holds that over its width."""
    rate, length = 48000, 4800
    edges = np.array([95.0, 895.0, 1095.0, 5005.0])  # bins 90 to 109 make the middle band: 200 Hz
    sine = 0.1 * np.sin(2 * np.pi * 1000.0 * np.arange(length) / rate)[None, :]
    found = densities(sine, rate=rate, edges_hz=edges)[0]
    assert found[1] == pytest.approx(0.005 / 200.0, rel=1e-3)
    assert found[0] < 1e-6 * found[1]


@pytest.mark.closed
def test_white_noise_has_the_same_density_in_every_band_and_at_every_rate() -> None:
    """Variance s² spread over rate/2 is a density of 2 s² / rate."""
    for rate in (16000, 48000):
        noise = 0.1 * np.random.default_rng(1).standard_normal((400, rate // 50))
        found = densities(noise, rate=rate, edges_hz=log_edges(200.0, 7000.0, 8)).mean(axis=0)
        np.testing.assert_allclose(found, 2 * 0.01 / rate, rtol=0.1)


@pytest.mark.closed
def test_bands_above_the_rate_are_dead_and_silent() -> None:
    noise = np.random.default_rng(1).standard_normal((1, 160))
    found = densities(noise, rate=8000, edges_hz=log_edges(90.0, 18000.0, 20))[0]
    assert found[-1] == FLOOR
    assert found[5] > FLOOR


@pytest.mark.closed
def test_edges_refuse_nonsense() -> None:
    with pytest.raises(InputError, match="0 < low_hz < high_hz"):
        log_edges(float("nan"), 100.0, 3)
