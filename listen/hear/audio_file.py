"""Sound files as blocks: WAV, FLAC, Ogg and MP3."""

import os
import struct
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from listen.blocks import Block
from listen.errors import InputError, RecordingError
from listen.hear.other_files import why_no_sound

LEAST_RATE = 8000
SOUND_SUFFIXES = (".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3")
_QUIET = threading.Lock()
_OPEN_ENDED = (0, 0xFFFFFFFF)  # sizes that a writer leaves when it cannot go back to fill them in


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundInfo:
    """What a sound file says of itself.

    Attributes
    ----------
    rate : int
        Sample rate [Hz].
    n_samples : int
        Length of each channel [samples].
    channels : int
    duration_s : float
        ``n_samples / rate`` [s].
    """

    rate: int
    n_samples: int
    channels: int
    duration_s: float


def sound_info(path: Path) -> SoundInfo:
    """Rate, length and channels of a sound file, refused where it cannot be listened to.

    Raises
    ------
    RecordingError
        If there is no such file, it is empty, no sound file, cut short, or its rate is
        below 8000 Hz.
    """
    with _open(path) as file:
        _refuse_if_cut_short(path, file)
        return SoundInfo(
            rate=file.samplerate,
            n_samples=file.frames,
            channels=file.channels,
            duration_s=file.frames / file.samplerate,
        )


def read_blocks(path: Path, *, block_samples: int, channel: int | None = None) -> Iterator[Block]:
    """Read a sound file block by block; only one block is in memory.

    Parameters
    ----------
    path : Path
    block_samples : int
        Length of each block but the last [samples], at least 1.
    channel : int | None
        Which channel, counted from 1; None takes the mean of all channels.

    Yields
    ------
    Block
        Consecutive blocks from sample 0.

    Raises
    ------
    InputError
        If `block_samples` is below 1 or the file has no such channel.
    RecordingError
        As `sound_info`, and if a sample is not finite: the message names its place.
    """
    if not block_samples >= 1:
        raise InputError(f"block_samples must be at least 1, got {block_samples}")
    info = sound_info(path)
    if channel is not None and not 1 <= channel <= info.channels:
        raise InputError(f"{path.name} has channels 1 to {info.channels}, asked for channel {channel}")
    return _blocks(path, block_samples, channel)


def _blocks(path: Path, block_samples: int, channel: int | None) -> Iterator[Block]:
    start = 0
    with _open(path) as file:
        read = _whole_reader(file) if file.format == "MP3" else _reader(file)
        while True:
            try:
                samples = read(block_samples)
            except soundfile.LibsndfileError as error:
                raise RecordingError(f"{path.name} cannot be read past sample {start}: {error}") from None
            if not len(samples):
                break
            is_mean = channel is None and samples.shape[1] > 1
            mono = samples.mean(axis=1) if is_mean else samples[:, (channel or 1) - 1]
            _refuse_if_not_finite(path, mono, start, file.samplerate)
            yield Block(samples=np.ascontiguousarray(mono), start=start, rate=file.samplerate)
            start += len(mono)


def _reader(file: Any) -> Callable[[int], NDArray[np.float64]]:
    def read(n_samples: int) -> NDArray[np.float64]:
        samples: NDArray[np.float64] = file.read(n_samples, dtype="float64", always_2d=True)
        return samples

    return read


def _whole_reader(file: Any) -> Callable[[int], NDArray[np.float64]]:
    """Reader of MP3: decoded in one call, because the library seeks after every read.

    A seek in MP3 loses the bits that a frame borrows from those before it, and the sound
    then comes back shifted and broken. 16 bits keep 30 min of mono at 48 kHz in 173 MB.
    """
    with quiet(Path(file.name)):
        whole = file.read(dtype="int16", always_2d=True)
    place = 0

    def read(n_samples: int) -> NDArray[np.float64]:
        nonlocal place
        piece: NDArray[np.float64] = whole[place : place + n_samples] / 32768.0
        place += len(piece)
        return piece

    return read


@contextmanager
def quiet(path: Path) -> Iterator[None]:
    """Keeps the MP3 library's own notes off standard error: what matters of them is an error of ours.

    One at a time, since each puts back what it found there.
    """
    if path.suffix.lower() != ".mp3" or sys.stderr is None:
        yield
        return
    with _QUIET:
        sys.stderr.flush()
        kept = os.dup(2)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


def _open(path: Path) -> Any:
    if not path.is_file():
        raise RecordingError(f"{path} is not there or is no file; check the name and the folder")
    try:
        if path.stat().st_size == 0:
            raise RecordingError(
                f"{path.name} is empty (0 bytes); was the recording stopped before it began?"
            )
        with quiet(path):
            file = soundfile.SoundFile(path)
    except soundfile.LibsndfileError:
        _refuse_if_rate_is_zero(path)
        raise RecordingError(why_no_sound(path)) from None
    except OSError as error:
        raise RecordingError(f"{path.name} cannot be opened: {error.strerror}") from None
    _refuse_rate(path, file.samplerate)
    if file.frames == 0:
        raise RecordingError(f"{path.name} holds no sound (0 samples); was the recording stopped at once?")
    return file


def _refuse_rate(path: Path, rate: int) -> None:
    if not rate >= LEAST_RATE:
        raise RecordingError(
            f"{path.name} has a sample rate of {rate} Hz, at least {LEAST_RATE} Hz is needed; "
            f"record again with a higher rate"
        )


def _refuse_if_rate_is_zero(path: Path) -> None:
    """Name the rate where a WAV header says 0 Hz, which the library only calls malformed."""
    with path.open("rb") as file:
        head = file.read(44)
    if head[:4] == b"RIFF" and head[12:16] == b"fmt " and len(head) >= 28:
        (rate,) = struct.unpack("<I", head[24:28])
        if rate < LEAST_RATE:
            _refuse_rate(path, rate)


def _refuse_if_cut_short(path: Path, file: Any) -> None:
    if file.format in ("WAV", "WAVEX"):
        with path.open("rb") as raw:
            missing = _missing_wav_bytes(raw, path.stat().st_size)
        if missing > 0:
            raise RecordingError(
                f"{path.name} is cut short: its header promises {missing} bytes more than are there; "
                f"copy it again, or repair the header to keep what there is"
            )
        return
    if file.format != "FLAC":
        return  # Ogg and MP3 are streams: what is there is whole
    try:
        file.seek(file.frames - 1)
        n_read = len(file.read(1))
    except soundfile.LibsndfileError:
        n_read = 0
    if n_read != 1:
        raise RecordingError(
            f"{path.name} is cut short: its header promises {file.frames} samples and the last is missing; "
            f"copy it again"
        )


def _missing_wav_bytes(raw: BinaryIO, size: int) -> int:
    """How many bytes of its data chunk a RIFF file lacks; 0 where it is whole or open-ended."""
    if raw.read(4) != b"RIFF":
        return 0
    raw.seek(12)
    while len(header := raw.read(8)) == 8:
        name, length = struct.unpack("<4sI", header)
        if name == b"data":
            return 0 if length in _OPEN_ENDED else max(0, raw.tell() + int(length) - size)
        raw.seek(length + length % 2, 1)
    return 0


def _refuse_if_not_finite(path: Path, samples: NDArray[np.float64], start: int, rate: int) -> None:
    bad = np.flatnonzero(~np.isfinite(samples))
    if bad.size:
        place = start + int(bad[0])
        raise RecordingError(
            f"{path.name}: sample {place} ({place / rate:.3f} s) is {samples[bad[0]]}; "
            f"sound must be finite; was it written by a program with a fault?"
        )
