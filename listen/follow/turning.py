"""Children of guesses in which the override was turned on the way to a boundary."""

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import Floats, Growing, Ints
from listen.follow.model import BEATEN, MOST_DENSITY, Forecast, Model

CUT_TURNS = 9.0  # turned guesses this far below the best are not grown [nats]


class Turning:
    """Grows children for a turned override.

    Parameters
    ----------
    model : Model
    grid, grid_logs : ndarray, shape (n_rates,)
        Rates an operator may turn to, and the log of how likely each is.
    """

    def __init__(self, model: Model, grid: Floats, grid_logs: Floats) -> None:
        self._model = model
        self._grid = grid
        self._grid_logs = grid_logs

    def grow(
        self,
        growing: Growing,
        rows: Ints,
        base: Floats,
        forecast: Forecast,
        fields: dict[str, object],
        *,
        share: Floats,
        least_feed_s: float = 0.0,
    ) -> None:
        """Add a child for each rate that explains the boundary well.

        Parameters
        ----------
        growing : Growing
        rows : ndarray, shape (n_rows,)
            Parents.
        base : ndarray, shape (n_rows,)
            Log weights before the boundary.
        forecast : Forecast
            Of these rows.
        fields : dict
            What the children become; arrays have shape (n_rows,).
        share : ndarray, shape (n_rows,)
            Chance of a turn on the way.
        least_feed_s : float
            Less feed than this between the boundaries tells nothing of a turn [s].
        """
        most = base + np.log(share)
        likely = (base > base.max(initial=-np.inf) - CUT_TURNS) & (
            most + MOST_DENSITY > growing.best - BEATEN
        )
        good = np.flatnonzero((forecast.feed > least_feed_s) & likely)
        if good.size == 0:
            return
        parents = growing.parents[rows[good]]
        rates, logs = self._model.step_logs(parents, forecast.take(good), self._grid, self._grid_logs)
        logs = logs + most[good][:, None]
        row, rate = np.nonzero(logs > logs.max() - CUT_TURNS)
        picked = {name: v[good[row]] if isinstance(v, np.ndarray) else v for name, v in fields.items()}
        picked |= self._rates(parents["m"][row], rates[row, rate])
        growing.add(rows[good[row]], logs[row, rate], **picked)

    def _rates(self, before: Floats, rates: NDArray[np.float64]) -> dict[str, object]:
        known = np.log(max(self._model.clock.rate, 1e-3))
        spread = np.full(rates.size, self._model.priors.detent_spread**2)
        return {"m": np.log(rates) - known, "v": spread, "mb": before}
