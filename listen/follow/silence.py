"""What silence says of guesses that wait for a contact, or for one to go on.

Conventions
-----------
A guess that takes a sound for no contact still waits for its own: what the silence before that sound
took from it is kept beside it (`paid`, a log), so that it is taken once.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from listen.follow.hypotheses import Floats, Phase
from listen.follow.model import LEAST_S, Model, slowness
from listen.follow.onset import LOST
from listen.follow.priors import DROPOUT_S
from listen.follow.space import FEED, FIXED, LOOSE, RAPID

DEPTH = 5  # contacts ahead that silence is held against
GIVEN_UP = 0.03  # share of stops inside a cut after which the program does not go on
LEAST_QUIET = 1e-12


class Silence:
    """How likely each guess makes it that nothing was heard since its last boundary.

    Parameters
    ----------
    model : Model
        Read only.
    core : ndarray, shape (n_guesses,)
        The guesses. Not changed.
    """

    def __init__(self, model: Model, core: NDArray[np.void]) -> None:
        self._model = model
        self._core = core
        self._air = np.flatnonzero(core["phase"] == Phase.AIR)
        self._stopped = np.flatnonzero(core["phase"] == Phase.STOPPED)
        self._dropped = np.flatnonzero(core["phase"] == Phase.DROPPED)
        if model.space.n == 0:
            self._air = self._air[:0]
        if self._air.size:
            self._look_ahead()

    def until(self, at: float) -> tuple[Floats, Floats]:
        """Chance of silence up to `at` by each guess, and the share of it that misses contact k."""
        quiet, absent = np.ones(self._core.size), np.zeros(self._core.size)
        if self._air.size:
            quiet[self._air], absent[self._air] = self._in_air(at)
        if self._stopped.size:
            held = self._held_on(at - self._core["ts"][self._stopped], self._model.priors.hold_median_s)
            quiet[self._stopped] = GIVEN_UP + (1.0 - GIVEN_UP) * held
        if self._dropped.size:
            lost = np.maximum(at - self._core["ts"][self._dropped], 0.0)
            quiet[self._dropped] = np.exp(-lost / DROPOUT_S) + 1e-3
        return quiet, absent

    def log_until(self, at: float) -> Floats:
        """Log chance of silence up to `at` by each guess."""
        result: Floats = np.log(self.until(at)[0] + LEAST_QUIET)
        return result

    def _look_ahead(self) -> None:
        """Time to the next contacts, by each guess in air, shape (n_air, DEPTH)."""
        model, space = self._model, self._model.space
        core = self._core[self._air]
        k = core["k"][:, None] + np.arange(DEPTH)
        self._inside = k < space.n
        k = np.minimum(k, space.n - 1)
        amounts = np.maximum(space.at_start[k] - space.amounts_until(core["u0"])[:, None, :], 0.0)
        n_gaps = np.arange(1, DEPTH + 1)
        self._t0 = core["t0"]
        self._feed = amounts[..., FEED] * np.exp(-core["m"])[:, None]
        self._rapid = amounts[..., RAPID] * np.exp(-core["lr"])[:, None]
        slow = slowness(core["m"] + np.log(max(model.clock.rate, 1e-3)))[:, None]
        usual = model.usual(core["b"][:, None], amounts[..., LOOSE], slow)
        self._rest = amounts[..., FIXED] + amounts[..., LOOSE] + n_gaps * usual
        self._other_variance = self._spread(core, amounts, n_gaps, slow)
        self._feed_variance = (core["v"] + model.timing.feed_spread**2)[:, None]
        self._waits = (space.waits_at_start[k] - space.waits_until(core["u0"])[:, None]) > 0
        self._absent = self._absences(core, k)
        self._rapid_share = model.rapid_share(core)[:, None]
        self._left = np.cumprod(np.column_stack([np.ones(core.size), self._absent]), axis=1)
        self._there = self._left[:, :-1] * (1.0 - self._absent)
        self._log_held, self._held_spread = model.holding.lengths(core[:, None])
        self._known: Floats | None = None

    def _spread(
        self, core: NDArray[np.void], amounts: Floats, n_gaps: NDArray[np.int64], slow: Floats
    ) -> Floats:
        """Variance of the time to the next contacts, that of the feed left out."""
        priors, model = self._model.priors, self._model
        noise = (n_gaps * (model.timing.gap_s * slow) ** 2 + priors.onset_s**2) * model.scales[True].factor
        result: Floats = (
            self._rapid**2 * (core["vr"] + model.timing.rapid_spread**2)[:, None]
            + (priors.loose_spread * amounts[..., LOOSE]) ** 2
            + core["q"][:, None]
            + n_gaps**2 * core["vb"][:, None]
            + noise
        )
        return result

    def _absences(self, core: NDArray[np.void], k: NDArray[np.int64]) -> Floats:
        priors = self._model.priors
        gone = core["gone"][:, None]
        before = np.where(gone, priors.absent_lost, np.full(k.shape, priors.absent_again))
        before[:, :1] = np.where(gone, priors.absent_gone, priors.absent)
        ear = self._model.misses(k)
        if self._model.lost_since(core["t0"]):
            due = core["t0"][:, None] + self._feed + self._rapid + self._rest
            ear = np.where(self._model.in_lost(due), LOST, ear)
        result: Floats = np.where(self._inside, np.minimum(before + ear, 0.98), 0.0)
        return result

    def _held_on(self, x: Floats, median: Floats | float) -> Floats:
        safe = np.maximum(x, 1e-6)
        result: Floats = 1.0 - ndtr(np.log(safe / median) / self._model.priors.hold_log_spread)
        return result

    def _in_air(self, at: float) -> tuple[Floats, Floats]:
        """Chance that neither contact k nor, where it is absent, those after it have come."""
        elapsed, known = self._model.clock.between(self._t0, at)
        quiet = np.where(self._inside, self._quiet(elapsed[:, None], known[:, None]), 1.0)
        chances = self._there * quiet
        total = chances.sum(axis=1) + self._left[:, -1]
        share = 1.0 - chances[:, 0] / np.maximum(total, 1e-300)
        return total, np.where(self._inside[:, 0], share, 0.0)

    def _quiet(self, elapsed: Floats, known: Floats) -> Floats:
        """Chance that each contact ahead has not been heard yet, though it is there."""
        if self._known is None or not np.array_equal(self._known, known):
            self._known = known
            self._forecast(known)
        behind = elapsed - self._mean
        on_time = ndtr(-behind / self._spread_s)
        held = self._model.holding.lasts(self._log_held, self._held_spread, behind)
        if self._waits.any():
            held = np.where(self._waits, self._held_on(behind, self._model.priors.wait_median_s), held)
        slow = ndtr(-(behind - 2.0 * self._mean) / (1.0 + self._mean))
        quiet = self._on_time * on_time + self._held * held + self._slower * slow
        result: Floats = np.minimum(np.maximum(quiet, 0.0), 1.0)
        return result

    def _forecast(self, known: Floats) -> None:
        """When each contact ahead is due at the known override, and how likely it is held up."""
        priors, clock = self._model.priors, self._model.clock
        feed = self._feed * np.exp(-known)
        self._mean = np.maximum(feed + self._rapid + self._rest, LEAST_S)
        self._spread_s = 1.5 * np.sqrt(feed**2 * self._feed_variance + self._other_variance)
        share = self._model.held_share(self._core[self._air][:, None], self._mean)
        self._held = np.where(self._waits, 0.9, share)
        turned = (1e-5 if clock.told_by_control else 1e-3) if clock.feed_known else priors.step_per_boundary
        self._slower = turned + np.where(self._rapid > 0.15, self._rapid_share, 0.0)
        self._on_time = 1.0 - self._held - self._slower
