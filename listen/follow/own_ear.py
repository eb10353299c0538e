"""How the ear does in this run, beside how it was said to do: worse ears leave more untold."""

from listen.follow.priors import Priors

WORSE = 2.5  # times as many slips as stated from which the ear is taken for worse
SLIP_S = 1.0  # a break inside a contact that is longer is rather a hold


class OwnEar:
    """Counts what the ear breaks and makes up, as far as the guesses agree on it.

    Parameters
    ----------
    priors : Priors
        With the stated rates.
    """

    def __init__(self, priors: Priors) -> None:
        self._priors = priors
        self._slips = 1.0  # one of each is granted before anything is counted
        self._expected = 1.0

    def heard(self, length_s: float, *, in_contact: bool) -> None:
        """So much time has passed, in contact or in air."""
        per_s = self._priors.dropout_per_s if in_contact else self._priors.burst_per_s
        self._expected += per_s * max(length_s, 0.0)

    def slipped(self, belief: float) -> None:
        """A break or a burst, with the belief that it was one."""
        self._slips += belief

    @property
    def missed_more(self) -> float:
        """Share of contacts missed beyond what was stated; 0 while the ear does about as stated."""
        worse = self._slips / self._expected
        return self._priors.missed * (worse - 1.0) if worse > WORSE else 0.0

    def share_of_faults(self, fault: float) -> float:
        """Share of the contacts not heard that were not there, `fault` being how often they are not."""
        return fault / (fault + self.missed_more)
