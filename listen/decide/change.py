"""The sound of a cut that changed while it went on: louder in most bands at once, for longer than a knock.

Conventions
-----------
A cut is held against itself only: which tool cuts, and how deep, the ear does not know. What
gets softer is no change here: that is how cuts end.
"""

import numpy as np
from numpy.typing import NDArray

from listen.decide.ranks import middle
from listen.states import Finding

BLOCK_FRAMES = 10
SETTLES_BLOCKS = 2  # after the cut is called steady
LEAST_BEFORE = 15  # blocks that it is held against
MOST_BEFORE = 100
LASTS_BLOCKS = 6
RISE_DB = 6.5  # of the middle band over what it mostly was: corners and overrides change it by less
LETS_GO_DB = 5.0  # softer than it mostly was, in the middle band
OVER_DB = 2.0  # of the softest block over what all but one in twenty blocks before had
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
            self.end()  # what comes next may be another entry, or an override raised again
            return ()
        rises = self._rises()
        if middle(rises) < RISE_DB:
            return ()
        found = self._finding(at, rises)
        self.begin()  # what comes next is held against the new sound
        return (found,)

    def _lets_go(self) -> bool:
        """Whether the newest block is far softer than the cut mostly was."""
        if len(self._blocks) <= SETTLES_BLOCKS + 1:
            return False
        return bool(middle(self._blocks[-1] - middle(self._blocks[:-1])) < -LETS_GO_DB)

    def _rises(self) -> NDArray[np.float64]:
        """Rise of each band over what it mostly was [dB], zeros where the whole does not stay louder.

        The middle band counts: coolant, a tone or a voice changes some of them.
        """
        before = self._blocks[SETTLES_BLOCKS:-LASTS_BLOCKS]
        if len(before) < LEAST_BEFORE:
            return np.zeros(self._centres_hz.size)
        rises = self._blocks[SETTLES_BLOCKS:] - middle(before)
        whole = middle(rises.T)
        usual = np.sort(whole[:-LASTS_BLOCKS])[int(USUAL * (len(before) - 1))]
        if whole[-LASTS_BLOCKS:].min() < usual + OVER_DB:
            return np.zeros(self._centres_hz.size)
        return middle(rises[-LASTS_BLOCKS:])

    def _finding(self, at: int, rises: NDArray[np.float64]) -> Finding:
        most, whole = int(np.argmax(rises)), float(middle(rises))
        return Finding(
            kind="sound changed",
            start=at - LASTS_BLOCKS * self._block,
            stop=at,
            decided_at=at,
            frequency_hz=float(self._centres_hz[most]),
            level_db=whole,
            probability=float(np.clip(0.5 + (whole - RISE_DB) / 8.0, 0.5, 0.95)),
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
