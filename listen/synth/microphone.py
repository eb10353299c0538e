"""From sound pressure to the samples that arrive: response, level control, clipping, codec, dropouts."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.signal import lfilter

from listen.synth.ranges import Ranges
from listen.synth.sound import Sound, Values, control_hop, convolve, draw_log, upsample, white
from listen.synth.stored import STORED, coarseness

CUTOFFS_HZ = (3400.0, 3900.0, 5200.0, 7000.0, 7800.0, 10000.0, 10900.0, 12000.0, 14500.0, 15800.0, 18000.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Microphone:
    """How sound is picked up, carried and stored.

    Attributes
    ----------
    shape_hz, shape_db : ndarray, shape (n_points,)
        Frequency response, cut-off included.
    cutoff_hz : float
        Above this nothing is carried.
    level_db : float
        Level of the reference air in the stored sound [dB re full scale].
    ratio : float
        Of the level control: 0 leaves levels as they are, 1 makes them all alike.
    attack_s, release_s : float
    limits_over_db : float
        A limiter that only turns down what is this much louder than the beginning; -inf for a control
        that works at all levels.
    clip : float
        Where it clips, in full scales of the converter; soft where `soft`.
    codec : str
        "" or a recipe.
    codec_step : float
        Step of the codec's quantiser over the root mean square of each band.
    floor_db : float
        The microphone's own noise [dB re full scale].
    dropouts_per_s : float
    """

    shape_hz: Values
    shape_db: Values
    cutoff_hz: float
    level_db: float
    ratio: float
    attack_s: float
    release_s: float
    limits_over_db: float
    soft: bool
    codec: str
    codec_step: float
    floor_db: float
    dropouts_per_s: float
    bits: int
    starts_silent_s: float
    overdriven: bool


Codec = Callable[[np.random.Generator, Sound, Microphone, int], Sound]


def draw_microphone(rng: np.random.Generator, ranges: Ranges, rate: int) -> Microphone:
    """A random microphone, from a good one to a telephone."""
    cutoff = float(rng.choice(CUTOFFS_HZ)) if rng.random() < 0.6 else 0.5 * rate
    cutoff = min(cutoff * float(rng.uniform(0.97, 1.03)), 0.5 * rate)
    knots = np.array([30.0, 60.0, 120.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0])
    levels = rng.standard_normal(knots.size) * rng.uniform(0.5, 4.0)
    levels += np.log2(knots / 1000.0) * rng.uniform(-1.5, 1.5)
    low_cut = draw_log(rng, (30.0, 350.0))
    levels -= 12.0 * np.maximum(np.log2(low_cut / knots), 0.0)
    controlled = rng.random() < 0.5
    return Microphone(
        shape_hz=knots,
        shape_db=levels,
        cutoff_hz=cutoff,
        level_db=float(rng.uniform(-58.0, -18.0)),
        ratio=float(rng.uniform(0.2, 0.95)) if controlled else 0.0,
        attack_s=draw_log(rng, (0.003, 0.3)),
        release_s=draw_log(rng, (0.08, 6.0)),
        limits_over_db=float(rng.uniform(-3.0, 15.0)) if rng.random() < 0.4 else -np.inf,
        soft=bool(rng.random() < 0.5),
        codec=str(rng.choice(ranges.codec)) if rng.random() < 0.55 else "",
        codec_step=draw_log(rng, (0.15, 2.2)),
        floor_db=float(rng.uniform(-95.0, -60.0)),
        dropouts_per_s=draw_log(rng, (0.01, 0.5)) if rng.random() < 0.06 else 0.0,
        bits=int(rng.choice([16, 24, 12], p=[0.7, 0.2, 0.1])),
        overdriven=bool(rng.random() < 0.15),
        starts_silent_s=draw_log(rng, (0.005, 0.08)) if rng.random() < 0.25 else 0.0,
    )


def microphone_response(microphone: Microphone, rate: int, n_taps: int = 4096) -> Sound:
    """Linear-phase response without delay to speak of (it is taken out), shape (n_taps,)."""
    hz = np.maximum(np.fft.rfftfreq(n_taps, 1.0 / rate), 1.0)
    db = np.interp(np.log(hz), np.log(microphone.shape_hz), microphone.shape_db)
    db -= 90.0 * np.clip((hz - microphone.cutoff_hz) / 120.0, 0.0, 1.0)
    taps = np.fft.irfft(10.0 ** (db / 20.0))
    return np.asarray(np.roll(taps, n_taps // 2) * np.hanning(n_taps), np.float32)


def pick_up(rng: np.random.Generator, microphone: Microphone, sound: Sound, rate: int) -> Sound:
    """The samples that arrive, shape (n_samples,); the reference air has power 1 in `sound`."""
    taps = microphone_response(microphone, rate)
    half = taps.size // 2
    own = white(rng, sound.size) * np.float32(10.0 ** ((microphone.floor_db - microphone.level_db) / 20.0))
    made = convolve(sound + own, taps)[half : half + sound.size]
    made *= np.float32(10.0 ** (microphone.level_db / 20.0))
    if not microphone.overdriven:  # set up so that the loudest, single knocks apart, just fits
        made *= np.float32(min(1.0, 0.7 / (float(np.quantile(np.abs(made[::37]), 0.998)) + 1e-6)))
    if microphone.ratio > 0.0:
        made *= control_gain(made, microphone, rate)
    made = saturate(made, soft=microphone.soft)
    if microphone.codec:
        made = CODECS[microphone.codec](rng, made, microphone, rate)
    steps = np.float32(2.0 ** (microphone.bits - 1))
    rounded = np.round(np.clip(made, -1.0, 1.0) * steps) / steps
    return drop_out(rng, np.asarray(rounded, np.float32), microphone, rate)


def control_gain(sound: Sound, microphone: Microphone, rate: int) -> Sound:
    """Gain of the level control, which follows the level in steps of 5 ms, shape (n_samples,)."""
    hop = 5 * control_hop(rate)
    n_steps = -(-sound.size // hop)
    padded = np.pad(sound, (0, n_steps * hop - sound.size))
    power = np.mean(np.square(padded.reshape(n_steps, hop)), axis=1)
    level = (10.0 * np.log10(power + 1e-10)).tolist()
    rise = 1.0 - float(np.exp(-hop / rate / microphone.attack_s))
    fall = 1.0 - float(np.exp(-hop / rate / microphone.release_s))
    followed, now = [], sum(level[:40]) / max(1, len(level[:40]))
    for value in level:
        now += (rise if value > now else fall) * (value - now)
        followed.append(now)
    course = np.array([followed[0] if followed else 0.0, *followed])
    if microphone.limits_over_db > -np.inf:
        gain_db = -microphone.ratio * np.maximum(course - course[0] - microphone.limits_over_db, 0.0)
    else:
        gain_db = microphone.ratio * (-24.0 - course)
    return upsample(10.0 ** (np.clip(gain_db, -30.0, 40.0) / 20.0), hop, sound.size)


def saturate(sound: Sound, *, soft: bool) -> Sound:
    """Keep within full scale: bent softly, or cut off."""
    if float(np.abs(sound).max(initial=0.0)) < 0.5:
        return sound
    return np.tanh(sound) if soft else np.clip(sound, -1.0, 1.0)


def _bands(n_bins: int, rate: int, n_fft: int) -> list[int]:
    """First bins of the codec's bands, ever wider with frequency."""
    edges = [0]
    while edges[-1] < n_bins:
        hz = edges[-1] * rate / n_fft
        edges.append(edges[-1] + max(3, int((80.0 + 0.16 * hz) * n_fft / rate)))
    return edges[:-1]


def _frames(sound: Sound, size: int) -> tuple[Sound, Sound]:
    """Half-overlapping frames under a sine window, shape (n_frames, size), and the window."""
    hop = size // 2
    n_frames = -(-sound.size // hop) + 1
    padded = np.pad(sound, (hop, n_frames * hop + hop - sound.size - hop))
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size).astype(np.float32)
    view = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    return view * window, window


def _overlap(frames: Sound, window: Sound, n_samples: int) -> Sound:
    hop = window.size // 2
    frames = frames * window
    made = np.zeros((frames.shape[0] + 1) * hop, np.float32)
    made[:-hop] += frames[:, :hop].ravel()
    made[hop:] += frames[:, hop:].ravel()
    return made[hop : hop + n_samples]


def band_codec(rng: np.random.Generator, sound: Sound, microphone: Microphone, rate: int) -> Sound:
    """Each band of a short spectrum rounded to steps of its own level; what is small becomes silence."""
    frames, window = _frames(sound, 1024)
    spectra = fft.rfft(frames, axis=1)
    starts = _bands(spectra.shape[1], rate, 1024)
    parts = spectra.view(np.float32).reshape(*spectra.shape, 2)
    power = np.add.reduceat(np.square(parts).sum(axis=2), starts, axis=1)
    counts = np.diff([*starts, spectra.shape[1]]).astype(np.float32)
    loudest = power.max(axis=1, keepdims=True)
    step = np.sqrt(power / counts + loudest * np.float32(1e-6)) * np.float32(microphone.codec_step) + 1e-6
    steps = np.repeat(step, counts.astype(int), axis=1)[:, :, None]
    rounded = (np.round(parts / steps) * steps).astype(np.float32)
    return _overlap(fft.irfft(rounded.view(np.complex64)[..., 0], axis=1), window, sound.size)


def hole_codec(rng: np.random.Generator, sound: Sound, microphone: Microphone, rate: int) -> Sound:
    """Voice-codec like: whole bands fall silent at random where they are weak beside the loudest."""
    frames, window = _frames(sound, 1024)
    spectra = fft.rfft(frames, axis=1)
    starts = _bands(spectra.shape[1], rate, 1024)
    power = np.add.reduceat(np.square(np.abs(spectra)), starts, axis=1)
    counts = np.diff([*starts, spectra.shape[1]])
    level = power / counts.astype(np.float32)
    limit = level.max(axis=1, keepdims=True) * np.float32(10.0 ** (-6.0 + 2.0 * microphone.codec_step))
    chance = np.exp(rng.standard_normal(level.shape, dtype=np.float32) * np.float32(1.2))
    kept = (level * chance > limit).astype(np.float32) * np.float32(0.97) + np.float32(0.03)
    return _overlap(fft.irfft(spectra * np.repeat(kept, counts, axis=1), axis=1), window, sound.size)


def suppressing_codec(rng: np.random.Generator, sound: Sound, microphone: Microphone, rate: int) -> Sound:
    """A telephone's noise suppressor before a voice codec: what stays on for seconds is turned down."""
    frames, window = _frames(sound, 1024)
    spectra = fft.rfft(frames, axis=1)
    starts = _bands(spectra.shape[1], rate, 1024)
    counts = np.diff([*starts, spectra.shape[1]])
    power = np.add.reduceat(np.square(np.abs(spectra)), starts, axis=1) + np.float32(1e-12)
    keep = float(np.exp(-512.0 / rate / draw_log(rng, (0.5, 8.0))))
    steady = lfilter([1.0 - keep], [1.0, -keep], power, axis=0, zi=keep * power[:20].mean(axis=0)[None])[0]
    now = lfilter([0.4], [1.0, -0.6], power, axis=0, zi=0.6 * power[:1])[0]
    least = 10.0 ** (-float(rng.uniform(4.0, 14.0)) / 20.0)
    gain = np.clip(1.0 - float(rng.uniform(0.5, 1.0)) * steady / now, least, 1.0).astype(np.float32)
    made = _overlap(fft.irfft(spectra * np.repeat(gain, counts, axis=1), axis=1), window, sound.size)
    return hole_codec(rng, made, microphone, rate)


def cosine_codec(rng: np.random.Generator, sound: Sound, microphone: Microphone, rate: int) -> Sound:
    """Coarse rounding of a cosine transform's coefficients on a grid that follows a smooth spectrum."""
    frames, window = _frames(sound, 2048)
    values = fft.dct(frames, type=4, axis=1, norm="ortho")
    smooth = np.sqrt(fft.irfft(fft.rfft(np.square(values), axis=1)[:, :24], n=2048, axis=1).clip(1e-12))
    step = smooth * np.float32(microphone.codec_step) + np.float32(1e-6)
    return _overlap(fft.dct(np.round(values / step) * step, type=4, axis=1, norm="ortho"), window, sound.size)


def stored_codec(name: str) -> Codec:
    """One of the codecs of `stored`, as coarse as the microphone's step says."""

    def store(rng: np.random.Generator, sound: Sound, microphone: Microphone, rate: int) -> Sound:
        return STORED[name](sound, rate, coarseness(microphone.codec_step))

    return store


def twice_codec(rng: np.random.Generator, sound: Sound, microphone: Microphone, rate: int) -> Sound:
    """One lossy codec after another, as when a recording is sent on."""
    first, second = rng.choice(TWICE, 2, replace=False)
    return CODECS[second](rng, CODECS[first](rng, sound, microphone, rate), microphone, rate)


TWICE = ("bands", "holes", "vorbis", "opus", "mp3")
CODECS: dict[str, Codec] = {
    "bands": band_codec,
    "holes": hole_codec,
    "suppressing": suppressing_codec,
    "cosine": cosine_codec,
    **{name: stored_codec(name) for name in STORED},
    "twice": twice_codec,
}


def drop_out(rng: np.random.Generator, sound: Sound, microphone: Microphone, rate: int) -> Sound:
    """Short losses, filled with silence or with what came before; and the silence of a starting recorder."""
    for _ in range(int(rng.poisson(microphone.dropouts_per_s * sound.size / rate))):
        length = int(draw_log(rng, (0.004, 0.2)) * rate)
        start = int(rng.integers(max(1, sound.size - length)))
        before = sound[max(0, start - length) : start]
        patch = before if rng.random() < 0.4 and before.size == length else np.zeros(length, np.float32)
        sound[start : start + length] = patch[: sound[start : start + length].size]
    sound[: int(microphone.starts_silent_s * rate)] = 0.0
    return sound
