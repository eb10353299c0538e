"""Figures of hearing against published values and hand-worked sounds."""

import numpy as np
import pytest

from listen.coach.exposure import CAUTION, NIOSH, OSHA, exposure_words
from listen.coach.psychoacoustics import (
    a_weighted_level_db,
    a_weighting_db,
    critical_bandwidth_hz,
    roughness,
    sones,
    times_as_loud,
    tone_to_noise_db,
)
from listen.errors import InputError

RATE = 16000
SECOND = np.arange(RATE) / RATE


@pytest.mark.reference
@pytest.mark.parametrize(
    ("level_db", "hours", "half_digit"),
    [
        *((90, 8, 0.5), (92, 6, 0.5), (95, 4, 0.5), (97, 3, 0.5), (100, 2, 0.5)),
        *((102, 1.5, 0.05), (105, 1, 0.5), (110, 0.5, 0.05), (115, 0.25, 0.005)),
    ],
)
def test_osha_table_g16(level_db: float, hours: float, half_digit: float) -> None:
    """29 CFR 1910.95(b), table G-16, as rounded there (92 dB is 6.1 h by the formula)."""
    assert OSHA.allowed_h(level_db) == pytest.approx(hours, rel=0, abs=half_digit)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("level_db", "hours"),
    [(80, 32.0), (81, 27.9), (82, 24.3), (83, 21.1), (84, 18.4), (85, 16.0), (86, 13.9)],
)
def test_osha_table_g16a(level_db: float, hours: float) -> None:
    """29 CFR 1910.95 appendix A, table G-16a; printed to 0.1 h."""
    assert OSHA.allowed_h(level_db) == pytest.approx(hours, rel=0, abs=0.05)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("stays", "percent", "half_digit"),
    [
        # the worksheet works with times rounded as in the table: 8/6.1 = 131.1 %, exactly 132.0 %
        ([(8.0, 92.0)], 131.0, 1.1),
        ([(5.0, 85.0), (2.0, 87.0), (0.5, 80.0)], 49.34, 0.06),
        ([(1.0, 100.0), (4.0, 90.0), (3.0, 85.0)], 118.75, 0.005),
    ],
)
def test_worked_doses(stays: list[tuple[float, float]], percent: float, half_digit: float) -> None:
    """A noise dose worksheet after 1910.95 appendix A; its times are rounded to 0.1 h, hence the width."""
    assert OSHA.dose_percent(stays) == pytest.approx(percent, rel=0, abs=half_digit)


@pytest.mark.reference
def test_osha_action_level_is_half_the_dose() -> None:
    """1910.95(c): 85 dB(A) over 8 h equals 50 %."""
    assert OSHA.dose_percent([(8.0, 85.0)]) == pytest.approx(50.0, rel=1e-12)
    assert OSHA.day_level_db(50.0) == pytest.approx(85.0, rel=1e-12)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("level_db", "minutes"), [(85, 480), (88, 240), (91, 120), (94, 60), (97, 30), (100, 15)]
)
def test_niosh_times(level_db: float, minutes: float) -> None:
    """NIOSH 98-126, table 1-1."""
    assert NIOSH.allowed_h(level_db) * 60.0 == pytest.approx(minutes, rel=1e-9)


@pytest.mark.closed
def test_exposure_always_says_that_it_is_no_measurement() -> None:
    assert exposure_words(88.0, 4.0).startswith(CAUTION)
    assert "dose 100 %" in exposure_words(88.0, 4.0)  # NIOSH: 4 h at 88 dB(A) are the whole day's limit
    with pytest.raises(InputError, match="finite"):
        exposure_words(float("nan"), 1.0)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("frequency_hz", "db"), [(31.5, -39.4), (63, -26.2), (125, -16.1), (250, -8.6), (500, -3.2), (2000, 1.2)]
)
def test_a_weighting(frequency_hz: float, db: float) -> None:
    """IEC 61672-1, table 3, printed to 0.1 dB for exact base-ten frequencies."""
    exact = 1000.0 * 10.0 ** (round(10.0 * np.log10(frequency_hz / 1000.0)) / 10.0)
    assert float(a_weighting_db(exact)) == pytest.approx(db, rel=0, abs=0.05)


@pytest.mark.closed
def test_level_of_a_sine_at_one_kilohertz_is_three_decibels_below_full_scale() -> None:
    assert a_weighted_level_db(np.sin(2000.0 * np.pi * SECOND), rate=RATE) == pytest.approx(
        -3.0103, rel=0, abs=1e-3
    )


@pytest.mark.reference
def test_sone_and_phon() -> None:
    """ISO 532-1: 1 sone is 40 phon, ten phon more are twice as loud; and both branches meet at 40."""
    assert [sones(level) for level in (40.0, 50.0, 60.0, 70.0)] == [1.0, 2.0, 4.0, 8.0]
    assert sones(39.999) == pytest.approx(1.0, rel=0, abs=1e-3)


@pytest.mark.closed
def test_ten_decibels_more_are_twice_as_loud() -> None:
    tone = 0.1 * np.sin(2000.0 * np.pi * SECOND)
    assert times_as_loud(tone * 10.0**0.5, tone, rate=RATE) == pytest.approx(2.0, rel=1e-9)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("frequency_hz", "hz"), [(50, 100), (1000, 160), (2150, 320), (4000, 700), (8500, 1800)]
)
def test_critical_bandwidths(frequency_hz: float, hz: float) -> None:
    """Zwicker's table of critical bands (Fastl and Zwicker, table 6.1); the formula is within 10 % of it."""
    assert critical_bandwidth_hz(frequency_hz) == pytest.approx(hz, rel=0.1)


@pytest.mark.closed
@pytest.mark.parametrize("over_db", [6.0, 12.0, 20.0])
def test_tone_in_white_noise(over_db: float) -> None:
    """White noise of variance v has v/(rate/2) per Hz, so its power in the band is known by hand."""
    noise = np.random.default_rng(3).normal(0.0, 0.05, 4 * RATE)
    in_band = 0.05**2 / (RATE / 2) * critical_bandwidth_hz(1000.0)
    amplitude = np.sqrt(2.0 * in_band * 10.0 ** (over_db / 10.0))
    tone = amplitude * np.sin(2000.0 * np.pi * np.arange(4 * RATE) / RATE)
    assert tone_to_noise_db(noise + tone, rate=RATE, frequency_hz=1000.0) == pytest.approx(over_db, abs=1.0)


@pytest.mark.reference
@pytest.mark.parametrize(("degree", "expected"), [(1.0, 1.0), (0.5, 0.33), (0.25, 0.109), (0.0, 0.0)])
def test_roughness_grows_with_modulation(degree: float, expected: float) -> None:
    """Fastl and Zwicker, section 11.1: 1 at full modulation of 1 kHz at 70 Hz, growing as degree^1.6."""
    tone = (1.0 + degree * np.sin(2.0 * np.pi * 70.0 * SECOND)) * np.sin(2000.0 * np.pi * SECOND)
    assert roughness(tone, rate=RATE) == pytest.approx(expected, rel=0, abs=0.03)


@pytest.mark.reference
def test_roughness_is_highest_near_seventy_hertz() -> None:
    tones = {
        f: (1.0 + np.sin(2.0 * np.pi * f * SECOND)) * np.sin(2000.0 * np.pi * SECOND)
        for f in (25.0, 70.0, 200.0)
    }
    figures = {f: roughness(tone, rate=RATE) for f, tone in tones.items()}
    assert max(figures, key=lambda f: figures[f]) == 70.0


@pytest.mark.closed
def test_too_short_or_broken_sound_is_refused() -> None:
    with pytest.raises(InputError, match=r"at least 0\.1 s"):
        roughness(np.zeros(10), rate=RATE)
    with pytest.raises(InputError, match="finite"):
        roughness(np.full(RATE, np.nan), rate=RATE)
