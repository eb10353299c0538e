"""The microphones of this computer, and a few seconds of one of them for the level check."""

import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block
from listen.errors import DeviceError
from listen.hear.microphone import Microphone

COMMON_RATES = (8000, 16000, 22050, 32000, 44100, 48000, 96000)
BEST_RATE = 48000


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One microphone.

    Attributes
    ----------
    number : int
    name : str
    channels : int
    rates : tuple of int
        Those of `COMMON_RATES` that it takes [Hz].
    is_default : bool
    """

    number: int
    name: str
    channels: int
    rates: tuple[int, ...]
    is_default: bool


def list_devices() -> tuple[Device, ...]:
    """All microphones, as the system lists them.

    Raises
    ------
    DeviceError
        If PortAudio is missing.
    """
    sounddevice = _portaudio()
    default = sounddevice.default.device[0]
    return tuple(
        Device(
            number=int(device["index"]),
            name=str(device["name"]),
            channels=int(device["max_input_channels"]),
            rates=_rates(int(device["index"])),
            is_default=int(device["index"]) == default,
        )
        for device in sounddevice.query_devices()
        if device["max_input_channels"] > 0
    )


def best_rate(device: str | int | None) -> int:
    """48000 Hz where the microphone takes it, else its own rate [Hz].

    Raises
    ------
    DeviceError
        If there is no such microphone.
    """
    sounddevice = _portaudio()
    try:
        found = sounddevice.query_devices(device, "input")
    except (sounddevice.PortAudioError, ValueError) as error:
        name = "a microphone" if device is None else f"microphone {device!r}"
        reason = str(error).split("\n")[0]
        raise DeviceError(
            f"{name} is needed and is not there ({reason}); plug one in, or see what "
            "`cut-listen devices` lists"
        ) from None
    rates = _rates(int(found["index"]))
    return BEST_RATE if BEST_RATE in rates or not rates else int(found["default_samplerate"])


def record(
    *, device: str | int | None, rate: int, duration_s: float, channel: int = 1
) -> NDArray[np.float64]:
    """A few seconds of a microphone, for the level check.

    Returns
    -------
    ndarray, shape (n_samples,)

    Raises
    ------
    DeviceError
        If it cannot be opened or gives nothing.
    """
    pieces: list[NDArray[np.float64]] = []
    wanted = round(duration_s * rate)
    with Microphone(device=device, rate=rate, channel=channel) as microphone:
        until = time.monotonic() + duration_s + 3.0
        while sum(piece.size for piece in pieces) < wanted and time.monotonic() < until:
            pieces += [item.samples for item in microphone.read() if isinstance(item, Block)]
    if not pieces:
        raise DeviceError(f"microphone {device!r} was opened and gave no sound in {duration_s + 3.0:.0f} s")
    return np.concatenate(pieces)[:wanted]


def _rates(number: int) -> tuple[int, ...]:
    sounddevice = _portaudio()
    taken = []
    for rate in COMMON_RATES:
        try:
            sounddevice.check_input_settings(device=number, samplerate=rate, channels=1)
        except (sounddevice.PortAudioError, ValueError):
            continue
        taken.append(rate)
    return tuple(taken)


def _portaudio() -> Any:
    try:
        import sounddevice
    except OSError as error:
        raise DeviceError(f"PortAudio is needed for microphones and is not there: {error}") from None
    return sounddevice
