"""The sound of a cut that changed while it went on: louder in several bands at once, for longer than a knock.

Conventions
-----------
A cut is held against itself only: which tool cuts, and how deep, the ear does not know. What
gets softer is no change here: that is how cuts end.
"""

import numpy as np
from numpy.typing import NDArray

from listen.states import Finding

BLOCK_FRAMES = 10
SETTLES_BLOCKS = 2  # after the cut is called steady
LEAST_BEFORE = 15  # blocks that it is held against
MOST_BEFORE = 100
LASTS_BLOCKS = 4
N_BANDS = 3  # so many must have risen
RISE_DB = 8.0  # of the mean over what it mostly was: corners and overrides change it by less
LETS_GO_DB = 5.0  # softer than it mostly was, on the mean over the bands
OVER_DB = 3.0  # of the softest block over what all but one in twenty blocks before had
USUAL = 0.95
BEFORE_FRAMES = 60  # in which the cut must have been going on


class ChangeListener:
    """Follows the bands of one contact after another, block by block of 100 ms.

    Parameters
    ----------
    centres_hz : ndarray, shape (n_bands,)
        Middles of the bands [Hz].
    audible : ndarray, shape (n_bands,)
        Which of them count.
    block : int
        Length of a block [samples].
    """

    def __init__(self, centres_hz: NDArray[np.float64], audible: NDArray[np.bool_], *, block: int) -> None:
        self._centres_hz = centres_hz[audible]
        self._audible = audible
        self._block = block
        self.end()

    def end(self) -> None:
        """The contact is over, or breaks off: what was heard counts no more."""
        self._steady = False
        self._blocks = np.empty((0, self._centres_hz.size))

    def begin(self) -> None:
        """The cut has become steady: from here on it is held against itself."""
        self._steady = True
        self._blocks = self._blocks[:0]

    def look(self, at: int, bands_db: NDArray[np.float32]) -> tuple[Finding, ...]:
        """Take the bands of the last block, (n_frames, n_bands), and tell of a change once it has lasted."""
        if not self._steady:
            return ()
        power = 10.0 ** (bands_db[:, self._audible].astype(np.float64) / 10.0)
        newest = 10.0 * np.log10(power.mean(axis=0))
        self._blocks = np.vstack([self._blocks[-MOST_BEFORE - LASTS_BLOCKS + 1 :], newest])
        if self._lets_go():
            self.end()  # what comes next may be another entry
            return ()
        rises = self._rises()
        if np.sort(rises)[-N_BANDS] < RISE_DB:
            return ()
        found = self._finding(at, rises)
        self.begin()  # what comes next is held against the new sound
        return (found,)

    def _lets_go(self) -> bool:
        """Whether the newest block is far softer than the cut mostly was."""
        if len(self._blocks) <= SETTLES_BLOCKS + 1:
            return False
        return bool((self._blocks[-1] - _middle(_in_order(self._blocks[:-1]))).mean() < -LETS_GO_DB)

    def _rises(self) -> NDArray[np.float64]:
        """Rise of each band over what it mostly was [dB], 0 where it does not stay over what was usual."""
        before = _in_order(self._blocks[SETTLES_BLOCKS:-LASTS_BLOCKS])
        n_before = before.shape[1]
        if n_before < LEAST_BEFORE:
            return np.zeros(self._centres_hz.size)
        newest, usual = self._blocks[-LASTS_BLOCKS:], before[:, int(USUAL * (n_before - 1))]
        rises: NDArray[np.float64] = newest.mean(axis=0) - _middle(before)
        return np.where(newest.min(axis=0) >= usual + OVER_DB, rises, 0.0)

    def _finding(self, at: int, rises: NDArray[np.float64]) -> Finding:
        most = int(np.argmax(rises))
        third = float(np.sort(rises)[-N_BANDS])
        return Finding(
            kind="sound changed",
            start=at - LASTS_BLOCKS * self._block,
            stop=at,
            decided_at=at,
            frequency_hz=float(self._centres_hz[most]),
            level_db=float(rises[most]),
            probability=float(np.clip(0.5 + (third - RISE_DB) / 10.0, 0.5, 0.95)),
        )


def was_cutting(belief: NDArray[np.float64], n_ago: int) -> bool:
    """Whether there was contact, on the mean, in the frames before the last `n_ago`.

    Parameters
    ----------
    belief : ndarray, shape (n_frames,)
        The two-sided ear's, in contact [0 to 1], the latest last.
    n_ago : int
        Frames since the change began.
    """
    first = max(0, belief.size - n_ago - BEFORE_FRAMES)
    return bool(belief[first : first + BEFORE_FRAMES].mean() >= 0.5)


def _in_order(blocks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each band's levels in order, shape (n_bands, n_blocks)."""
    return np.sort(np.ascontiguousarray(blocks.T), axis=1)


def _middle(ordered: NDArray[np.float64]) -> NDArray[np.float64]:
    row: NDArray[np.float64] = ordered[:, ordered.shape[1] // 2]
    return row
