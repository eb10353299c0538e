"""A microphone as blocks and gaps; when it goes away it comes back by itself."""

import queue
import subprocess
import sys
import threading
import time
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.errors import DeviceError
from listen.hear.capture import Piece, read_piece
from listen.hear.placing import Placing

OPEN_S = 15.0  # a microphone that is not open by then will not be
FIRST_S = 2.5  # from open to the first sound; sound servers may take seconds
STALL_S = 0.4  # nothing arrives for this long: the microphone is gone
RETRY_S = 0.5
OVERFLOW = "the computer was too slow for a moment and sound was lost"
UNPLUGGED = "the microphone gives no sound: unplugged, switched off, or taken by another program"
NOT_FINITE = "the microphone gave values that are no numbers"


class Microphone:
    """Blocks of one channel, and gaps where there was no sound.

    A process of its own listens (`capture`), so that a dead device can be dropped.

    Parameters
    ----------
    device : str | int | None
        Name or number as `devices` lists it; None for the system's own choice.
    rate : int
        Sample rate [Hz], at least 8000.
    channel : int
        Which channel, counted from 1.

    Raises
    ------
    DeviceError
        When the microphone cannot be opened at the start; later that is a gap.
    """

    def __init__(self, *, device: str | int | None, rate: int, channel: int = 1) -> None:
        self._arguments = (("" if device is None else str(device)), str(rate), str(channel))
        self._ear = _Ear(self._arguments)
        problem = self._ear.wait_until_open()
        if problem:
            self._ear.end()
            name = "the microphone" if device is None else f"microphone {device!r}"
            raise DeviceError(
                f"{name} cannot be opened at {rate} Hz, channel {channel}: {problem}; "
                f"`cut-listen devices` lists what there is"
            )
        self._placing = Placing(rate=rate, began_s=time.monotonic())
        self._last_s = time.monotonic()
        self._gone = False
        self._retry_s = self._told_s = 0.0

    @property
    def listening(self) -> bool:
        """False while nothing arrives."""
        return not self._gone

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        """What arrived, waiting at most `timeout_s` for the first of it; what is together is one block."""
        pieces = self._ear.waiting(timeout_s)
        if not pieces:
            return self._nothing()
        self._last_s = time.monotonic()
        return self._placed(pieces)

    def close(self) -> None:
        """Stop listening."""
        self._ear.end()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _placed(self, pieces: list[Piece]) -> tuple[Block | Gap, ...]:
        made: list[Block | Gap] = []
        together: list[NDArray[np.float64]] = []
        when = pieces[0][0]
        for now_s, raw, dropped, overflow in pieces:
            samples = raw.astype(np.float64)
            finite = bool(np.isfinite(samples).all())
            if self._gone or overflow or dropped or not finite:
                made += self._place(together, when)
                together = []
                why = UNPLUGGED if self._gone else OVERFLOW if finite else NOT_FINITE
                n_lost = dropped if dropped and not (overflow or self._gone) else None
                if not finite:
                    samples, n_lost = samples[:0], samples.size
                made += self._placing.arrived(samples, now_s=now_s, lost=why, n_lost=n_lost)
                self._gone = False
            else:
                together.append(samples)
            when = now_s
        return (*made, *self._place(together, when))

    def _place(self, pieces: list[NDArray[np.float64]], now_s: float) -> tuple[Block | Gap, ...]:
        return self._placing.arrived(np.concatenate(pieces), now_s=now_s) if pieces else ()

    def _nothing(self) -> tuple[Gap, ...]:
        now_s = time.monotonic()
        if now_s - self._last_s < STALL_S:
            return ()
        if self._gone and now_s < self._told_s + RETRY_S:
            return ()
        self._gone, self._told_s = True, now_s
        if self._ear.is_useless(now_s) and now_s >= self._retry_s:
            self._ear.end()
            self._ear = _Ear(self._arguments)
            self._retry_s = now_s + RETRY_S
        return self._placing.silent(now_s=now_s, reason=UNPLUGGED)


class _Ear:
    """The listening process, and the thread that takes in what it writes."""

    def __init__(self, arguments: tuple[str, str, str]) -> None:
        self._pieces: queue.SimpleQueue[Piece] = queue.SimpleQueue()
        self._opened = threading.Event()
        self._opened_s = self._last_s = time.monotonic()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "listen.hear", *arguments],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert self._process.stdout is not None
        self._reader = threading.Thread(target=self._take_in, args=(self._process.stdout,), daemon=True)
        self._reader.start()

    def _take_in(self, source: BinaryIO) -> None:
        try:
            while (piece := read_piece(source)) is not None:
                self._last_s = time.monotonic()
                if not self._opened.is_set():
                    self._opened_s = self._last_s
                    self._opened.set()
                if piece[1].size:
                    self._pieces.put(piece)
        except ValueError:
            return  # the pipe was closed under the thread: the process was ended

    def wait_until_open(self) -> str:
        """Why it did not open, "" where it did."""
        until = time.monotonic() + OPEN_S
        while not self._opened.wait(0.02):
            if self._process.poll() is not None:
                assert self._process.stderr is not None
                lines = self._process.stderr.read().decode(errors="replace").strip().splitlines()
                return lines[-1] if lines else "no reason given"
            if time.monotonic() > until:
                return f"it did not open within {OPEN_S:.0f} s"
        return ""

    def waiting(self, timeout_s: float) -> list[Piece]:
        """All pieces that are there, after waiting for the first."""
        pieces: list[Piece] = []
        try:
            pieces.append(self._pieces.get(timeout=timeout_s))
            while True:
                pieces.append(self._pieces.get_nowait())
        except queue.Empty:
            return pieces

    def is_useless(self, now_s: float) -> bool:
        """Whether it has ended, or had its time to give sound."""
        if self._process.poll() is not None:
            return True
        if not self._opened.is_set():
            return now_s - self._opened_s > OPEN_S
        patience = STALL_S if self._last_s > self._opened_s else FIRST_S
        return now_s - self._last_s > patience

    def end(self) -> None:
        """End the process, whatever state it is in."""
        self._process.kill()
        self._process.wait()
        self._reader.join(1.0)
        for pipe in (self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()
