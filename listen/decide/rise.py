"""Whether a start of contact is plain enough to be told at once.

In the air of a real machine the live ear is in two minds for seconds, and crosses even odds again and again.
"""

import math
from collections import deque

LATELY = slice(-63, -3)  # frames that a rise is held against: the 0.6 s before those that rise
ENOUGH_AIR = 10  # frames: with more since the last cut, that cut is not among them


class Rise:
    """Log odds of contact beside what they were lately.

    Parameters
    ----------
    least : float
        They must be so high in any case [nats].
    by, most : float
        And so far above what they were lately, but no higher than the latter [nats].
    """

    def __init__(self, *, least: float, by: float, most: float) -> None:
        self._least, self._by, self._most = least, by, most
        self.odds: deque[float] = deque(maxlen=-LATELY.start)  # of the last frames, the latest last
        self._air_for = 0  # frames since contact was told

    def clear(self) -> None:
        """Forget all, as after a gap."""
        self.odds.clear()

    def push(self, odds: float, *, in_contact: bool) -> None:
        """Take the log odds of one frame; `in_contact` by what was told before it."""
        self._air_for = 0 if in_contact else self._air_for + 1
        self.odds.append(odds)

    def has_come(self) -> bool:
        """Whether contact is likely now, and more so than lately."""
        if self.odds[-1] < self._least:
            return False
        before = list(self.odds)[LATELY]
        air_for = self._air_for + LATELY.stop
        if air_for > ENOUGH_AIR:
            before = before[-air_for:]
        lately = sum(before) / len(before) if before else -math.inf
        return self.odds[-1] >= min(lately + self._by, self._most)


def odds_of(belief: float) -> float:
    """Log odds of one belief, held as `listen.states.log_odds` holds them [nats]."""
    held = min(max(belief, 1e-4), 1.0 - 1e-4)
    return math.log(held / (1.0 - held))
