"""What the way out of a contact says: a cut that runs out fades, one that is held or lost stops at once.

The program says how long the tool takes to leave. Shares below are the shipped ear's on made sound, by
`python -m tools.tools_follow.measure_ear`: it hears no way out that is shorter than a tenth of a second, and
two thirds of a longer one. Whether this run's cuts fade as the program says is learnt as it goes.
"""

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FIRST_TRUST = 0.3
LEAST_TRUST, MOST_TRUST = 0.02, 0.95
UNHEARD, UNHEARD_S, ALWAYS = 0.85, 0.2, 0.05  # share of ways out that are not heard, by their length
HEARD_SHARE, HEARD_SPREAD, LEAST_SPREAD_S = 0.65, 0.3, 0.03
ABRUPT_S = 0.06  # mean of what is heard beyond a stop, where anything is
HEARD_FROM_S = 0.02
LEAST_TOLD_S = 0.1  # a shorter way out tells nothing


class WaysOut:
    """Weighs whether an end faded as its contact should, beside a stop in the cut."""

    def __init__(self) -> None:
        self._trust = FIRST_TRUST

    def log_ratio(self, heard_s: float, expected_s: Floats) -> Floats:
        """Log of how much likelier the way out is for a cut that ran out than for one that stopped.

        Parameters
        ----------
        heard_s : float
            From where leaving began to the end; NaN where this ear tells no such thing.
        expected_s : ndarray, shape (n_guesses,)
            How long the tool should take to leave, at the rate of each guess.
        """
        if math.isnan(heard_s):
            return np.zeros(expected_s.shape)
        ratio = np.where(expected_s > LEAST_TOLD_S, _ratio(heard_s, expected_s), 1.0)
        result: Floats = np.log(self._trust * ratio + 1.0 - self._trust)
        return result

    def learn(self, heard_s: float, expected_s: float, belief: float) -> None:
        """A contact is over, with the belief that it ran out as it should."""
        if math.isnan(heard_s) or expected_s <= LEAST_TOLD_S:
            return
        told = belief * math.log(float(_ratio(heard_s, np.array([expected_s]))[0]))
        odds = math.log(self._trust / (1.0 - self._trust)) + told
        self._trust = min(max(1.0 / (1.0 + math.exp(-odds)), LEAST_TRUST), MOST_TRUST)


def _ratio(heard_s: float, expected_s: Floats) -> Floats:
    """Density of what was heard for a cut that ran out, over that for a stop."""
    unheard = UNHEARD * np.exp(-expected_s / UNHEARD_S) + ALWAYS
    if heard_s < HEARD_FROM_S:
        return unheard / UNHEARD
    spread = HEARD_SPREAD * expected_s + LEAST_SPREAD_S
    z = (heard_s - HEARD_SHARE * expected_s) / spread
    ran_out = (1.0 - unheard) * np.exp(-0.5 * z * z) / (spread * math.sqrt(2.0 * math.pi))
    stopped = (1.0 - UNHEARD) * math.exp(-heard_s / ABRUPT_S) / ABRUPT_S
    result: Floats = np.clip(ran_out / max(stopped, 1e-6), 0.05, 20.0)
    return result
