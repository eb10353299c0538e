"""How loud, tonal and rough a sound is, as figures to teach with; none of them is a calibrated measurement.

Conventions
-----------
Samples are full scale = ±1, shape (n_samples,). A microphone that was never calibrated gives levels only up
to an unknown constant, so figures are to be compared with each other, in one recording.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from listen.errors import InputError

Values = NDArray[np.float64]

ROUGHEST_HZ = 70.0
ROUGHNESS_EXPONENT = 1.6
LEAST_S = 0.1


def a_weighting_db(frequency_hz: ArrayLike) -> Values:
    """A-weighting [dB], 0 at 1 kHz.

    References
    ----------
    IEC 61672-1:2013, annex E, the poles 20.6, 107.7, 737.9 and 12194 Hz.

    Examples
    --------
    >>> a_weighting_db([100.0, 1000.0]).round(1) + 0.0
    array([-19.1,   0. ])
    """
    square = np.square(np.asarray(frequency_hz, dtype=np.float64))
    weights: Values = 20.0 * np.log10(_a_response(square) / _a_response(np.float64(1e6)))
    return weights


def _a_response(square: Any) -> Any:
    response = 12194.0**2 * square**2 / ((square + 20.6**2) * (square + 12194.0**2))
    return response / np.sqrt((square + 107.7**2) * (square + 737.9**2))


def a_weighted_level_db(samples: Values, *, rate: int) -> float:
    """A-weighted level of a stretch [dB re a full-scale square wave], -inf for silence."""
    _check(samples, rate)
    power = np.square(np.abs(np.fft.rfft(samples)))
    power[1:-1] *= 2.0
    frequency = np.fft.rfftfreq(samples.size, 1.0 / rate)
    kept = frequency > 0.0
    weight = 10.0 ** (a_weighting_db(frequency[kept]) / 10.0)
    mean = float(np.sum(power[kept] * weight)) / samples.size**2
    return 10.0 * float(np.log10(mean)) if mean > 0.0 else -np.inf


def sones(level_phon: float) -> float:
    """Loudness [sone] of a loudness level [phon]: ten phon more sound twice as loud.

    References
    ----------
    ISO 532-1:2017 gives N = 2^((L - 40)/10) from 40 phon up, and (L/40)^2.86 below (exponent from memory).

    Examples
    --------
    >>> [sones(level) for level in (40.0, 50.0, 60.0)]
    [1.0, 2.0, 4.0]
    """
    if level_phon >= 40.0:
        return float(2.0 ** ((level_phon - 40.0) / 10.0))
    return float((max(level_phon, 0.0) / 40.0) ** 2.86)


def times_as_loud(samples: Values, than: Values, *, rate: int) -> float:
    """How many times as loud one stretch sounds as another of the same recording.

    A simplification of ISO 532-1: A-weighted levels stand for loudness levels, so neither the spread of
    excitation across the ear's bands nor masking in time is in it. It needs no calibration, because only
    the difference of levels enters; it holds where both are well above hearing threshold.
    """
    rise = a_weighted_level_db(samples, rate=rate) - a_weighted_level_db(than, rate=rate)
    return float(2.0 ** (rise / 10.0))


def critical_bandwidth_hz(frequency_hz: float) -> float:
    """Width of the ear's band about a frequency [Hz].

    References
    ----------
    Zwicker and Terhardt, J. Acoust. Soc. Am. 68 (1980), 1523: 25 + 75·(1 + 1.4·f²)^0.69, f in kHz.

    Examples
    --------
    >>> round(critical_bandwidth_hz(1000.0))
    162
    """
    return float(25.0 + 75.0 * (1.0 + 1.4 * (frequency_hz / 1000.0) ** 2) ** 0.69)


def tone_to_noise_db(samples: Values, *, rate: int, frequency_hz: float) -> float:
    """How far a tone stands over the noise in the ear's band about it [dB].

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate : int
        [Hz]
    frequency_hz : float
        Where the tone is looked for, within 1 % or three lines.

    References
    ----------
    After the tone-to-noise ratio of ECMA-418-1, simplified: one tone, its own lines (the highest and three on
    each side), the noise from the median of the others. A tone counts as prominent from 8 dB at 1 kHz up,
    more below (from memory).
    """
    _check(samples, rate)
    frequency, density = signal.welch(samples, fs=rate, window="hann", nperseg=min(samples.size, rate // 4))
    width = critical_bandwidth_hz(frequency_hz)
    step = float(frequency[1])
    near = np.flatnonzero(np.abs(frequency - frequency_hz) <= max(3.0 * step, 0.01 * frequency_hz))
    peak = int(near[np.argmax(density[near])])
    tone_lines = np.arange(max(0, peak - 3), min(frequency.size, peak + 4))
    band = np.flatnonzero(np.abs(frequency - frequency_hz) <= width / 2.0)
    others = np.setdiff1d(band, tone_lines)
    noise = float(np.mean(density[others])) if others.size else 0.0
    tone = step * max(float(np.sum(density[tone_lines])) - noise * tone_lines.size, 1e-30)
    return 10.0 * float(np.log10(tone / max(noise * width, 1e-30)))


def roughness(samples: Values, *, rate: int) -> float:
    """Roughness, 1 for a tone of 1 kHz fully modulated at 70 Hz.

    References
    ----------
    Fastl and Zwicker, Psychoacoustics (3rd ed., 2007), chapter 11: the asper, its growth with the degree of
    modulation to the power of about 1.6 and its peak near 70 Hz. One band instead of 24, so it is no asper.
    """
    _check(samples, rate)
    envelope = np.abs(signal.hilbert(samples))
    mean = float(np.mean(envelope))
    if mean <= 0.0:
        return 0.0
    spectrum = np.abs(np.fft.rfft((envelope - mean) * np.hanning(envelope.size)))
    frequency = np.fft.rfftfreq(envelope.size, 1.0 / rate)
    heard = (frequency >= 15.0) & (frequency <= 300.0)
    weight = np.exp(-0.5 * np.square(np.log2(frequency[heard] / ROUGHEST_HZ)))
    # Parseval with the Hann window's power 3/8; a degree m of modulation has the power m²/2
    power = 2.0 * float(np.sum(np.square(spectrum[heard] * weight))) / (0.375 * envelope.size**2)
    return float((np.sqrt(2.0 * power) / mean) ** ROUGHNESS_EXPONENT)


def _check(samples: Values, rate: int) -> None:
    if samples.ndim != 1 or samples.size < LEAST_S * rate:
        raise InputError(
            f"a figure of hearing needs samples of shape (n_samples,) and at least {LEAST_S} s, "
            f"got {samples.shape} at {rate} Hz"
        )
    if not np.isfinite(samples).all():
        raise InputError("a figure of hearing needs finite samples; one is not a number")
