"""Is this microphone fit to listen with? Level, clipping, hum, level control, spindle, knock.

Conventions
-----------
Levels are RMS in dB re full scale (±1). The limits are common practice, no source, but where named.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.hear.flat_tops import clipped_share

FLOOR_DB = -120.0
SILENT_DB = -90.0
QUIET_DB = -60.0
FRAME_S = 0.02
HEARD_DB = 6.0  # a spindle that lifts the level by less is hard to tell from the room
KNOCK_DB = 20.0
CONTROL_DB = 4.0  # how far the background sinks after a knock where the gain was turned down


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """Something about the microphone, and what to do about it.

    Attributes
    ----------
    kind : str
        "silence", "too quiet", "clipping", "mains hum", "level control", "spindle not heard",
        "knock not heard".
    text, remedy : str
        One sentence each.
    """

    kind: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCheck:
    """Figures of a few seconds of sound.

    Attributes
    ----------
    level_db, peak_db : float
        RMS and greatest magnitude [dB re full scale].
    clipped_share : float
        Share of samples in flat tops [0 to 1].
    hum_db : float
        Power of mains lines (50 or 60 Hz and harmonics) over all else [dB].
    hum_hz : int
        50 or 60.
    remarks : tuple of Remark
        Empty where nothing stands in the way.
    """

    level_db: float
    peak_db: float
    clipped_share: float
    hum_db: float
    hum_hz: int
    remarks: tuple[Remark, ...]


def check_level(samples: NDArray[np.float64], *, rate: int, is_quiet: bool = False) -> LevelCheck:
    """Look over a few seconds of sound, at least half a second.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Mono audio, full scale = ±1. Not changed.
    rate : int
        [Hz]
    is_quiet : bool
        The machine stands still: little sound is as it should be.
    """
    _refuse_short(samples, rate, 0.5)
    level, peak = level_db(samples), _db(float(np.max(np.abs(samples))) ** 2)
    clipped = clipped_share(samples)
    hum_hz, hum = mains_hum(samples, rate=rate)
    found = [
        _silence(level) if level < SILENT_DB else None,
        _quiet(level) if SILENT_DB <= level < QUIET_DB and not is_quiet else None,
        _clipping(clipped) if clipped > 1e-4 else None,
        _hum(hum_hz, hum) if hum > 0.0 and level >= SILENT_DB else None,
        _control() if gain_was_turned_down(samples, rate=rate) else None,
    ]
    return LevelCheck(
        level_db=level,
        peak_db=peak,
        clipped_share=clipped,
        hum_db=hum,
        hum_hz=hum_hz,
        remarks=tuple(remark for remark in found if remark is not None),
    )


def check_spindle(
    off: NDArray[np.float64], on: NDArray[np.float64], *, rate: int
) -> tuple[float, Remark | None]:
    """How far the running spindle lifts the level between 300 and 8000 Hz [dB], and what to do if little."""
    for samples in (off, on):
        _refuse_short(samples, rate, 0.5)
    rise = _band_db(on, rate) - _band_db(off, rate)
    if rise >= HEARD_DB:
        return rise, None
    return rise, Remark(
        kind="spindle not heard",
        text=f"The running spindle is only {rise:.0f} dB above the room, "
        f"{HEARD_DB:.0f} dB or more is wanted.",
        remedy="Move the microphone nearer to the spindle, outside the guard, or fix a contact pickup "
        "to the frame or the fixed guard.",
    )


def check_knock(samples: NDArray[np.float64], *, rate: int) -> tuple[float, Remark | None]:
    """How far a knuckle knock on the table stands out [dB], and what to do if it does not.

    Only with the spindle stopped.
    """
    frames = _frames_db(samples, rate)
    knock = float(frames.max() - np.median(frames))
    if knock >= KNOCK_DB:
        return knock, None
    return knock, Remark(
        kind="knock not heard",
        text=f"A knock on the table is only {knock:.0f} dB above the room, "
        f"{KNOCK_DB:.0f} dB or more is wanted.",
        remedy="Put the microphone where table and work are heard, not only the room; "
        "a contact pickup hears best.",
    )


def level_db(samples: NDArray[np.float64]) -> float:
    """RMS level [dB re full scale]; a full-scale sine is -3.01 dB.

    References
    ----------
    AES17 takes a full-scale sine as 0 dBFS; here full scale is the value 1.

    Examples
    --------
    >>> round(level_db(np.array([1.0, -1.0])), 2)
    0.0
    """
    return _db(float(np.mean(np.square(samples))))


def mains_hum(samples: NDArray[np.float64], *, rate: int) -> tuple[int, float]:
    """Mains frequency that fits better [Hz], and power of its lines over all else above 20 Hz [dB]."""
    window = np.hanning(samples.size)
    power = np.square(np.abs(np.fft.rfft(samples * window)))
    frequency = np.fft.rfftfreq(samples.size, 1.0 / rate)
    width = max(1.0, 3.0 * rate / samples.size)
    best = (50, FLOOR_DB)
    for mains in (50, 60):
        lines = np.zeros(power.size, dtype=bool)
        for harmonic in range(1, 9):
            lines |= np.abs(frequency - harmonic * mains) <= width
        rest = float(power[(frequency > 20.0) & ~lines].sum())
        hum = 10.0 * np.log10(max(float(power[lines].sum()), 1e-30) / max(rest, 1e-30))
        if hum > best[1]:
            best = (mains, float(hum))
    return best


def gain_was_turned_down(samples: NDArray[np.float64], *, rate: int) -> bool:
    """Whether the background sinks after a loud moment and comes back: an automatic level control."""
    frames = _frames_db(samples, rate)
    loudest = int(frames.argmax())
    before = frames[max(0, loudest - 25) : max(0, loudest - 2)]
    just_after = frames[loudest + 3 : loudest + 13]
    later = frames[loudest + 75 : loudest + 150]
    if before.size < 10 or just_after.size < 10 or later.size < 10:
        return False
    if frames[loudest] - np.median(before) < KNOCK_DB:
        return False
    sunk = float(np.median(before) - np.median(just_after))
    back = float(np.median(later) - np.median(just_after))
    return sunk >= CONTROL_DB and back >= CONTROL_DB / 2


def _silence(level: float) -> Remark:
    return Remark(
        kind="silence",
        text=f"There is no sound at all ({level:.0f} dB).",
        remedy="Is the microphone switched on, plugged in, chosen, and not muted in the computer's settings?",
    )


def _quiet(level: float) -> Remark:
    return Remark(
        kind="too quiet",
        text=f"The sound is very quiet ({level:.0f} dB).",
        remedy="Turn up the microphone's gain, or put it nearer to the machine, outside the guard.",
    )


def _clipping(share: float) -> Remark:
    return Remark(
        kind="clipping",
        text=f"The sound is cut off at its peaks ({100 * share:.2f} % of it).",
        remedy="Turn down the microphone's gain until the loudest cut stays below full scale.",
    )


def _hum(mains: int, hum: float) -> Remark:
    return Remark(
        kind="mains hum",
        text=f"Hum of the mains ({mains} Hz) is {hum:.0f} dB over all else.",
        remedy="Keep the microphone's cable away from mains and drive cables; try the laptop on its battery.",
    )


def _control() -> Remark:
    return Remark(
        kind="level control",
        text="The background sank after a loud sound and came back: an automatic level control is on.",
        remedy="Switch off automatic gain and noise suppression in the settings of the microphone.",
    )


def _db(power: float) -> float:
    return max(FLOOR_DB, 10.0 * float(np.log10(max(power, 1e-30))))


def _frames_db(samples: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    _refuse_short(samples, rate, 0.5)
    size = round(FRAME_S * rate)
    frames = samples[: samples.size // size * size].reshape(-1, size)
    power = np.mean(np.square(frames), axis=1)
    levels: NDArray[np.float64] = 10.0 * np.log10(np.maximum(power, 10.0 ** (FLOOR_DB / 10.0)))
    return levels


def _band_db(samples: NDArray[np.float64], rate: int) -> float:
    spectrum = np.square(np.abs(np.fft.rfft(samples)))
    frequency = np.fft.rfftfreq(samples.size, 1.0 / rate)
    inside = (frequency >= 300.0) & (frequency <= 8000.0)
    return _db(2.0 * float(spectrum[inside].sum()) / samples.size**2)


def _refuse_short(samples: NDArray[np.float64], rate: int, least_s: float) -> None:
    if samples.size < least_s * rate:
        raise InputError(
            f"a level check needs {least_s} s of sound, got {samples.size / rate:.2f} s; listen for longer"
        )
    if not np.isfinite(samples).all():
        raise InputError("a level check needs finite sound, got NaN or infinity")
