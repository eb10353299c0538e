"""What each guess says of this operator's holds in air: how often, and for how long.

Most people hold in hardly a gap, some at every exit (single block does), and then mostly for about as
long. What a guess says of the gaps so far tells it which: one that had nothing held is not held on and on.

References
----------
The lengths' logs are normal with unknown mean and spread under the conjugate prior; see Gelman et al.,
*Bayesian Data Analysis*, 3rd ed. (2013), section 3.3. Its predictive Student distribution is taken as a
normal of the same variance, beside a share of holds that are as long as anybody's.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from listen.follow.hypotheses import Floats, lognormal_log
from listen.follow.priors import Priors

GAPS, KEPT = 3.0, 24.0  # what the belief before the run counts as, and what is remembered of the run [gaps]
MOST_HELD = 0.95
HOLDS, SPREADS = 0.7, 2.0  # what the usual length counts as [holds], and the usual spread [pairs of holds]
ANY = 0.1  # share of holds that are as long as anybody's


class Holding:
    """How often the next gap is held, and how long, by each guess.

    Parameters
    ----------
    priors : Priors
        What is believed before the run.
    """

    def __init__(self, priors: Priors) -> None:
        self._held = GAPS * priors.hold_per_gap
        self._usual = np.log(priors.hold_median_s)
        self._spread = priors.hold_log_spread
        self._square = priors.hold_log_spread**2 * (SPREADS - 1.0) * HOLDS / (HOLDS + 1.0)

    def share(self, core: NDArray[np.void]) -> Floats:
        """Chance that the next gap has a hold in it, its length left out."""
        result: Floats = np.minimum((self._held + core["held"]) / (GAPS + core["gaps"]), MOST_HELD)
        return result

    def lengths(self, core: NDArray[np.void]) -> tuple[Floats, Floats]:
        """Mean and spread of the log length [log s] that are usual by now."""
        n = HOLDS + core["held"]
        square = self._square + core["hold_square"]
        return self._usual + core["hold_log"], np.sqrt(
            square / (SPREADS + 0.5 * core["held"] - 1.0) * (1.0 + 1.0 / n)
        )

    def length_log(self, core: NDArray[np.void], length_s: Floats) -> Floats:
        """Log density of a hold of this length [s]."""
        mean, spread = self.lengths(core)
        own = np.log1p(-ANY) + lognormal_log(length_s, median=np.exp(mean), spread=spread)
        any_one = lognormal_log(length_s, median=np.exp(self._usual), spread=self._spread)
        result: Floats = np.logaddexp(own, np.log(ANY) + any_one)
        return result

    def lasts(self, mean: Floats, spread: Floats, length_s: Floats) -> Floats:
        """Chance that a hold, by the `lengths` of its guess, is longer than this."""
        log_s = np.log(np.maximum(length_s, 1e-6))
        own, any_one = ndtr((mean - log_s) / spread), ndtr((self._usual - log_s) / self._spread)
        result: Floats = (1.0 - ANY) * own + ANY * any_one
        return result

    @staticmethod
    def after_gaps(core: NDArray[np.void], n_gaps: int) -> dict[str, Floats]:
        """What each guess remembers once `n_gaps` more are over, none of them held."""
        gaps = core["gaps"] + n_gaps
        fade = np.minimum(1.0, KEPT / gaps)
        return {"gaps": fade * gaps, "held": fade * core["held"], "hold_square": fade * core["hold_square"]}

    def after_hold(self, core: NDArray[np.void], n_gaps: int, length_s: Floats) -> dict[str, Floats]:
        """The same, a hold of this length [s] in one of them."""
        n = HOLDS + core["held"]
        away = np.log(np.maximum(length_s, 1e-3)) - self._usual - core["hold_log"]
        found = self.after_gaps(core, n_gaps)
        fade = np.minimum(1.0, KEPT / (core["gaps"] + n_gaps))
        return found | {
            "held": found["held"] + fade,
            "hold_log": core["hold_log"] + away / (n + 1.0),
            "hold_square": found["hold_square"] + fade * 0.5 * n / (n + 1.0) * away**2,
        }
