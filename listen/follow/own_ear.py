"""How the ear does in this run, beside how it was said to do: worse ears leave more untold.

Two ears are weighed against each other: the one that was stated, and one that errs `MORE` times as often
and dates its events `WIDER` times as loosely. Slips and the scatter of the dates tell which one hears.
"""

import math

import numpy as np
from numpy.typing import NDArray

from listen.follow.priors import Priors

Floats = NDArray[np.float64]
MORE, WIDER = 5.0, 2.5
SLIP_S = 1.0  # a break inside a contact that is longer is rather a hold
FIRST_BELIEF = 1.0 / 11.0  # that it is the worse one, before anything was heard,
FIRST_ODDS = math.log(FIRST_BELIEF / (1.0 - FIRST_BELIEF))  # and its odds [nats]
LEAST_ODDS, MOST_ODDS = -3.0, 6.0  # an ear may become worse while it hears
# Misses come in rows: of made clips at 12 and 6 dB some lack half of their contacts, most none. By how often
# a second is missed where a first was, the share of a run follows a beta distribution worth so many contacts
# as the ear's rates say (`python -m tools.tools_follow.measure_ear`).
BORNE = 0.002  # share of misses found in a run that takes nothing away
LEAST_TOLD, MOST_TOLD = -0.5, 1.5  # what the date of one boundary may tell


class OwnEar:
    """Weighs what the ear breaks, makes up and dates wrongly, as far as the guesses agree on it.

    Parameters
    ----------
    priors : Priors
        With the stated rates.
    """

    def __init__(self, priors: Priors) -> None:
        self._priors = priors
        self._odds = FIRST_ODDS
        self._judged, self._missed = 0.0, 0.0  # contacts of this run, and those that the ear missed

    def heard(self, length_s: float, *, in_contact: bool) -> None:
        """So much time has passed, in contact or in air."""
        per_s = self._priors.dropout_per_s if in_contact else self._priors.burst_per_s
        self._tell(-(MORE - 1.0) * per_s * max(length_s, 0.0))

    def slipped(self, belief: float) -> None:
        """A break or a burst, with the belief that it was one."""
        self._tell(math.log(MORE) * belief)

    def dated(self, told: float) -> None:
        """A boundary, with what its date tells by `date_tells` [nats]."""
        self._tell(told)

    def _tell(self, told: float) -> None:
        self._odds = min(max(self._odds + told, LEAST_ODDS), MOST_ODDS)

    @property
    def worse(self) -> float:
        """Belief that this ear is worse than stated."""
        return 1.0 / (1.0 + math.exp(-self._odds))

    @property
    def times(self) -> float:
        """How many times as often as stated it errs."""
        return 1.0 + (MORE - 1.0) * self.worse

    @property
    def wider(self) -> float:
        """How many times the stated variance its dates have."""
        return 1.0 + (WIDER**2 - 1.0) * self.worse

    def judged(self, *, heard: bool, fault: float) -> None:
        """A contact was heard, or not though the cuts went on; how often such a one is not there."""
        self._missed += 0.0 if heard else self.misses / max(self.misses + fault, 1e-12)
        self._judged += 1.0

    @property
    def misses(self) -> float:
        """Share of the contacts that it misses in this run, by what was stated and by what was found."""
        return self._per_contact(self._priors.missed_worth * self._priors.missed + self._missed)

    def misses_after(self, missed: Floats, judged: int) -> Floats:
        """The same share after `judged` more contacts of which so many were missed."""
        worth = self._priors.missed_worth
        result: Floats = (worth * self._priors.missed + self._missed + missed) / (
            worth + self._judged + judged
        )
        return result

    def missed(self, for_a_miss: float | None = None) -> float:
        """How often a contact is missed, and believed in meanwhile as much as here.

        `for_a_miss`: how much likelier what the ear believed meanwhile is of a contact that it missed than of
        air. Without it only an ear that was found worse than it was taken to be has missed any.
        """
        worse = (MORE - 1.0) * max(self.worse - FIRST_BELIEF, 0.0) * self._priors.missed
        if for_a_miss is None:
            return worse + max(self._per_contact(self._missed) - BORNE, 0.0)
        return (worse + self.misses) * for_a_miss

    def _per_contact(self, misses: float) -> float:
        return misses / (self._priors.missed_worth + self._judged)


def date_tells(behind: Floats, variance: Floats, of_ear: Floats) -> Floats:
    """How much a date speaks for the worse ear [nats].

    Parameters
    ----------
    behind : ndarray, shape (n_guesses,)
        How much later than forecast [s].
    variance, of_ear : ndarray, shape (n_guesses,)
        What was forecast for the stated ear, and the ear's share of it [s²].
    """
    wider = variance + (WIDER**2 - 1.0) * of_ear
    told = 0.5 * (behind**2 * (1.0 / variance - 1.0 / wider) - np.log(wider / variance))
    result: Floats = np.minimum(np.maximum(told, LEAST_TOLD), MOST_TOLD)
    return result
