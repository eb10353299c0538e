"""Speech-like sound beside the microphone: not words, but voiced syllables, hisses and pauses.

References
----------
Formant frequencies of vowels lie in the ranges of Peterson and Barney (1952), from memory; source and
filter are the usual textbook model of speech.
"""

from collections.abc import Callable

import numpy as np
from scipy.signal import lfilter

from listen.synth.sound import (
    Sound,
    Values,
    add_at,
    convolve,
    draw_log,
    envelope,
    response_of,
    table_of,
    turn,
    white,
)
from listen.synth.speech import can_speak, spoken_sound

FORMANTS_HZ = ((250.0, 850.0), (700.0, 2500.0), (2200.0, 3300.0), (3300.0, 4500.0))
Syllable = Callable[[np.random.Generator, "Speaker", int, int], Sound]


class Speaker:
    """One voice: pitch, throat, vowels."""

    def __init__(self, rng: np.random.Generator, rate: int) -> None:
        self.pitch_hz = draw_log(rng, (80.0, 280.0))
        self.tract = float(rng.uniform(0.85, 1.2))
        self.vowels_hz = [
            [float(rng.uniform(low, high)) * self.tract for low, high in FORMANTS_HZ] for _ in range(7)
        ]
        self.rasp = float(rng.uniform(0.0, 0.25))
        self.tables = [table_of(rng, vowel_harmonics(vowel, self.pitch_hz, rate)) for vowel in self.vowels_hz]


def vowel_harmonics(formants_hz: list[float], pitch_hz: float, rate: int) -> Values:
    """Harmonic amplitudes of a vowel at a pitch, shape (n_harmonics,)."""
    n_harmonics = int(min(0.42 * rate, 7000.0) / (1.4 * pitch_hz))
    hz = pitch_hz * np.arange(1, n_harmonics + 1)
    sizes = np.ones(n_harmonics)
    for centre in formants_hz:
        width = 50.0 + 0.04 * centre
        sizes *= centre**2 / np.sqrt((centre**2 - hz**2) ** 2 + (width * hz) ** 2)
    sizes *= hz**-1.0
    return np.asarray(sizes / np.sqrt(np.square(sizes).sum()))


def _turns(rng: np.random.Generator, speaker: Speaker, n_samples: int, rate: int) -> Values:
    """Pitch periods passed, with a falling or rising tune and a little shake."""
    start, stop = rng.normal(1.0, 0.12, 2)
    tune = np.linspace(start, stop, n_samples)
    shake = 1.0 + 0.01 * np.sin(2.0 * np.pi * rng.uniform(3.0, 7.0) * np.arange(n_samples) / rate)
    return np.asarray(np.cumsum(speaker.pitch_hz * np.clip(tune, 0.6, 1.4) * shake) / rate)


def _arc(rng: np.random.Generator, n_samples: int, rate: int) -> Sound:
    """Loudness of a syllable."""
    length = n_samples / rate
    rise, fall = rng.uniform(0.1, 0.3), rng.uniform(0.3, 0.6)
    times = np.array([0.0, rise * length, (1.0 - fall) * length, length])
    return envelope(times, np.array([0.0, 1.0, rng.uniform(0.5, 1.0), 0.0]), n_samples=n_samples, rate=rate)


def sung_syllable(rng: np.random.Generator, speaker: Speaker, n_samples: int, rate: int) -> Sound:
    """A vowel gliding into another, read from tables of harmonics."""
    first, second = rng.integers(0, len(speaker.tables), 2)
    turns = _turns(rng, speaker, n_samples, rate)
    blend = np.linspace(0.0, 1.0, n_samples, dtype=np.float32)
    voiced = turn(speaker.tables[first], turns) * (1.0 - blend) + turn(speaker.tables[second], turns) * blend
    breath = white(rng, n_samples) * np.float32(speaker.rasp * 0.3)
    return np.asarray((voiced + breath) * _arc(rng, n_samples, rate))


def murmur_syllable(rng: np.random.Generator, speaker: Speaker, n_samples: int, rate: int) -> Sound:
    """Unvoiced or half voiced: noise with the formants of a vowel."""
    formants = speaker.vowels_hz[int(rng.integers(len(speaker.vowels_hz)))]
    hz = np.array([60.0, *(f * g for f in formants for g in (0.85, 1.0, 1.15)), 9000.0])
    db = np.array([-20.0, *([-8.0, 0.0, -8.0] * 2), *([-16.0, -6.0, -16.0] * 2), -30.0])
    order = np.argsort(hz)
    taps = response_of(hz[order], db[order], rate=rate, n_taps=512)
    sound = convolve(white(rng, n_samples), taps)[:n_samples] * np.float32(4.0)
    pulse = np.maximum(np.sin(2.0 * np.pi * _turns(rng, speaker, n_samples, rate)), 0.0).astype(np.float32)
    return sound * (np.float32(0.3) + pulse) * _arc(rng, n_samples, rate)


def pulsed_syllable(rng: np.random.Generator, speaker: Speaker, n_samples: int, rate: int) -> Sound:
    """Glottal pulses through resonators in a row: a model of speech that training does not use."""
    turns = _turns(rng, speaker, n_samples, rate)
    open_share = rng.uniform(0.4, 0.7)
    phase = (turns % 1.0) / open_share
    flow = np.where(phase < 1.0, phase**2 * (1.0 - phase), 0.0)
    sound = np.diff(flow, prepend=0.0) + speaker.rasp * 0.01 * rng.standard_normal(n_samples)
    for centre in speaker.vowels_hz[int(rng.integers(len(speaker.vowels_hz)))]:
        if centre > 0.45 * rate:
            continue
        radius = np.exp(-np.pi * (60.0 + 0.05 * centre) / rate)
        angle = 2.0 * np.pi * centre / rate
        feedback = [1.0, -2.0 * radius * np.cos(angle), radius**2]
        sound = lfilter([sum(feedback)], feedback, sound)
    sound = sound / (np.sqrt(np.mean(np.square(sound))) + 1e-12)
    return np.asarray(sound, np.float32) * _arc(rng, n_samples, rate)


SYLLABLES: dict[str, Syllable] = {
    "sung table": sung_syllable,
    "murmur": murmur_syllable,
    "filtered pulses": pulsed_syllable,
}


def _hiss(rng: np.random.Generator, rate: int) -> Sound:
    """A consonant: a short burst of high noise."""
    n_samples = int(rng.uniform(0.02, 0.16) * rate)
    centre = min(draw_log(rng, (1800.0, 8000.0)), 0.4 * rate)
    hz = np.array([60.0, 0.6 * centre, centre, 1.5 * centre])
    taps = response_of(hz, np.array([-40.0, -15.0, 0.0, -10.0]), rate=rate, n_taps=256)
    level = np.float32(rng.uniform(0.2, 0.8))
    return convolve(white(rng, n_samples), taps)[:n_samples] * level * _arc(rng, n_samples, rate)


def talk_sound(
    rng: np.random.Generator, recipe: str, speaker: Speaker, *, n_samples: int, rate: int
) -> Sound:
    """Phrases with pauses, shape (n_samples,); about power 1 while a syllable sounds.

    The recipe "spoken" has words by a speech synthesiser, or sung syllables where none is installed.
    """
    if recipe == "spoken":
        if can_speak():
            return spoken_sound(rng, n_samples=n_samples, rate=rate)
        recipe = "sung table"
    made = np.zeros(n_samples, np.float32)
    at = int(rng.uniform(0.0, 0.5) * rate)
    left = int(rng.integers(3, 16))
    while at < n_samples:
        if rng.random() < 0.45:
            hiss = _hiss(rng, rate)
            add_at(made, hiss, at)
            at += int(0.7 * hiss.size)
        length = int(rng.uniform(0.07, 0.32) * rate)
        loud = np.float32(10.0 ** (rng.normal(0.0, 4.0) / 20.0))
        add_at(made, SYLLABLES[recipe](rng, speaker, length, rate) * loud, at)
        at += int(length * rng.uniform(0.8, 1.3))
        left -= 1
        if left == 0:
            at += int(draw_log(rng, (0.2, 3.0)) * rate)
            left = int(rng.integers(3, 16))
    return made
