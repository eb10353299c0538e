"""The guesses that count, between two boundaries: what silence says, and where the program is."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from listen.follow.engine import Engine
from listen.follow.hypotheses import Floats, Phase
from listen.follow.model import LEAST_S, slowness
from listen.follow.onset import LOST
from listen.follow.priors import DROPOUT_S
from listen.follow.space import FEED, FIXED, LOOSE, RAPID

DEPTH = 5  # contacts ahead that silence is held against
GIVEN_UP = 0.03  # share of stops inside a cut after which the program does not go on


class View:
    """Guesses frozen at the last boundary; only time goes on.

    Parameters
    ----------
    engine : Engine
        Read only; make a new view after each change.
    most : int
        Guesses kept, the likeliest ones.

    Attributes
    ----------
    core, rings
        The rows kept.
    weights : ndarray, shape (n_rows,)
        Belief in each as of the last boundary, adding up to 1.
    """

    def __init__(self, engine: Engine, *, most: int) -> None:
        self.engine = engine
        self.space = engine.space
        rows = np.argsort(-engine.core["logw"], kind="stable")[:most]
        self.core = engine.core[rows]
        self.rings = engine.rings.take(rows)
        weights = np.exp(self.core["logw"])
        self.weights: Floats = weights / weights.sum()
        heard = min(engine.n_stretches, engine.n_slots)
        self.order = np.arange(engine.n_stretches - heard, engine.n_stretches) % engine.n_slots
        self._air = np.flatnonzero(self.core["phase"] == Phase.AIR)
        self._stopped = np.flatnonzero(self.core["phase"] == Phase.STOPPED)
        self._dropped = np.flatnonzero(self.core["phase"] == Phase.DROPPED)
        self._look_ahead()
        self._target()

    @property
    def is_started(self) -> bool:
        """Whether a place along the program has been guessed at all."""
        return self.engine.is_started

    def _look_ahead(self) -> None:
        """Time to the next contacts, by each guess in air, shape (n_air, DEPTH)."""
        engine, space = self.engine, self.space
        core = self.core[self._air]
        n = max(space.n, 1)
        k = core["k"][:, None] + np.arange(DEPTH)
        self._inside = k < space.n
        k = np.minimum(k, n - 1)
        if space.n == 0:
            self._air = self._air[:0]
            return
        amounts = np.maximum(space.at_start[k] - space.amounts_until(core["u0"])[:, None, :], 0.0)
        n_gaps = np.arange(1, DEPTH + 1)
        self._feed = amounts[..., FEED] * np.exp(-core["m"])[:, None]
        self._rapid = amounts[..., RAPID] * np.exp(-core["lr"])[:, None]
        slow = slowness(core["m"] + np.log(max(self.engine.clock.rate, 1e-3)))[:, None]
        usual = engine.model.usual(core["b"][:, None], amounts[..., LOOSE], slow)
        self._rest = amounts[..., FIXED] + amounts[..., LOOSE] + n_gaps * usual
        self._other_variance = self._spread(core, amounts, n_gaps)
        self._feed_variance = (core["v"] + engine.model.timing.feed_spread**2)[:, None]
        self._waits = (space.waits_at_start[k] - space.waits_until(core["u0"])[:, None]) > 0
        self._absent = self._absences(core, k)
        self._rapid_share = engine.model.rapid_share(core)[:, None]

    def _spread(self, core: NDArray[np.void], amounts: Floats, n_gaps: NDArray[np.int64]) -> Floats:
        """Variance of the time to the next contacts, that of the feed left out."""
        priors, model = self.engine.priors, self.engine.model
        slow = slowness(core["m"] + np.log(max(self.engine.clock.rate, 1e-3)))[:, None]
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
        priors, space = self.engine.priors, self.space
        gone = core["gone"][:, None]
        before = np.where(gone, priors.absent_lost, np.full(k.shape, priors.absent_again))
        before[:, :1] = np.where(gone, priors.absent_gone, priors.absent)
        ear = np.where(space.deaf[k], 0.9, np.where(space.faint[k], 0.3, priors.missed))
        due = core["t0"][:, None] + self._feed + self._rapid + self._rest
        ear = np.where(self.engine.model.in_lost(due), LOST, ear)
        result: Floats = np.where(self._inside, np.minimum(before + ear, 0.98), 0.0)
        return result

    def _target(self) -> None:
        """Where each guess is going until the next boundary, and how long that takes."""
        core, space = self.core, self.space
        n = max(space.n, 1)
        index = np.minimum(core["k"], n - 1)
        sounding = (core["phase"] == Phase.IN) | (core["phase"] == Phase.DROPPED)
        if space.n == 0:
            target = np.full(core.size, space.end)
        else:
            target = np.where(sounding, space.stop[index], space.start[index])
            target = np.where(core["k"] >= space.n, space.end, target)
        amounts = np.maximum(space.amounts_until(target) - space.amounts_until(core["u0"]), 0.0)
        self._to_go = np.maximum(target - core["u0"], 0.0)
        self._needed_feed = amounts[:, FEED] * np.exp(-core["m"])
        self._needed_rest = amounts[:, RAPID] * np.exp(-core["lr"]) + amounts[:, FIXED] + amounts[:, LOOSE]
        self._still = (core["phase"] == Phase.STOPPED) | (core["phase"] == Phase.START)

    def silence(self, at: float) -> tuple[Floats, Floats]:
        """Belief in each guess after silence up to `at`, and the share of it that misses contact k."""
        quiet = np.ones(self.core.size)
        absent = np.zeros(self.core.size)
        if self._air.size:
            quiet[self._air], absent[self._air] = self._air_silence(at)
        priors = self.engine.priors
        held = self._held_on(at - self.core["ts"][self._stopped], priors.hold_median_s)
        quiet[self._stopped] = GIVEN_UP + (1.0 - GIVEN_UP) * held
        lost = np.maximum(at - self.core["ts"][self._dropped], 0.0)
        quiet[self._dropped] = np.exp(-lost / DROPOUT_S) + 1e-3
        logw = self.core["logw"] + np.log(quiet + 1e-12)
        weights = np.exp(logw - logw.max())
        return weights / weights.sum(), absent

    def sounding(self, at: float) -> Floats:
        """Belief in each guess while a contact goes on up to `at`: bursts of the ear are short."""
        extra = self.core["phase"] == Phase.EXTRA
        if not extra.any():
            return self.weights
        lasted = np.maximum(at - self.core["ts"], 0.0)
        still = np.where(extra, self.engine.priors.extra_lasts(lasted), 1.0)
        weights = self.weights * still
        result: Floats = weights / max(float(weights.sum()), 1e-300)
        return result

    def _held_on(self, x: Floats, median: Floats | float) -> Floats:
        safe = np.maximum(x, 1e-6)
        result: Floats = 1.0 - ndtr(np.log(safe / median) / self.engine.priors.hold_log_spread)
        return result

    def _air_silence(self, at: float) -> tuple[Floats, Floats]:
        """Chance that neither contact k nor, where it is absent, those after it have come."""
        elapsed, known = self.engine.clock.between(self.core["t0"][self._air], at)
        quiet = np.where(self._inside, self._quiet(elapsed[:, None], known[:, None]), 1.0)
        left = np.cumprod(np.column_stack([np.ones(elapsed.size), self._absent]), axis=1)
        chances = left[:, :-1] * (1.0 - self._absent) * quiet
        total = chances.sum(axis=1) + left[:, -1]
        share = 1.0 - chances[:, 0] / np.maximum(total, 1e-300)
        return total, np.where(self._inside[:, 0], share, 0.0)

    def _quiet(self, elapsed: Floats, known: Floats) -> Floats:
        """Chance that each contact ahead has not been heard yet, though it is there."""
        priors, clock = self.engine.priors, self.engine.clock
        feed = self._feed * np.exp(-known)
        mean = np.maximum(feed + self._rapid + self._rest, LEAST_S)
        spread = np.sqrt(feed**2 * self._feed_variance + self._other_variance)
        behind = elapsed - mean
        on_time = ndtr(-behind / (1.5 * spread))
        per_gap, per_s = (
            (1e-4, 1e-6) if clock.holds_known else (self.engine.model.held_share, priors.hold_per_s)
        )
        share = np.where(self._waits, 0.9, 1.0 - (1.0 - per_gap) * np.exp(-per_s * mean))
        held = self._held_on(behind, np.where(self._waits, priors.wait_median_s, priors.hold_median_s))
        turned = (1e-5 if clock.told_by_control else 1e-3) if clock.feed_known else priors.step_per_boundary
        slower = turned + np.where(self._rapid > 0.15, self._rapid_share, 0.0)
        slow = ndtr(-(behind - 2.0 * mean) / (1.0 + mean))
        result: Floats = np.clip((1.0 - share - slower) * on_time + share * held + slower * slow, 0.0, 1.0)
        return result

    def places(self, at: float) -> tuple[Floats, Floats]:
        """Where each guess says the program is [s at 100 %], and how surely."""
        core = self.core
        elapsed, known = self.engine.clock.between(core["t0"], at)
        needed = self._needed_feed * np.exp(-known) + self._needed_rest
        share = np.where(self._still, 0.0, np.clip(elapsed / np.maximum(needed, 1e-6), 0.0, 1.0))
        place = core["u0"] + share * self._to_go
        rate = np.exp(core["m"] + known)
        moved = np.minimum(elapsed, needed) * rate
        spread = np.sqrt(core["q"] * rate**2 + moved**2 * (core["v"] + 0.03**2))
        late = np.maximum(elapsed - needed, 0.0)
        return place, np.minimum(spread + 0.1 * late, max(self.space.end, 1.0))
