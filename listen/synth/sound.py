"""Building blocks of sound: noise of a given colour, echoing modes, envelopes, levels.

Conventions
-----------
Inside the synthesiser sound is float32, mono, on an arbitrary scale; a power is a mean square.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.signal import oaconvolve

from listen.synth.kernels import read_turns

Sound = NDArray[np.float32]
Values = NDArray[np.float64]
BAND_HZ = (300.0, 8000.0)
TABLE = 2048  # points of a one-revolution table


def gain_of(level_db: float) -> float:
    """Amplitude factor of a level difference."""
    return float(10.0 ** (level_db / 20.0))


def draw_log(rng: np.random.Generator, span: tuple[float, float]) -> float:
    """A number from `span`, evenly on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(span[0]), np.log(span[1]))))


def draw_from(rng: np.random.Generator, spans: tuple[tuple[float, float], ...]) -> float:
    """A number from one of several spans, evenly on a logarithmic scale over all of them."""
    widths = np.array([np.log(high / low) for low, high in spans])
    return draw_log(rng, spans[int(rng.choice(len(spans), p=widths / widths.sum()))])


def white(rng: np.random.Generator, n_samples: int) -> Sound:
    """Gaussian noise of power 1, shape (n_samples,)."""
    return rng.standard_normal(n_samples, dtype=np.float32)


def convolve(sound: Sound, response: Sound) -> Sound:
    """The sound through a response, with its tail, shape (n_samples + n_taps - 1,)."""
    if sound.size == 0:
        return sound
    return np.asarray(oaconvolve(sound, response), dtype=np.float32)


def upsample(coarse: Values, hop: int, n_samples: int) -> Sound:
    """Straight lines between control values `hop` samples apart, shape (n_samples,)."""
    n_needed = -(-n_samples // hop) + 1
    values = np.pad(coarse, (0, max(0, n_needed - coarse.size)), mode="edge")[:n_needed].astype(np.float32)
    steps = np.arange(hop, dtype=np.float32) / np.float32(hop)
    lines = values[:-1, None] + np.diff(values)[:, None] * steps
    return lines.ravel()[:n_samples]


def control_hop(rate: int) -> int:
    """Samples between control values, about a millisecond."""
    return max(1, rate // 1000)


def envelope(times_s: Values, values: Values, *, n_samples: int, rate: int) -> Sound:
    """Straight lines through (time, value) points, shape (n_samples,)."""
    hop = control_hop(rate)
    grid = np.arange(-(-n_samples // hop) + 1) * (hop / rate)
    return upsample(np.interp(grid, times_s, values), hop, n_samples)


def wander_db(
    rng: np.random.Generator, *, n_samples: int, rate: int, per_s: float, spread_db: float
) -> Sound:
    """A gain that drifts by `spread_db` about `per_s` times a second, shape (n_samples,)."""
    n_points = int(n_samples / rate * per_s) + 3
    times: Values = (np.arange(n_points, dtype=np.float64) - rng.random()) / per_s
    gains = np.exp(rng.standard_normal(n_points) * (spread_db * np.log(10.0) / 20.0))
    return envelope(times, gains, n_samples=n_samples, rate=rate)


def response_of(shape_hz: Values, shape_db: Values, *, rate: int, n_taps: int = 2048) -> Sound:
    """Linear-phase response with the given levels, straight lines over log frequency, shape (n_taps,)."""
    grid = np.maximum(np.fft.rfftfreq(n_taps, 1.0 / rate), 1.0)
    gains = 10.0 ** (np.interp(np.log(grid), np.log(shape_hz), shape_db) / 20.0)
    taps = np.fft.irfft(gains)
    return (np.roll(taps, n_taps // 2) * np.hanning(n_taps)).astype(np.float32)


def colour(
    rng: np.random.Generator, *, tilt_db_per_octave: float, spread_db: float, centre_hz: float = 1000.0
) -> tuple[Values, Values]:
    """A random spectrum shape over half octaves: a tilt plus a random walk, (hz, db)."""
    hz = 40.0 * 2.0 ** (np.arange(19) / 2.0)
    walk = np.cumsum(rng.standard_normal(hz.size)) * spread_db / 3.0
    walk += rng.standard_normal(hz.size) * spread_db / 3.0
    return hz, tilt_db_per_octave * np.log2(hz / centre_hz) + walk - walk.mean()


def noise(
    rng: np.random.Generator, shape: tuple[Values, Values], *, n_samples: int, rate: int, n_taps: int = 2048
) -> Sound:
    """Steady noise of a given colour with power 1 in `BAND_HZ`, shape (n_samples,)."""
    taps = response_of(*shape, rate=rate, n_taps=n_taps)
    made = convolve(white(rng, n_samples + n_taps), taps)[n_taps : n_taps + n_samples]
    return made / np.float32(np.sqrt(response_power(taps, rate)))


def response_power(taps: Sound, rate: int) -> float:
    """Power that white noise of power 1 has in `BAND_HZ` behind the response."""
    power = np.abs(fft.rfft(taps.astype(np.float64))) ** 2
    hz = np.arange(power.size) * rate / taps.size
    inside = (hz >= BAND_HZ[0]) & (hz < BAND_HZ[1])
    return float(power[inside].sum() / power.size) + 1e-30


def band_power(sound: Sound, *, rate: int, high_hz: float = BAND_HZ[1]) -> float:
    """Power of a stretch between 300 Hz and `high_hz`; at most its middle four seconds are used."""
    most = 4 * rate
    middle = max(0, (sound.size - most) // 2)
    part = sound[middle : middle + most]
    if part.size == 0:
        return 0.0
    n_fft = int(fft.next_fast_len(part.size, real=True))
    power = np.square(np.abs(fft.rfft(part, n_fft)), dtype=np.float64)
    low = int(np.ceil(BAND_HZ[0] * n_fft / rate))
    high = int(np.ceil(min(high_hz, rate / 2) * n_fft / rate))
    return float(2.0 * power[low:high].sum() / n_fft / part.size)


def mode_response(
    rng: np.random.Generator,
    *,
    rate: int,
    n_modes: int,
    span_hz: tuple[float, float],
    damping: tuple[float, float],
    tilt_db_per_octave: float,
    direct: float,
) -> Sound:
    """Sum of ringing modes with random frequencies, phases and strengths, shape (n_taps,)."""
    high = min(span_hz[1], 0.46 * rate)
    hz = np.exp(rng.uniform(np.log(span_hz[0]), np.log(high), n_modes))
    ratio = np.exp(rng.uniform(np.log(damping[0]), np.log(damping[1]), n_modes))
    decay_s = np.minimum(1.0 / (2.0 * np.pi * hz * ratio), 0.08)
    tilt = tilt_db_per_octave * np.log2(hz / 1000.0)
    strength = 10.0 ** ((rng.standard_normal(n_modes) * 6.0 + tilt) / 20.0) * hz / rate
    n_taps = int(min(0.25, 6.0 * decay_s.max()) * rate) + 1
    time = np.arange(n_taps) / rate
    phase = rng.uniform(0.0, 2.0 * np.pi, n_modes)
    taps = np.zeros(n_taps)
    for f, d, a, p in zip(hz, decay_s, strength, phase, strict=True):
        n = min(n_taps, int(7.0 * d * rate) + 1)
        taps[:n] += a * np.exp(-time[:n] / d) * np.sin(2.0 * np.pi * f * time[:n] + p)
    taps[0] += direct * np.sqrt(np.square(taps).sum())
    return np.asarray(taps / np.sqrt(np.square(taps).sum()), np.float32)


def echo_response(rng: np.random.Generator, *, rate: int, decay_s: float, wet: float, low_hz: float) -> Sound:
    """A direct sound and a decaying diffuse tail (time for 60 dB = `decay_s`), shape (n_taps,)."""
    n_taps = int(min(decay_s, 0.7) * rate) + 2
    tail = white(rng, n_taps) * np.exp(-6.9 * np.arange(n_taps) / (decay_s * rate)).astype(np.float32)
    tail[1:] = (tail[1:] + tail[:-1]) * np.float32(0.5)  # the far field is duller
    spread = np.clip(np.arange(n_taps) / (0.004 * rate), 0.0, 1.0).astype(np.float32)
    tail *= spread * np.float32(wet / np.sqrt(np.square(tail * spread).sum() + 1e-20))
    tail[0] += 1.0
    return np.asarray(tail)


def table_of(rng: np.random.Generator, amplitudes: Values) -> Sound:
    """One turn of a periodic sound with the given harmonics in random phase, shape (TABLE,)."""
    spectrum = np.zeros(TABLE // 2 + 1, complex)
    n = min(amplitudes.size, TABLE // 2 - 1)
    spectrum[1 : n + 1] = amplitudes[:n] * np.exp(2j * np.pi * rng.random(n)) * TABLE / 2.0
    return np.fft.irfft(spectrum).astype(np.float32)


def turn(table: Sound, turns: Values) -> Sound:
    """The table read at `turns` revolutions, straight lines between points, shape (n_samples,)."""
    read: Sound = read_turns(np.append(table, table[0]), np.asarray(turns, dtype=np.float64))
    return read


def add_at(bus: Sound, part: Sound, start: int) -> None:
    """Add a part into the bus from `start` (may lie partly outside); changes `bus`."""
    low, high = max(start, 0), min(start + part.size, bus.size)
    if high > low:
        bus[low:high] += part[low - start : high - start]
