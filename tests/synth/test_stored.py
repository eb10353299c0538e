"""Codecs of the trade in made sound: truth stays true to the sample, and what they cannot carry is gone."""

import numpy as np
import pytest

from listen.synth.sound import Sound, white
from listen.synth.stored import STORED, coarseness

RATES = (8000, 11025, 16000, 22050, 32000, 44100, 48000)


def _bursts(rate: int) -> Sound:
    """Bursts of 60 ms of noise below 3 kHz, half a second apart, in faint noise."""
    rng = np.random.default_rng(8)
    sound = white(rng, 6 * rate)
    spectrum = np.fft.rfft(sound)
    spectrum[np.fft.rfftfreq(sound.size, 1.0 / rate) > 3000.0] = 0.0
    sound = np.fft.irfft(spectrum, sound.size).astype(np.float32)
    gate = (np.arange(sound.size) / rate % 0.5) < 0.06
    return np.asarray(sound * np.where(gate, 0.2, 0.003), np.float32)


@pytest.mark.closed
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("name", sorted(STORED))
@pytest.mark.parametrize("coarse", [0.0, 1.0])
def test_nothing_is_moved_in_time(name: str, rate: int, coarse: float) -> None:
    """The loudness of the bursts fits best where it was, within 5 ms, whatever delay the codec has."""
    sound = _bursts(rate)
    back = STORED[name](sound, rate, coarse)
    assert back.shape == sound.shape
    hop = rate // 1000
    loud = [
        np.sqrt(np.mean(np.square(x[: x.size // hop * hop].reshape(-1, hop)), axis=1)) for x in (sound, back)
    ]
    fits = [np.dot(loud[0][50:-50], np.roll(loud[1], -shift)[50:-50]) for shift in range(-40, 41)]
    assert abs(int(np.argmax(fits)) - 40) <= 5


@pytest.mark.closed
def test_a_telephone_carries_nothing_above_4_khz() -> None:
    """GSM 06.10 works at 8000 samples a second (ETSI EN 300 961): half of that is all it can carry."""
    sound = white(np.random.default_rng(2), 48000) * np.float32(0.1)
    back = STORED["telephone"](sound, 48000, 0.5)
    power = np.square(np.abs(np.fft.rfft(back)))
    hz = np.fft.rfftfreq(back.size, 1.0 / 48000)
    assert power[hz > 4400.0].sum() < 1e-4 * power[hz < 4000.0].sum()


@pytest.mark.closed
@pytest.mark.parametrize("name", ["vorbis", "opus", "mp3"])
def test_coarser_is_worse(name: str) -> None:
    sound = _bursts(48000)
    errors = [float(np.mean(np.square(STORED[name](sound, 48000, c) - sound))) for c in (0.0, 1.0)]
    assert errors[1] > 1.2 * errors[0]


@pytest.mark.closed
def test_minutes_of_sound_go_through() -> None:
    """The library behind it fails on minutes written at once; they are written by the second."""
    sound = white(np.random.default_rng(3), 150 * 48000) * np.float32(0.1)
    assert STORED["vorbis"](sound, 48000, 0.5).shape == sound.shape


@pytest.mark.closed
def test_steps_of_the_made_codecs_span_the_qualities() -> None:
    assert coarseness(0.15) == 0.0
    assert coarseness(2.2) == 1.0
    assert 0.0 < coarseness(0.5) < coarseness(1.0) < 1.0
