"""Band powers against closed forms, weighting against the published table."""

import numpy as np
import pytest

from listen.errors import InputError
from listen.measure.spectrum import FLOOR, BandPower, a_weighting_db, log_edges

A_TABLE = """
10 -70.4|12.5 -63.4|16 -56.7|20 -50.5|25 -44.7|31.5 -39.4|40 -34.6|50 -30.2|63 -26.2|80 -22.5|100 -19.1
125 -16.1|160 -13.4|200 -10.9|250 -8.6|315 -6.6|400 -4.8|500 -3.2|630 -1.9|800 -0.8|1000 0.0|1250 0.6
1600 1.0|2000 1.2|2500 1.3|3150 1.2|4000 1.0|5000 0.5|6300 -0.1|8000 -1.1|10000 -2.5|12500 -4.3|16000 -6.6
20000 -9.3
"""


@pytest.mark.reference
def test_a_weighting_reproduces_the_published_table() -> None:
    """IEC 61672-1 table of A-weighting at exact base-10 frequencies; printed to 0.1 dB."""
    printed = [float(pair.split()[1]) for pair in A_TABLE.replace("\n", "|").split("|") if pair.strip()]
    exact = 1000.0 * 10.0 ** (np.arange(-20, 14) / 10.0)
    np.testing.assert_allclose(a_weighting_db(exact), printed, rtol=0, atol=0.051)


@pytest.mark.closed
def test_a_sine_has_half_its_amplitude_squared_in_its_band() -> None:
    """Mean square of a sine of amplitude 0.1 is 0.005; its band holds all of it."""
    rate, length = 48000, 4800
    edges = log_edges(60.0, 12000.0, 24)
    bank = BandPower(length=length, rate=rate, edges_hz=edges)
    sine = 0.1 * np.sin(2 * np.pi * 1000.0 * np.arange(length) / rate)[None, :]
    power = bank.power(sine)
    assert float(power.sum()) * rate / length == pytest.approx(0.005, rel=1e-3)
    loudest = int(np.argmax(bank.bands(power)[0]))
    assert edges[loudest] <= 1000.0 < edges[loudest + 1]


@pytest.mark.closed
def test_white_noise_has_the_same_density_in_every_band_and_at_every_rate() -> None:
    """Variance s² spread over rate/2 is a density of 2 s² / rate."""
    for rate in (16000, 48000):
        noise = 0.1 * np.random.default_rng(1).standard_normal((400, rate // 50))
        bank = BandPower(length=rate // 50, rate=rate, edges_hz=log_edges(200.0, 7000.0, 8))
        found = bank.bands(bank.power(noise)).mean(axis=0)
        np.testing.assert_allclose(found, 2 * 0.01 / rate, rtol=0.1)


@pytest.mark.closed
def test_bands_above_the_rate_are_dead_and_silent() -> None:
    bank = BandPower(length=160, rate=8000, edges_hz=log_edges(90.0, 18000.0, 20))
    assert not bank.alive[-1]
    assert bank.bands(np.ones((1, 81)))[0, -1] == FLOOR


@pytest.mark.closed
def test_edges_refuse_nonsense() -> None:
    with pytest.raises(InputError, match="0 < low_hz < high_hz"):
        log_edges(float("nan"), 100.0, 3)
