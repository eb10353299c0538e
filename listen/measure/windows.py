"""Cut a stream of blocks into overlapping windows, whatever the block sizes."""

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError


class Windows:
    """Gives every whole window of the sound pushed so far, each exactly once.

    Parameters
    ----------
    length, hop : int
        Size of a window and step between windows [samples]. The sound before the first
        sample counts as silence, so that the first window ends one hop into the stream.
    """

    def __init__(self, *, length: int, hop: int) -> None:
        if not 1 <= hop <= length:
            raise InputError(f"windows need 1 <= hop <= length, got hop {hop} and length {length}")
        self.length = length
        self.hop = hop
        self._rest: NDArray[np.float64] = np.zeros(length - hop)

    def push(self, samples: NDArray[np.float64]) -> NDArray[np.float64]:
        """Take the next samples; give the windows that they complete.

        Returns
        -------
        ndarray, shape (n_windows, length)
            A read-only view; copy what must be kept.
        """
        waiting = np.concatenate([self._rest, samples])
        n_windows = max(0, (waiting.size - self.length) // self.hop + 1)
        self._rest = waiting[n_windows * self.hop :]
        if n_windows == 0:
            return np.empty((0, self.length))
        every = np.lib.stride_tricks.sliding_window_view(waiting, self.length)
        return every[:: self.hop][:n_windows]
