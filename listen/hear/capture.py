"""The process that talks to PortAudio: one microphone in, its samples out on standard output.

A device that goes away can hang or crash the sound library; in a process of its own it is ended
and begun again, and the run goes on.

Conventions
-----------
Each record is `RECORD` (clock [s], number of samples, samples dropped before it, 1 for an
overflow) and then the samples as float32. A record without samples says that nothing came up to
its time; the first of them, that the microphone is open.
What goes wrong is one line on standard error, and exit code 2.
"""

import queue
import struct
import time
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

RECORD = struct.Struct("<dIIB")
BLOCK_S = 0.06  # shorter ones cost more to hand on than they bring
LATENCY_S = 0.05  # more room was more delay, too
WORD_S = 0.1  # a record is written at least this often
QUEUE_S = 10.0

Piece = tuple[float, NDArray[np.float32], int, bool]
Raw = tuple[float, bytes, int, bool]


class Callback:
    """Copies each block, notes its flags, puts it in a bounded queue; counts what finds no room."""

    def __init__(self, *, size: int) -> None:
        self.pieces: queue.Queue[Raw] = queue.Queue(maxsize=size)
        self._dropped = 0

    def __call__(self, samples: Any, n_samples: int, when: Any, status: Any) -> None:
        """Take one block of all channels from the sound library."""
        piece = (time.monotonic(), bytes(samples), self._dropped, bool(status.input_overflow))
        try:
            self.pieces.put_nowait(piece)
            self._dropped = 0
        except queue.Full:
            self._dropped += n_samples

    def waiting(self) -> list[Raw]:
        """All pieces that are there when the first has come; none where none comes."""
        pieces: list[Raw] = []
        try:
            pieces.append(self.pieces.get(timeout=WORD_S))
            while True:
                pieces.append(self.pieces.get_nowait())
        except queue.Empty:
            return pieces


def joined(pieces: list[Raw]) -> list[Raw]:
    """Pieces between which nothing was lost as one, stamped when its last sample came."""
    made: list[Raw] = []
    for when, raw, dropped, overflow in pieces:
        if made and not (dropped or overflow):
            _, before, lost, over = made.pop()
            made.append((when, before + raw, lost, over))
        else:
            made.append((when, raw, dropped, overflow))
    return made


def capture(device: str | int | None, *, rate: int, channel: int, out: BinaryIO) -> None:
    """Write records until `out` is closed or the device ends."""
    import sounddevice

    callback = Callback(size=round(QUEUE_S / BLOCK_S))
    stream = sounddevice.RawInputStream(
        device=device,
        samplerate=rate,
        channels=channel,
        blocksize=round(BLOCK_S * rate),
        latency=LATENCY_S,
        dtype="float32",
        callback=callback,
    )
    stream.start()
    write_piece(out, nothing())
    while stream.active or not callback.pieces.empty():
        pieces = joined(callback.waiting())
        if not pieces:
            write_piece(out, nothing())
        for when, raw, dropped, overflow in pieces:
            samples = np.frombuffer(raw, dtype=np.float32).reshape(-1, channel)[:, channel - 1]
            write_piece(out, (when, samples, dropped, overflow))
    raise sounddevice.PortAudioError("the device ended the stream")


def nothing() -> Piece:
    """A record that says: until now nothing came."""
    return time.monotonic(), np.empty(0, dtype=np.float32), 0, False


def write_piece(out: BinaryIO, piece: Piece) -> None:
    """Write one record and let it go."""
    when, samples, dropped, overflow = piece
    out.write(RECORD.pack(when, samples.size, dropped, overflow) + samples.tobytes())
    out.flush()


def read_piece(source: BinaryIO) -> Piece | None:
    """The next record, None at the end."""
    head = source.read(RECORD.size)
    if len(head) < RECORD.size:
        return None
    when, n_samples, dropped, overflow = RECORD.unpack(head)
    data = source.read(4 * n_samples)
    if len(data) < 4 * n_samples:
        return None
    return when, np.frombuffer(data, dtype=np.float32), dropped, bool(overflow)
