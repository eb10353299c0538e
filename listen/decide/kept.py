"""The last frames of a run, kept in one place for all who look back at them."""

import numpy as np
from numpy.typing import NDArray

from listen.decide.layout import Layout

LOOKED_BACK = 300  # frames that what is asked for may end before the one that is being judged
AT_ONCE = 100  # frames that may be kept ahead of the one that is being judged


class Kept:
    """Bands and lines of the last frames.

    Parameters
    ----------
    layout : Layout
    hop : int
        Step from frame to frame [samples].
    kept_s : float
        How far back it reaches [s].
    """

    def __init__(self, layout: Layout, *, hop: int, kept_s: float) -> None:
        self._layout = layout
        self._hop = hop
        self._n_bands = layout.bands.stop - layout.bands.start
        self._reach = round(kept_s / layout.hop_s) * hop
        size = self._reach // hop + AT_ONCE + LOOKED_BACK
        self._rows = np.zeros(
            (size, self._n_bands + layout.lines.stop - layout.lines.start), dtype=np.float32
        )
        self.start_anew()

    def start_anew(self) -> None:
        """Forget all, as after a gap."""
        self._n_seen = 0
        self._last_at = 0

    def push(self, at: NDArray[np.int64], values: NDArray[np.float64]) -> None:
        """Keep the next frames, at most `AT_ONCE` of them, some of which may be judged later."""
        first = self._n_seen % len(self._rows)
        fits = len(self._rows) - first
        self._put(first, values[:fits])
        if len(values) > fits:
            self._put(0, values[fits:])
        self._n_seen += len(at)
        self._last_at = int(at[-1]) if len(at) else self._last_at

    def _put(self, first: int, values: NDArray[np.float64]) -> None:
        rows = self._rows[first : first + len(values)]
        rows[:, : self._n_bands] = values[:, self._layout.bands]
        rows[:, self._n_bands :] = values[:, self._layout.lines]

    def bands(self, after: int, until: int) -> NDArray[np.float32]:
        """Levels of the frames in (after, until] [dB], shape (n_frames, n_bands)."""
        return self._rows[self._index(after, until), : self._n_bands]

    def lines(self, after: int, until: int) -> NDArray[np.float32]:
        """Lines of the frames in (after, until], shape (n_frames, n_lines, 3) [Hz, dB, dB over]."""
        rows = self._rows[self._index(after, until), self._n_bands :]
        return rows.reshape(len(rows), rows.shape[1] // 3, 3)

    def _index(self, after: int, until: int) -> NDArray[np.int64]:
        """Places of the frames in the ring, the same whatever was kept ahead."""
        after = max(after, until - self._reach)
        newest = self._n_seen - 1 - max(0, _steps(self._last_at - until, self._hop))
        oldest = self._n_seen - _steps(self._last_at - after, self._hop)
        return np.arange(max(oldest, 0), max(newest + 1, 0)) % len(self._rows)


def _steps(samples: int, hop: int) -> int:
    """Whole steps that reach over so many samples."""
    return -(-samples // hop)
