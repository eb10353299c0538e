"""How far the line that a control tells runs ahead of the tool, learnt from where the sound is.

A line number may be the block that is cut, the block that is read ahead, or the last N word that came
by. Until the run has shown which, the tool may be anywhere in the last blocks up to the line.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from listen.timeline import Timeline

MOST_AHEAD = 5  # blocks, while nothing is known; common practice, no source
N_VOTES = 40
KEPT = 200
TRIMMED = 0.05  # of the votes on either side are taken for wrong places
EITHER_WAY = 1  # block
AT_ONE = 2  # blocks: votes that scatter more do not tell


class ReadAhead:
    """Places at which the tool may be when the control tells a line.

    Parameters
    ----------
    timeline : Timeline
    """

    def __init__(self, timeline: Timeline) -> None:
        spans = timeline.spans
        first = np.flatnonzero(np.diff(spans.line, prepend=-1)) if len(spans) else np.empty(0, dtype=np.int64)
        self._line = spans.line[first]
        self._start = spans.start_s[first]
        self._stop = spans.stop_s[np.append(first[1:], len(spans)) - 1] if first.size else spans.stop_s
        self._votes: deque[int] = deque(maxlen=KEPT)

    def vote(self, line: int, place_s: float) -> None:
        """Count by how many blocks a line was ahead, where the place is known well [s along the program]."""
        told = np.flatnonzero(self._line == line)
        if told.size == 0:
            return
        here = int(np.searchsorted(self._stop, place_s, side="right"))
        ahead = told - min(here, self._stop.size - 1)
        nearest = int(ahead[np.argmin(np.abs(ahead))])
        if abs(nearest) <= MOST_AHEAD:
            self._votes.append(nearest)

    @property
    def is_known(self) -> bool:
        """Whether the run has shown how far the line is ahead."""
        return self.blocks != (0, MOST_AHEAD)

    @property
    def blocks(self) -> tuple[int, int]:
        """Least and most blocks by which the line is ahead, as far as is known."""
        if len(self._votes) < N_VOTES:
            return 0, MOST_AHEAD
        low, high = np.quantile(self._votes, [TRIMMED, 1.0 - TRIMMED])
        if high - low > AT_ONE or low < -EITHER_WAY:
            return 0, MOST_AHEAD  # the places are not what they are taken for
        return round(float(low)) - EITHER_WAY, round(float(high)) + EITHER_WAY

    def places(self, line: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """From where to where the tool may be, once for each time the line is run [s along the program]."""
        told = np.flatnonzero(self._line == line)
        least, most = self.blocks
        last = self._line.size - 1
        return (
            self._start[np.clip(told - most, 0, last)],
            self._stop[np.clip(told - least, 0, last)],
        )
