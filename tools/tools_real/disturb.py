"""What is done to a take: talk, spray, codecs, level control."""

import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, firwin2, oaconvolve, sosfilt, sosfiltfilt

from listen.synth.speech import spoken_sound
from tools_real.pieces import Sound, Take, renamed

HEARD_HZ = (300.0, 8000.0)  # levels are compared in this band
AIR_S = 2.0  # of air, to compare with
CODINGS = {  # arguments of the encoder, ending of the file, rate of what is heard
    "Opus 16 kbit/s": (["-c:a", "libopus", "-b:a", "16k"], "opus", 48000),
    "Opus for voices 12 kbit/s": (["-c:a", "libopus", "-b:a", "12k", "-application", "voip"], "opus", 48000),
    "AAC 48 kbit/s": (["-c:a", "aac", "-b:a", "48k"], "m4a", None),
    "AAC 32 kbit/s at 22 kHz": (["-ar", "22050", "-c:a", "aac", "-b:a", "32k"], "m4a", None),
    "MP3 32 kbit/s": (["-c:a", "libmp3lame", "-b:a", "32k"], "mp3", None),
    "8 kHz mu-law": (["-ar", "8000", "-c:a", "pcm_mulaw"], "wav", None),
}
CONTROLS = {
    "slow level control": "dynaudnorm=f=500:g=15:m=20",
    "fast level control": "acompressor=threshold=0.02:ratio=8:attack=10:release=400:makeup=6",
}


def coded(take: Take, name: str) -> Take:
    """The take through an encoder and back."""
    arguments, ending, rate = CODINGS[name]
    return renamed(take, name, *_through(take, ["-i", "{in}", *arguments], ending, rate))


def level_controlled(take: Take, name: str) -> Take:
    """The take as a recorder with level control gives it."""
    arguments = ["-i", "{in}", "-af", CONTROLS[name], "-c:a", "pcm_s16le"]
    return renamed(take, name, *_through(take, arguments, "wav", None))


def with_other_microphone(rng: np.random.Generator, take: Take) -> Take:
    """The take by a microphone and a place with another response: up to some 12 dB up and down."""
    at_hz = np.geomspace(50.0, 20000.0, 16)
    gains_db = np.clip(rng.normal(0.0, 5.0, at_hz.size), -12.0, 12.0)
    grid_hz = np.linspace(0.0, 0.5 * take.rate, 513)
    gains = 10.0 ** (np.interp(np.log(grid_hz + 1.0), np.log(at_hz), gains_db) / 20.0)
    heard = oaconvolve(take.samples, firwin2(1025, grid_hz, gains, fs=take.rate), mode="same")
    return renamed(take, "other microphone", 0.5 * heard / np.abs(heard).max())


def _through(take: Take, arguments: list[str], ending: str, rate: int | None) -> tuple[Sound, int]:
    with tempfile.TemporaryDirectory() as folder:
        before, coded_as, after = (str(Path(folder) / name) for name in ("a.wav", f"b.{ending}", "c.wav"))
        soundfile.write(before, np.clip(take.samples, -1.0, 1.0), take.rate, subtype="PCM_16")
        told = [before if word == "{in}" else word for word in arguments]
        quietly = ["ffmpeg", "-v", "error", "-y"]
        subprocess.run([*quietly, *told, coded_as], check=True)
        subprocess.run([*quietly, "-i", coded_as, *(["-ar", str(rate)] if rate else []), after], check=True)
        samples, heard_rate = soundfile.read(after)
    return samples, heard_rate


def with_talk(rng: np.random.Generator, take: Take, level_db: float) -> Take:
    """Somebody speaks beside the microphone, so much over the air."""
    talk = spoken_sound(rng, n_samples=take.samples.size, rate=take.rate)
    gain = _air_level(take) * 10.0 ** (level_db / 20.0)
    return renamed(take, f"talk {level_db:+g} dB", take.samples + talk * gain)


def with_spray(rng: np.random.Generator, take: Take, level_db: float, *, from_s: float | None = None) -> Take:
    """Coolant sprays, so much over the air; from some time on, or all the time."""
    spray = _spray(rng, take.samples.size, take.rate)
    gain = _air_level(take) / _level(spray, take.rate) * 10.0 ** (level_db / 20.0)
    if from_s is not None:
        gain = gain * np.clip((np.arange(spray.size) / take.rate - from_s) / 0.3, 0.0, 1.0)
    what = f"spray {level_db:+g} dB" + ("" if from_s is None else " coming on")
    return renamed(take, what, take.samples + spray * gain)


def _spray(rng: np.random.Generator, n_samples: int, rate: int) -> Sound:
    """Hissing noise whose loudness wanders a little."""
    low, high = rng.uniform(200.0, 1500.0), min(rng.uniform(5000.0, 14000.0), 0.45 * rate)
    noise = sosfilt(butter(1, low, "high", fs=rate, output="sos"), rng.standard_normal(n_samples))
    noise = sosfilt(butter(1, high, fs=rate, output="sos"), noise)
    grid = np.arange(0, n_samples + rate, rate // 8)
    return noise * (1.0 + 0.15 * np.interp(np.arange(n_samples), grid, rng.standard_normal(grid.size)))


def _air_level(take: Take) -> float:
    """Of the first seconds of air; a recording may begin just before a contact, or in it."""
    in_air = np.ones(take.samples.size, dtype=bool)
    for start_s, stop_s in take.contacts:
        in_air[round(start_s * take.rate) : round(stop_s * take.rate)] = False
    first = np.flatnonzero(in_air)[: round(AIR_S * take.rate)]
    return _rms(_in_band(take.samples, take.rate)[first])


def _level(sound: Sound, rate: int) -> float:
    return _rms(_in_band(sound, rate))


def _in_band(sound: Sound, rate: int) -> Sound:
    """What of it counts."""
    high = min(HEARD_HZ[1], 0.45 * rate)
    return sosfiltfilt(butter(3, [HEARD_HZ[0], high], "band", fs=rate, output="sos"), sound)


def _rms(sound: Sound) -> float:
    return float(np.sqrt(np.mean(np.square(sound))))
