"""How much likelier the ear was wrong about a start or an end, by what it believes in it.

Log odds of the ear's belief, measured on made sound at 12 and 6 dB by
`python -m tools.tools_follow.measure_ear`: starts 3.3 ± 1.1, bursts in air 1.9 ± 0.9; ends 2.1 ± 1.0 where
the way out is short, breaks inside a contact 0.6 ± 0.9. Every machine has its own usual belief, so each
is held against those of its own run.
"""

import math
from collections import deque
from statistics import median

from scipy.special import ndtr

USUAL_START, USUAL_END = 3.3, 2.1
RIGHT_START, RIGHT_END = 1.1, 1.05
WRONG_START, WRONG_END = (-1.35, 0.9), (-1.5, 0.9)  # beside the usual, and its spread
KEPT, BEFORE = 40, 2
LEAST, MOST = 0.05, 20.0
SURE = 0.995


class Doubts:
    """Holds the belief in each boundary against the usual belief of this run.

    Parameters
    ----------
    usual : float
        Log odds before anything was heard.
    right : float
        Spread of the log odds of what is right.
    wrong : (float, float)
        Mean beside the usual, and spread, of what is wrong.
    """

    def __init__(self, usual: float, right: float, wrong: tuple[float, float]) -> None:
        self._usual, self._right, self._wrong = usual, right, wrong
        self._heard: deque[float] = deque(maxlen=KEPT)

    def of(self, probability: float) -> float:
        """How much likelier than usual it is wrong [ratio]; nothing is learnt."""
        z = self._beside_usual(probability)
        mean, spread = self._wrong
        right = -0.5 * (z / self._right) ** 2 - math.log(self._right)
        wrong = -0.5 * ((z - mean) / spread) ** 2 - math.log(spread)
        if z > 0.0:  # the tails are not trusted: surer than usual is never more doubtful
            wrong = min(wrong, right)
        return min(max(math.exp(wrong - right), LEAST), MOST)

    def share_as_sure(self, probability: float) -> float:
        """Share of what is wrong that is believed at least as much [0 to 1]; nothing is learnt."""
        mean, spread = self._wrong
        return float(ndtr((mean - self._beside_usual(probability)) / spread))

    def _beside_usual(self, probability: float) -> float:
        return _log_odds(probability) - median([*self._heard, *[self._usual] * BEFORE])

    def learn(self, probability: float) -> float:
        """The same, and this belief is one of the run's from now on."""
        found = self.of(probability)
        self._heard.append(_log_odds(probability))
        return found

    def forget(self) -> None:
        """The newest turned out to be wrong: its belief is not usual for what is right."""
        if self._heard:
            self._heard.pop()


def doubts_of_starts() -> Doubts:
    """For starts, which may be bursts of the ear."""
    return Doubts(USUAL_START, RIGHT_START, WRONG_START)


def doubts_of_ends() -> Doubts:
    """For ends, which may be breaks inside a contact."""
    return Doubts(USUAL_END, RIGHT_END, WRONG_END)


def _log_odds(probability: float) -> float:
    p = min(max(probability, 1.0 - SURE), SURE)
    return math.log(p / (1.0 - p))
