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
STALL_S = 0.6  # nothing arrives for this long: the microphone is gone; a busy computer holds it up for less
HOPE_S = 1.0  # what gave sound and fell silent is given up after this long
RETRY_S = 0.7  # while it is gone, another attempt is made this often, beside those that still wait
ATTEMPTS = 3  # at one time
OVERFLOW = "the computer was too slow for a moment and sound was lost"
UNPLUGGED = "the microphone gives no sound: unplugged, switched off, or taken by another program"
NOT_FINITE = "the microphone gave values that are no numbers"


class Microphone:
    """Blocks of one channel, and gaps where there was no sound; the stream begins with the first sound.

    A process of its own listens (`capture`), so that a dead device can be dropped. Whether sound is
    missing is read from that process's clock alone: a moment in which this one was busy is no gap.

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
        self._rate = rate
        self._ears = [_Ear(self._arguments)]
        problem = self._ears[0].wait_until_open()
        if problem:
            self.close()
            name = "the microphone" if device is None else f"microphone {device!r}"
            raise DeviceError(
                f"{name} cannot be opened at {rate} Hz, channel {channel}: {problem}; "
                f"`cut-listen devices` lists what there is"
            )
        self._placing: Placing | None = None
        self._gone = True
        self._tried_s = time.monotonic()

    @property
    def listening(self) -> bool:
        """False while nothing arrives, before the first sound too."""
        return not self._gone

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        """What arrived, waiting at most `timeout_s` for the first of it; what is together is one block."""
        pieces = self._ears[0].waiting(timeout_s)
        if pieces and not self._ears[0].ended:
            self._keep(self._ears[0])
        elif not pieces and self._gone:
            pieces = self._from_another()
        return self._placed(pieces) if pieces else self._nothing()

    def close(self) -> None:
        """Stop listening."""
        for ear in self._ears:
            ear.end()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _placed(self, pieces: list[Piece]) -> tuple[Block | Gap, ...]:
        if self._placing is None:
            now_s, raw, _, _ = pieces[0]
            self._placing = Placing(rate=self._rate, began_s=now_s - raw.size / self._rate)
            self._gone = False
        made: list[Block | Gap] = []
        together: list[NDArray[np.float64]] = []
        when = pieces[0][0]
        for now_s, raw, dropped, overflow in pieces:
            samples = raw.astype(np.float64)
            finite = bool(np.isfinite(samples).all())
            if self._gone or overflow or dropped or not finite:
                made += _place(self._placing, together, when)
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
        return (*made, *_place(self._placing, together, when))

    def _nothing(self) -> tuple[Gap, ...]:
        ear = self._ears[0]
        if ear.silent_s < STALL_S:
            return ()
        self._gone = True
        self._try_again()
        return () if self._placing is None else self._placing.silent(now_s=ear.known_s, reason=UNPLUGGED)

    def _from_another(self) -> list[Piece]:
        """The first sound of whichever attempt has some; the others are ended."""
        for ear in self._ears[1:]:
            if pieces := ear.waiting(0.0):
                self._keep(ear)
                return pieces
        return []

    def _keep(self, ear: "_Ear") -> None:
        """End all others: what they go on hearing would pile up, and be taken for new at the next gap."""
        for other in self._ears:
            if other is not ear:
                other.end()
        self._ears = [ear]

    def _try_again(self) -> None:
        """End what has had its time, all but the one whose clock is read, and begin another attempt."""
        now_s = time.monotonic()
        for ear in [ear for ear in self._ears if ear.is_useless(now_s)]:
            ear.end()
            if ear is not self._ears[0]:
                self._ears.remove(ear)
        n_waiting = sum(not ear.ended for ear in self._ears)
        most = 1 if self._placing is None else ATTEMPTS
        if n_waiting < most and now_s >= self._tried_s + RETRY_S:
            self._ears.append(_Ear(self._arguments))
            self._tried_s = now_s


def _place(placing: Placing, pieces: list[NDArray[np.float64]], now_s: float) -> tuple[Block | Gap, ...]:
    whole = pieces[0] if len(pieces) == 1 else np.concatenate(pieces or [np.empty(0)])
    return placing.arrived(whole, now_s=now_s) if whole.size else ()


class _Ear:
    """The listening process, and the thread that takes in what it writes."""

    def __init__(self, arguments: tuple[str, str, str]) -> None:
        self._pieces: queue.SimpleQueue[Piece] = queue.SimpleQueue()
        self._opened = threading.Event()
        self._began_s = self._sound_s = self._word_s = time.monotonic()
        self._waited_s = 0.0  # for a word, by whoever reads: time in which that one was busy does not count
        self._has_sounded = False
        self.ended = False
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
                if not self._opened.is_set():
                    self._sound_s = piece[0]
                    self._opened.set()
                self._pieces.put(piece)
        except ValueError:
            return  # the pipe was closed under the thread: the process was ended

    @property
    def known_s(self) -> float:
        """Up to when it is known what came [clock, s]."""
        return time.monotonic() if self.ended else self._word_s + self._waited_s

    @property
    def silent_s(self) -> float:
        """For how long no sound came, as far as is known [s]."""
        return self.known_s - self._sound_s

    def wait_until_open(self) -> str:
        """Why it did not open, "" where it did."""
        while not self._opened.wait(0.02):
            if self._process.poll() is not None:
                assert self._process.stderr is not None
                lines = self._process.stderr.read().decode(errors="replace").strip().splitlines()
                return lines[-1] if lines else "no reason given"
            if time.monotonic() > self._began_s + OPEN_S:
                return f"it did not open within {OPEN_S:.0f} s"
        return ""

    def waiting(self, timeout_s: float) -> list[Piece]:
        """All sound that is there, after waiting for the first word of any kind."""
        try:
            pieces = [self._pieces.get(timeout=timeout_s) if timeout_s > 0.0 else self._pieces.get_nowait()]
        except queue.Empty:
            self._waited_s += timeout_s
            return []
        while not self._pieces.empty():
            pieces.append(self._pieces.get_nowait())
        self._word_s, self._waited_s = pieces[-1][0], 0.0
        sounding = [piece for piece in pieces if piece[1].size]
        if sounding:
            self._sound_s, self._has_sounded = sounding[-1][0], True
        return sounding

    def is_useless(self, now_s: float) -> bool:
        """Whether it has ended, or had its time to give sound."""
        if self._process.poll() is not None:
            return True
        if not self._opened.is_set():
            return now_s - self._began_s > OPEN_S
        return now_s - self._sound_s > (HOPE_S if self._has_sounded else FIRST_S)

    def end(self) -> None:
        """End the process, whatever state it is in."""
        if self.ended:
            return
        self.ended = True
        self._process.kill()
        self._process.wait()
        self._reader.join(1.0)
        for pipe in (self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()
