"""Single noises of a shop: knocks, doors, clatter, handling of the microphone, beeps."""

from collections.abc import Callable

import numpy as np

from listen.synth.sound import (
    Sound,
    add_at,
    colour,
    convolve,
    draw_log,
    envelope,
    mode_response,
    noise,
    response_of,
    white,
)

KINDS = ("knock", "door", "clatter", "handling", "beep", "thump", "hammering", "hiss burst")


def modes_knock(rng: np.random.Generator, rate: int) -> Sound:
    """One blow on something that rings, shape (n_samples,), peak about 1."""
    ring = mode_response(
        rng,
        rate=rate,
        n_modes=int(rng.integers(3, 14)),
        span_hz=(draw_log(rng, (80.0, 800.0)), draw_log(rng, (2500.0, 14000.0))),
        damping=(0.004, 0.08),
        tilt_db_per_octave=float(rng.uniform(-9.0, 1.0)),
        direct=draw_log(rng, (0.05, 1.0)),
    )
    return _peak(convolve(white(rng, int(draw_log(rng, (2e-4, 4e-3)) * rate) + 1), ring))


def plate_knock(rng: np.random.Generator, rate: int) -> Sound:
    """A blow on a plate: noise whose high parts die first."""
    length = draw_log(rng, (0.03, 0.4))
    time = np.arange(int(length * rate)) / rate
    sound = np.zeros(time.size, np.float32)
    for low_hz in (150.0, 450.0, 1300.0, 3500.0):
        shape = (np.array([low_hz / 2, low_hz, 2 * low_hz, 4 * low_hz]), np.array([-24.0, 0.0, 0.0, -24.0]))
        part = noise(rng, shape, n_samples=time.size, rate=rate, n_taps=512)
        fall = np.exp(-time * 5.0 / length * (low_hz / 450.0) ** 0.5).astype(np.float32)
        sound += part / (np.sqrt(np.mean(np.square(part))) + np.float32(1e-9)) * fall
    return _peak(sound)


def _peak(sound: Sound) -> Sound:
    return sound / np.float32(np.abs(sound).max(initial=1e-9))


def _one(rng: np.random.Generator, recipes: tuple[str, ...], rate: int) -> Sound:
    return plate_knock(rng, rate) if "plate" in recipes else modes_knock(rng, rate)


def slide(rng: np.random.Generator, recipes: tuple[str, ...], rate: int) -> Sound:
    """A door that rolls and bangs shut."""
    n_samples = int(rng.uniform(0.3, 2.0) * rate)
    shape = colour(rng, tilt_db_per_octave=float(rng.uniform(-6.0, -1.0)), spread_db=5.0)
    roll = noise(rng, shape, n_samples=n_samples, rate=rate, n_taps=512)
    n_points = int(n_samples / rate * 12) + 2
    swell = envelope(
        np.arange(n_points) / 12.0, rng.uniform(0.1, 1.0, n_points), n_samples=n_samples, rate=rate
    )
    bang = _one(rng, recipes, rate) * np.float32(rng.uniform(2.0, 8.0))
    made = np.zeros(n_samples + bang.size, np.float32)
    made[:n_samples] = roll * swell * np.float32(0.4)
    add_at(made, bang, n_samples - int(0.02 * rate))
    return _peak(made)


def clatter(rng: np.random.Generator, recipes: tuple[str, ...], rate: int) -> Sound:
    """A tool change: a row of different knocks, and air let out."""
    made = np.zeros(int(rng.uniform(0.8, 3.0) * rate), np.float32)
    for _ in range(int(rng.integers(3, 12))):
        loud = np.float32(rng.uniform(0.1, 1.0))
        add_at(made, _one(rng, recipes, rate) * loud, int(rng.integers(made.size)))
    if rng.random() < 0.6:
        add_at(made, hiss_burst(rng, recipes, rate) * np.float32(0.15), int(rng.integers(made.size)))
    return _peak(made)


def handling(rng: np.random.Generator, recipes: tuple[str, ...], rate: int) -> Sound:
    """Fingers and cloth on the microphone: dull rumble and scratches."""
    n_samples = int(rng.uniform(0.2, 2.5) * rate)
    shape = (np.array([30.0, 120.0, 600.0, 4000.0]), np.array([0.0, 0.0, -14.0, -30.0]))
    made = noise(rng, shape, n_samples=n_samples, rate=rate)
    n_points = int(n_samples / rate * 25) + 2
    jerks = np.square(rng.standard_normal(n_points)) * (rng.random(n_points) < 0.5)
    made *= envelope(np.arange(n_points) / 25.0, jerks, n_samples=n_samples, rate=rate)
    scratch = np.diff(white(rng, n_samples + 1))
    jerks = np.square(rng.standard_normal(n_points)) * (rng.random(n_points) < 0.3)
    return _peak(
        made
        + scratch
        * envelope(np.arange(n_points) / 25.0, jerks, n_samples=n_samples, rate=rate)
        * np.float32(rng.uniform(0.0, 0.6))
    )


def beep(rng: np.random.Generator, recipes: tuple[str, ...], rate: int) -> Sound:
    """A signal of a control or a lorry: tones in a row, or a sweep where the recipes have a chirp."""
    n_samples = int(rng.uniform(0.06, 0.6) * rate)
    hz = draw_log(rng, (500.0, min(4000.0, 0.4 * rate)))
    end_hz = hz * float(rng.uniform(0.5, 1.6)) if "chirp" in recipes else hz
    sweep = np.cumsum(np.linspace(hz, min(end_hz, 0.45 * rate), n_samples)) / rate
    tone = np.sin(2.0 * np.pi * (sweep % 1.0)).astype(np.float32)
    tone = np.clip(tone * np.float32(rng.uniform(0.8, 4.0)), -1.0, 1.0)
    edge = min(n_samples // 4, rate // 200)
    tone[:edge] *= np.linspace(0.0, 1.0, edge, dtype=np.float32)
    tone[-edge:] *= np.linspace(1.0, 0.0, edge, dtype=np.float32)
    gap = np.zeros(int(rng.uniform(0.05, 0.5) * rate), np.float32)
    return np.concatenate([np.concatenate([tone, gap])] * int(rng.integers(1, 6)))


def hammering(rng: np.random.Generator, recipes: tuple[str, ...], rate: int) -> Sound:
    """The same blow again and again."""
    blow = _one(rng, recipes, rate)
    step = draw_log(rng, (0.06, 0.7))
    made = np.zeros(int(step * rate * rng.integers(3, 15)) + blow.size, np.float32)
    at = 0.0
    while at * rate < made.size:
        add_at(made, blow * np.float32(rng.uniform(0.3, 1.0)), int(at * rate))
        at += step * float(rng.uniform(0.9, 1.1))
    return made


def hiss_burst(rng: np.random.Generator, recipes: tuple[str, ...], rate: int) -> Sound:
    """Compressed air let out."""
    n_samples = int(draw_log(rng, (0.1, 2.0)) * rate)
    shape = colour(rng, tilt_db_per_octave=float(rng.uniform(0.0, 4.0)), spread_db=4.0)
    made = noise(rng, shape, n_samples=n_samples, rate=rate, n_taps=512)
    fall = rng.uniform(0.0, 6.0)
    made *= np.exp(-fall * np.arange(n_samples) / n_samples).astype(np.float32)
    edge = min(n_samples // 2, int(rng.uniform(0.002, 0.05) * rate) + 1)
    made[:edge] *= np.linspace(0.0, 1.0, edge, dtype=np.float32)
    return _peak(made)


def thump(rng: np.random.Generator, recipes: tuple[str, ...], rate: int) -> Sound:
    """A dull blow through the floor or the table."""
    hz = np.array([20.0, 60.0, draw_log(rng, (120.0, 500.0)), 1500.0])
    taps = response_of(hz, np.array([0.0, 0.0, -6.0, -40.0]), rate=rate, n_taps=4096)[1800:]
    return _peak(convolve(white(rng, int(0.01 * rate)), taps))


Bump = Callable[[np.random.Generator, tuple[str, ...], int], Sound]
BUMPS: dict[str, Bump] = {
    "knock": lambda rng, recipes, rate: _one(rng, recipes, rate),
    "door": slide,
    "clatter": clatter,
    "handling": handling,
    "beep": beep,
    "thump": thump,
    "hammering": hammering,
    "hiss burst": hiss_burst,
}
