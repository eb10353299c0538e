"""The contact that some guesses may begin now, and how its children are added."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import Growing, Phase
from listen.follow.model import Forecast, Model

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_LENGTH_S = 0.25  # an offset of less time is lost in the timing,
LEAST_LENGTH = 0.06  # and so is one of less than this share of a contact


@dataclass(slots=True, kw_only=True)
class Target:
    """Some guesses in air, each with the contact it may begin; all arrays of one length.

    Attributes
    ----------
    growing : Growing
        Where the children go.
    rows : ndarray, shape (n_rows,)
        The guesses.
    k : ndarray, shape (n_rows,)
        The contact each may begin.
    base : ndarray, shape (n_rows,)
        Log weight of the guess, and of the contacts left out on the way.
    at, spread_s : float
        When the start was heard, and how surely [s].
    n_gaps : int
        Air gaps on the way.
    amounts : ndarray, shape (n_rows, 4)
        From the guess's anchor to the contact [s at 100 %].
    forecast : Forecast
    """

    growing: Growing
    rows: Ints
    k: Ints
    base: Floats
    at: float
    spread_s: float
    n_gaps: int
    parents: NDArray[np.void]
    amounts: Floats
    forecast: Forecast

    @classmethod
    def of(
        cls,
        model: Model,
        growing: Growing,
        rows: Ints,
        k: Ints,
        prior: Floats,
        *,
        at: float,
        spread_s: float,
        n_gaps: int,
    ) -> "Target":
        """A target with its forecast."""
        parents = growing.parents[rows]
        amounts = np.maximum(model.space.at_start[k] - model.space.amounts_until(parents["u0"]), 0.0)
        forecast = model.forecast(parents, amounts, at, boundary_s=spread_s, is_gap=True, n_gaps=n_gaps)
        return cls(
            growing=growing,
            rows=rows,
            k=k,
            base=parents["logw"] + prior,
            at=at,
            spread_s=spread_s,
            n_gaps=n_gaps,
            parents=parents,
            amounts=amounts,
            forecast=forecast,
        )

    def fields(self, model: Model) -> dict[str, object]:
        """What a child becomes that begins its contact now."""
        return {
            "k": self.k,
            "phase": Phase.IN,
            "t0": self.at,
            "u0": model.space.start[self.k],
            "q": self.spread_s**2,
            "shift": 0.0,
            "gone": False,
            "predicted": self.at - self.forecast.behind,
            **model.holding.after_gaps(self.parents, self.n_gaps),
        }

    def least_mm(self, model: Model) -> Floats:
        """The least offset that is not lost in the timing of each contact [mm]."""
        space = model.space
        speed = space.speed[self.k] * np.exp(self.parents["m"]) * model.clock.rate
        contact_s = (space.stop - space.start)[self.k] * space.speed[self.k] / speed
        result: Floats = speed * np.maximum(LEAST_LENGTH_S, LEAST_LENGTH * contact_s)
        return result

    def add(self, good: NDArray[np.bool_] | bool, logs: Floats, fields: dict[str, object], code: int) -> None:
        """Add the children of the good ones; arrays are of all rows."""
        logw = np.where(good, self.base + logs, -np.inf)
        self.growing.add(self.rows, logw, code=code, **fields)
