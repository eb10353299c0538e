"""Sound to disk as it comes, so that a killed process or a full disk costs less than a second.

Conventions
-----------
Ogg/Opus is small and lossy, and at any moment all but the last third of a second is in the file:
for live. Ogg/Vorbis is as small and three times as quick to make: for a recording that exists anyway;
of a long one only what lies below 12 kHz, for half of the time to make it goes into what lies above.
FLAC (16 bits) is exact for a 16-bit source and takes any rate; its header is brought up to date with
each piece, so that the file opens at any moment.
"""

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError, RecordingError

OPUS_RATES = (8000, 12000, 16000, 24000, 48000)
LONG_S = 600.0  # from here on a recording is long
PIECE_S = 0.2  # written to the encoder in pieces of this length
_PAGE_LATENCY_COMMAND = 0x1302  # libsndfile: SFC_SET_OGG_PAGE_LATENCY_MS
_PAGE_LATENCY_MS = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Form:
    """How a sound file is written; `level` as the encoder counts it, None for its own."""

    name: str
    container: str
    coding: str
    level: float | None
    most_rate: int | None = None  # sound of a higher rate is brought down to it [Hz]


_FORMS = {
    "opus": _Form(name="sound.ogg", container="OGG", coding="OPUS", level=0.83),  # about 48 kbit/s
    "vorbis": _Form(name="sound.ogg", container="OGG", coding="VORBIS", level=0.97, most_rate=32000),
    "long vorbis": _Form(name="sound.ogg", container="OGG", coding="VORBIS", level=0.7, most_rate=24000),
    "flac": _Form(name="sound.flac", container="FLAC", coding="PCM_16", level=None),
}
SOUNDS = (*_FORMS, "none")


class DiskFile:
    """A plain file for the encoder that remembers the first failure instead of losing it.

    Errors raised inside the encoder's callbacks would only be printed; here they are kept in
    `problem` and the piece counts as not written.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("w+b", buffering=0)
        self.problem: OSError | None = None

    def write(self, data: bytes) -> int:
        """Write all of `data`; fewer bytes are returned only after a failure."""
        done = 0
        view = memoryview(data)
        try:
            while done < len(view):
                done += self._file.write(view[done:]) or 0
        except OSError as error:
            self.problem = self.problem or error
        return done

    def write_at(self, place: int, data: bytes) -> None:
        """Overwrite bytes in the middle without moving the end."""
        try:
            os.pwrite(self._file.fileno(), data, place)
        except OSError as error:
            self.problem = self.problem or error

    def read(self, size: int = -1) -> bytes:
        """Bytes from the present place."""
        return self._file.read(size) or b""

    def seek(self, offset: int, whence: int = 0) -> int:
        """Move the present place."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """The present place."""
        return self._file.tell()

    def fileno(self) -> int:
        """The descriptor, for fsync."""
        return self._file.fileno()

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class SoundWriter(Protocol):
    """What takes the samples of a run."""

    name: str
    rate: int

    @property
    def problem(self) -> OSError | None:
        """The first failure of the disk, None while all is well."""
        ...

    def push(self, samples: NDArray[np.float64]) -> None:
        """Take the next samples."""
        ...

    def fileno(self) -> int:
        """The descriptor of the file, for fsync."""
        ...

    def close(self) -> None:
        """Write what is waiting and close."""
        ...


class EncodedSound:
    """One mono sound file, written piece by piece.

    Parameters
    ----------
    folder : Path
        Where the file goes: ``sound.ogg`` or ``sound.flac``.
    sound : str
        "opus", "vorbis", "long vorbis" or "flac".
    rate : int
        Rate of what is pushed [Hz]. Opus knows five rates; others are resampled to 48000 Hz.
        Vorbis is kept at 32000 Hz at most, of a long recording at 24000 Hz.
    """

    def __init__(self, folder: Path, *, sound: str, rate: int) -> None:
        import soundfile

        form = _FORMS[sound]
        self.name = form.name
        self.rate = _kept_rate(sound, rate)
        self._resampler = None if self.rate == rate else _resampler(rate, self.rate)
        self._piece = max(1, round(PIECE_S * self.rate))
        self._rest = np.empty(0)
        self._written = 0
        self._flac = sound == "flac"
        self._file = DiskFile(folder / self.name)
        try:
            self._encoder = soundfile.SoundFile(
                self._file,
                "w",
                samplerate=self.rate,
                channels=1,
                format=form.container,
                subtype=form.coding,
                compression_level=form.level,
            )
        except soundfile.LibsndfileError as error:
            self._file.close()
            raise RecordingError(f"sound at {rate} Hz cannot be recorded as {sound}: {error}") from None
        if sound == "opus":
            _shorten_pages(self._encoder)

    @property
    def problem(self) -> OSError | None:
        """The first failure of the disk, None while all is well."""
        return self._file.problem

    def push(self, samples: NDArray[np.float64]) -> None:
        """Take the next samples, shape (n_samples,), full scale ±1."""
        if self.problem is not None:
            return
        if self._resampler is not None:
            samples = self._resampler.resample_chunk(samples)
        waiting = np.concatenate([self._rest, samples])
        whole = waiting.size // self._piece * self._piece
        for start in range(0, whole, self._piece * 10):
            self._write(waiting[start : min(start + self._piece * 10, whole)])
        self._rest = waiting[whole:]

    def fileno(self) -> int:
        """The descriptor of the file."""
        return self._file.fileno()

    def close(self) -> None:
        """Write what is waiting and close the file."""
        import soundfile

        if self._resampler is not None and self.problem is None:
            last = self._resampler.resample_chunk(np.empty(0), last=True)
            self._rest = np.concatenate([self._rest, last])
        if self._rest.size:
            self._write(self._rest)
        try:
            self._encoder.close()
        except soundfile.LibsndfileError as error:
            self._file.problem = self._file.problem or OSError(str(error))
        if self._file.problem is not None:
            self._say_length()  # closing wrote the length that was meant, not the one that fitted
        self._file.close()

    def _write(self, piece: NDArray[np.float64]) -> None:
        import soundfile

        if self.problem is not None:
            return
        try:
            self._encoder.write(_sixteen_bits(piece) if self._flac else np.clip(piece, -1.0, 1.0))
        except soundfile.LibsndfileError as error:
            self._file.problem = self._file.problem or OSError(str(error))
            return
        except AssertionError:  # soundfile's own, for a piece that was written in part
            if self._file.problem is None:
                raise
            return
        if self._flac:
            self._encoder.flush()
        if self._file.problem is None:
            self._written += piece.size
            self._say_length()

    def _say_length(self) -> None:
        """Bring the number of samples in the header up to date (RFC 9639, section 8.2)."""
        certain = max(0, self._written // 4096 - 1) * 4096  # what the encoder has let go of
        if certain and self._flac:
            self._file.write_at(22, certain.to_bytes(8, "big")[4:])
            high = certain >> 32 & 0x0F
            self._file.write_at(21, bytes([0xF0 | high]))  # low nibble: length; high: 16 bits


class NoSound:
    """Takes the samples and keeps none: the person chose not to record sound."""

    name = ""

    def __init__(self, *, rate: int) -> None:
        self.rate = rate

    @property
    def problem(self) -> OSError | None:
        """Nothing is written, so nothing fails."""
        return None

    def push(self, samples: NDArray[np.float64]) -> None:
        """Forget the samples."""

    def fileno(self) -> int:
        """No file: -1."""
        return -1

    def close(self) -> None:
        """Nothing to close."""


class CopiedSound(NoSound):
    """The file that is listened to, copied: it is small already, and coding it again would harm it."""

    name = "sound.ogg"

    def __init__(self, folder: Path, *, copy_of: Path, rate: int) -> None:
        super().__init__(rate=rate)
        shutil.copyfile(copy_of, folder / self.name)


def open_sound(folder: Path, *, sound: str, rate: int, copy_of: Path | None = None) -> SoundWriter:
    """A writer for what the person chose to keep.

    Parameters
    ----------
    sound : str
        A word of `SOUNDS`.
    copy_of : Path | None
        The recording that is listened to; small sound is copied from it where it is small already.
    """
    if sound not in SOUNDS:
        raise InputError(f"sound must be one of {', '.join(SOUNDS)}; got {sound!r}")
    if sound == "none":
        return NoSound(rate=rate)
    if copy_of is not None and sound != "flac" and is_small(copy_of):
        return CopiedSound(folder, copy_of=copy_of, rate=rate)
    return EncodedSound(folder, sound=sound, rate=rate)


def is_small(path: Path) -> bool:
    """Whether a recording is one channel of Ogg/Opus or Ogg/Vorbis, as runs keep it."""
    import soundfile

    with path.open("rb") as file:
        if file.read(4) != b"OggS":  # as every Ogg page begins (RFC 3533, section 6)
            return False
    try:
        return int(soundfile.info(path).channels) == 1
    except soundfile.LibsndfileError:
        return False


def read_sound(path: Path, *, block_samples: int) -> Iterator[NDArray[np.float64]]:
    """The samples of a recorded file in blocks of at most `block_samples`.

    Raises
    ------
    RecordingError
        If the file cannot be read as sound.
    """
    import soundfile

    try:
        with soundfile.SoundFile(path) as file:
            while (block := file.read(block_samples, dtype="float64", always_2d=True)).size:
                yield block[:, 0]
    except soundfile.LibsndfileError as error:
        raise RecordingError(f"{path} must be a sound file, cannot be read: {error}") from None


def read_stretch(path: Path, *, from_s: float, to_s: float) -> NDArray[np.float64]:
    """The samples between two seconds of a recorded file, shorter where the file ends before.

    Raises
    ------
    RecordingError
        If the file cannot be read as sound.
    """
    import soundfile

    try:
        with soundfile.SoundFile(path) as file:
            start = min(max(0, round(from_s * file.samplerate)), file.frames)
            stop = min(max(start, round(to_s * file.samplerate)), file.frames)
            file.seek(start)
            samples: NDArray[np.float64] = file.read(stop - start, dtype="float64", always_2d=True)[:, 0]
            return samples
    except soundfile.LibsndfileError as error:
        raise RecordingError(f"{path} must be a sound file, cannot be read: {error}") from None


def sound_length(path: Path) -> tuple[int, int]:
    """Length [samples] and rate [Hz] of a recorded file."""
    import soundfile

    try:
        with soundfile.SoundFile(path) as file:
            return int(file.frames), int(file.samplerate)
    except soundfile.LibsndfileError as error:
        raise RecordingError(f"{path} must be a sound file, cannot be read: {error}") from None


def _kept_rate(sound: str, rate: int) -> int:
    most = _FORMS[sound].most_rate
    if most is not None:
        return min(rate, most)
    return rate if sound == "flac" or rate in OPUS_RATES else 48000


def _sixteen_bits(samples: NDArray[np.float64]) -> NDArray[np.int16]:
    """Samples as FLAC keeps them; a multiple of 1/32768 comes back exactly."""
    return np.clip(np.rint(samples * 32768.0), -32768, 32767).astype(np.int16)


def _resampler(rate: int, to: int):  # type: ignore[no-untyped-def]
    import soxr

    return soxr.ResampleStream(rate, to, 1, dtype="float64")


def _shorten_pages(encoder: object) -> None:
    """Ask for short Ogg pages; without, the last second would still sit in memory."""
    import soundfile

    library, ffi = soundfile._snd, soundfile._ffi
    value = ffi.new("double *", _PAGE_LATENCY_MS)
    library.sf_command(encoder._file, _PAGE_LATENCY_COMMAND, value, ffi.sizeof("double"))  # type: ignore[attr-defined]
