"""The guesses that count, between two boundaries: what silence says, and where the program is."""

import numpy as np
from numpy.typing import NDArray

from listen.follow.engine import Engine
from listen.follow.hypotheses import Floats, Phase
from listen.follow.silence import LEAST_QUIET, Silence
from listen.follow.space import FEED, FIXED, LOOSE, RAPID


class View:
    """Guesses frozen at the last boundary; only time goes on.

    Parameters
    ----------
    engine : Engine
        Read only; make a new view after each change.
    most : int
        Guesses kept, the likeliest ones; they stand for those left out that are at the same place.

    Attributes
    ----------
    core, rings
        The rows kept.
    share : float
        Belief in the places that they stand for, as of the last boundary [0 to 1].
    weights : ndarray, shape (n_rows,)
        Belief in each as of the last boundary, adding up to 1.
    """

    def __init__(self, engine: Engine, *, most: int) -> None:
        self.engine = engine
        self.space = engine.space
        rows = np.argsort(-engine.core["logw"], kind="stable")[:most]
        self.core, self.share = _standing_for_all(engine.core, rows)
        self.rings = engine.rings.take(rows)
        weights = np.exp(self.core["logw"])
        self.weights: Floats = weights / weights.sum()
        heard = min(engine.n_stretches, engine.n_slots)
        self.order = np.arange(engine.n_stretches - heard, engine.n_stretches) % engine.n_slots
        self._silence = Silence(engine.model, self.core)
        self._newest: NDArray[np.int32] | None = None  # contact that each guess remembers
        self._target()

    @property
    def is_started(self) -> bool:
        """Whether a place along the program has been guessed at all."""
        return self.engine.is_started

    def _target(self) -> None:
        """Where each guess is going until the next boundary, and how long that takes."""
        core, space = self.core, self.space
        self._t0, self._u0, self._q = (core[name].copy() for name in ("t0", "u0", "q"))
        self._rate = np.exp(core["m"])
        self._most_spread = max(space.end, 1.0)
        self._strays = core["v"] + 0.03**2
        n = max(space.n, 1)
        index = np.minimum(core["k"], n - 1)
        sounding = (core["phase"] == Phase.IN) | (core["phase"] == Phase.DROPPED)
        if space.n == 0:
            target = np.full(core.size, space.end)
        else:
            target = np.where(sounding, space.stop[index], space.start[index])
            target = np.where(core["k"] >= space.n, space.end, target)
        amounts = np.maximum(space.amounts_until(target) - space.amounts_until(core["u0"]), 0.0)
        still = (core["phase"] == Phase.STOPPED) | (core["phase"] == Phase.START)
        self._to_go = np.where(still, 0.0, np.maximum(target - core["u0"], 0.0))
        self._needed_feed = amounts[:, FEED] / self._rate
        self._needed_rest = amounts[:, RAPID] * np.exp(-core["lr"]) + amounts[:, FIXED] + amounts[:, LOOSE]

    def silence(self, at: float) -> tuple[Floats, Floats]:
        """Belief in each guess after silence up to `at`, and the share of it that misses contact k."""
        quiet, absent = self._silence.until(at)
        logw = self.core["logw"] - self.core["paid"] + np.log(quiet + LEAST_QUIET)
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

    def waits_for(self, contact: int, weights: Floats, absent: Floats) -> float:
        """Belief in guesses that wait for `contact`, not begun yet: they cannot judge it."""
        if self._newest is None:
            self._newest = self.rings.last.max(axis=1)
        core = self.core
        waiting = (core["k"] == contact) & (core["phase"] == Phase.AIR) & (self._newest < contact)
        return float(weights[waiting] @ (1.0 - absent[waiting]))

    def places(self, at: float) -> tuple[Floats, Floats]:
        """Where each guess says the program is [s at 100 %], and how surely."""
        elapsed, known = self.engine.clock.between(self._t0, at)
        pace = np.exp(known)
        needed = np.maximum(self._needed_feed / pace + self._needed_rest, 1e-6)
        run = np.minimum(np.maximum(elapsed, 0.0), needed)
        place = self._u0 + run / needed * self._to_go
        spread = np.sqrt(self._q + run * run * self._strays) * (self._rate * pace)
        late = np.maximum(elapsed - needed, 0.0)
        return place, np.minimum(spread + 0.1 * late, self._most_spread)


def _standing_for_all(core: NDArray[np.void], rows: NDArray[np.int64]) -> tuple[NDArray[np.void], float]:
    """The guesses `rows`, weighted as all of the same contact and phase together, and belief in them."""
    places = core["k"].astype(np.int64) * 8 + core["phase"]
    found, place = np.unique(places, return_inverse=True)
    weights = np.exp(core["logw"] - core["logw"].max())
    of_all = np.bincount(place, weights=weights, minlength=found.size)
    of_kept = np.bincount(place[rows], weights=weights[rows], minlength=found.size)
    kept = core[rows]
    kept["logw"] += np.log(of_all / np.maximum(of_kept, 1e-300))[place[rows]]
    return kept, float(of_all[of_kept > 0.0].sum() / of_all.sum())
