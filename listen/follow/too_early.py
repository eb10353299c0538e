"""A contact that begins before its place: too long a tool, a wrong offset, stock too large."""

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import On, normal_log
from listen.follow.model import Model
from listen.follow.space import FEED
from listen.follow.target import Target

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SHORT_EARLY_MM = 8.0
LENGTHS_MM = 0.3 * 1.2 ** np.arange(18)  # up to 6.7 mm
OTHER_TOOL = 0.5  # share of lengths that are wrong for the next tool as well


class TooEarly:
    """Grows the children of a start that came before its place.

    Parameters
    ----------
    model : Model
        Read only.
    """

    def __init__(self, model: Model) -> None:
        self._model = model
        self._priors = model.priors

    def grow(self, target: Target) -> None:
        """Add all of them."""
        self._by_time(target)
        if self._model.space.down[target.k].any():
            self._by_length(target)

    def _by_time(self, target: Target) -> None:
        """Early by what the clock says, as far as it lies outside the spread."""
        space, forecast, parents = self._model.space, target.forecast, target.parents
        early = -forecast.behind
        speed = space.speed[target.k] * np.exp(parents["m"] + forecast.known)  # [mm/s]
        early_mm = early * speed
        moved = early * np.exp(parents["m"] + forecast.known)
        changes: dict[str, object] = {
            "u0": space.start[target.k] - moved,
            "q": forecast.variance,  # no touch at its place says where the tool is
            "shift": moved,
            "early_mm": early_mm,
            "noise": self._model.noise(forecast),
        }
        good = early > np.sqrt(forecast.variance)
        logs = self._size_log(target, early_mm, speed)
        target.add(good, logs, target.fields(self._model) | changes, On.EARLY)

    def _size_log(self, target: Target, early_mm: Floats, speed: Floats) -> Floats:
        """Log density of being early by this much: a few millimetres, or anywhere in the air."""
        priors, forecast, known = self._priors, target.forecast, target.parents["early_mm"]
        short = np.where(early_mm < SHORT_EARLY_MM, speed / SHORT_EARLY_MM, 0.0)
        anywhere = 1.0 / np.maximum(forecast.mean, 0.2)
        fresh = np.log(priors.early) + np.log(0.5 * short + 0.5 * anywhere + 1e-12)
        spread_mm = np.hypot(np.sqrt(forecast.variance) * speed, 0.2)
        again = np.log(priors.early_again_side) + normal_log(early_mm - known, spread_mm**2) + np.log(speed)
        side = (known > 0.0) & ~self._model.space.down[target.k]  # downwards one length is carried on
        result: Floats = np.where(side, np.logaddexp(fresh, again), fresh)
        return result

    def _by_length(self, target: Target) -> None:
        """Plunges early by one length: the one of the touches before, or any where a tool is new."""
        space, known = self._model.space, target.parents["early_mm"]
        least_mm = target.least_mm(self._model)
        held = np.flatnonzero(space.down[target.k] & (known > least_mm))
        share = np.where(space.is_first[target.k], OTHER_TOOL, self._priors.early_again)
        self._one_length(target, held, np.log(share), known)
        new = space.down[target.k] & (known == 0.0) & space.is_first[target.k]
        prior = np.full(new.size, np.log(self._priors.early / LENGTHS_MM.size))
        for length_mm in LENGTHS_MM if new.any() else ():
            clear = np.flatnonzero(new & (length_mm > least_mm))
            self._one_length(target, clear, prior, np.full(new.size, length_mm))

    def _one_length(self, target: Target, good: Ints, prior: Floats, length_mm: Floats) -> None:
        """Add guesses in which the contact begins this length before its place, and on time for that."""
        if good.size == 0:
            return
        model, space, k = self._model, self._model.space, target.k[good]
        parents = target.parents[good]
        moved = length_mm[good] / space.speed[k]
        nearer = target.amounts[good].copy()
        nearer[:, FEED] = np.maximum(nearer[:, FEED] - moved, 0.0)
        forecast = model.forecast(
            parents, nearer, target.at, boundary_s=target.spread_s, is_gap=True, n_gaps=target.n_gaps
        )
        fields = {
            name: v[good] if isinstance(v, np.ndarray) else v for name, v in target.fields(model).items()
        }
        fields |= model.learn(parents, forecast, target.at, boundary_s=target.spread_s)
        fields |= {"u0": space.start[k] - moved, "shift": moved, "early_mm": length_mm[good]}
        logs = target.base[good] + prior[good] + model.on_time_log(forecast)
        target.growing.add(target.rows[good], logs, code=On.EARLY, **fields)
