"""Sound coded and drawn in a thread of its own, while the caller listens on.

Conventions
-----------
One thread owns the encoder; what is pushed comes to it in order. Coding is compiled code that lets
other threads run, so a second core takes it over.
"""

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listen.record.sound import SoundWriter

MOST_WAITING = 4  # blocks, when `push` returns


class Taker(Protocol):
    """What is shown the samples, too."""

    def push(self, samples: NDArray[np.float64]) -> None:
        """Take the next samples."""
        ...


class AsideSound:
    """A sound writer that works in a thread of its own; the file is the same, to the sample.

    Parameters
    ----------
    sound : SoundWriter
        Used by this thread alone until `close` returns.
    also : Taker | None
        Is shown the same samples, by the same thread.
    """

    def __init__(self, sound: SoundWriter, *, also: Taker | None = None) -> None:
        self.name, self.rate = sound.name, sound.rate
        self.problem: OSError | None = None
        self._sound = sound
        self._also = also
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="sound of a run")
        self._waiting: deque[Future[OSError | None]] = deque()

    def push(self, samples: NDArray[np.float64]) -> None:
        """Hand on the next samples, which must not change any more; waits where the thread is behind.

        What an earlier block raised is raised here, at most `MOST_WAITING` blocks later; a failure of
        the disk is in `problem` by then.
        """
        self._waiting.append(self._thread.submit(self._take, samples))
        if len(self._waiting) > MOST_WAITING:
            self._take_up()

    def fileno(self) -> int:
        """The descriptor of the file."""
        return self._sound.fileno()

    def close(self) -> None:
        """Let the thread finish what waits, end it, and close the file, whatever was raised."""
        try:
            while self._waiting:
                self._take_up()
        finally:
            self._thread.shutdown()
            self._sound.close()
            self.problem = self._sound.problem

    def _take_up(self) -> None:
        """Wait for the first block that is on its way; where it raised, what was not begun is dropped."""
        try:
            self.problem = self._waiting.popleft().result()
        except BaseException:
            for later in self._waiting:
                later.cancel()
            self._waiting.clear()
            raise

    def _take(self, samples: NDArray[np.float64]) -> OSError | None:
        self._sound.push(samples)
        if self._also is not None:
            self._also.push(samples)
        return self._sound.problem
