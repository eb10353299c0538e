"""How long from one boundary to the next, by each guess, and what a heard one teaches.

References
----------
The update is the extended Kalman filter for a scalar measurement, e.g. Bar-Shalom, Li and
Kirubarajan, *Estimation with Applications to Tracking and Navigation* (2001), section 10.3;
here with a gain that falls for far-off values.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from listen.follow.feed_clock import FeedClock
from listen.follow.hypotheses import normal_log, tailed_log
from listen.follow.priors import Priors
from listen.follow.space import FEED, FIXED, LOOSE, RAPID, Space

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
LATE_TAIL = 0.04  # a machine can be late, not faster than commanded


@dataclass(slots=True)
class Forecast:
    """Time from the anchors to a place, by each guess; all arrays of one shape."""

    elapsed: Floats  # time since the anchor, known holds left out
    mean: Floats
    variance: Floats
    feed: Floats  # the part that scales with the feed rate [s]
    rapid: Floats
    rest: Floats
    raw_feed: Floats  # feed time at 100 % [s]
    known: Floats  # log of the known override
    is_gap: bool

    @property
    def behind(self) -> Floats:
        """How much later than forecast [s]; negative for early."""
        return self.elapsed - self.mean


class Model:
    """The timing model that onset, offset and silence share."""

    def __init__(self, space: Space, priors: Priors, clock: FeedClock) -> None:
        self.space = space
        self.priors = priors
        self.clock = clock

    def forecast(
        self, core: NDArray[np.void], amounts: Floats, at: float, *, boundary_s: float, is_gap: bool
    ) -> Forecast:
        """Forecast for each guess the time to a place with these amounts, shape (…, 4)."""
        elapsed, known = self.clock.between(core["t0"], at)
        feed = amounts[:, FEED] * np.exp(-core["m"] - known)
        rapid = amounts[:, RAPID] * np.exp(-core["lr"])
        rest = amounts[:, FIXED] + amounts[:, LOOSE] + (core["b"] if is_gap else 0.0)
        p = self.priors
        variance = (
            feed**2 * (core["v"] + p.feed_spread**2)
            + rapid**2 * (core["vr"] + p.rapid_spread**2)
            + (p.loose_spread * amounts[:, LOOSE]) ** 2
            + core["q"]
            + boundary_s**2
        )
        if is_gap:
            variance = variance + core["vb"] + p.gap_s**2
        return Forecast(
            elapsed=elapsed,
            mean=feed + rapid + rest,
            variance=variance,
            feed=feed,
            rapid=rapid,
            rest=rest,
            raw_feed=amounts[:, FEED],
            known=known,
            is_gap=is_gap,
        )

    def on_time_log(self, forecast: Forecast) -> Floats:
        """Log density of a boundary heard now that comes as it should."""
        p = self.priors
        close = tailed_log(forecast.behind, forecast.variance, tail=p.tail, scale=p.tail_scale)
        if not forecast.is_gap:
            return close
        scale = 0.3 + 0.1 * forecast.mean
        late = np.where(forecast.behind > 0.0, -forecast.behind / scale - np.log(scale), -np.inf)
        result: Floats = np.logaddexp(np.log1p(-LATE_TAIL) + close, np.log(LATE_TAIL) + late)
        return result

    def learn(self, core: NDArray[np.void], forecast: Forecast) -> dict[str, Floats]:
        """Rate, gap bias and rapid rate of each guess after this boundary."""
        drift = self.priors.drift**2
        v = core["v"] + drift
        innovation = forecast.behind
        surprise = innovation**2 / forecast.variance
        total = forecast.variance * np.maximum(1.0, surprise / 4.0)
        learnt = {
            "m": core["m"] - v * forecast.feed / total * innovation,
            "v": np.maximum(v - (v * forecast.feed) ** 2 / total, 2.5e-5),
        }
        if forecast.is_gap:
            vb, vr = core["vb"], core["vr"]
            learnt["b"] = core["b"] + vb / total * innovation
            learnt["vb"] = np.maximum(vb - vb**2 / total, 1e-6)
            learnt["lr"] = core["lr"] - vr * forecast.rapid / total * innovation
            learnt["vr"] = np.maximum(vr - (vr * forecast.rapid) ** 2 / total, 1e-4)
        return learnt

    def step_logs(self, forecast: Forecast, grid: Floats, grid_logs: Floats, rows: Ints) -> Floats:
        """Log density of this boundary where the override was turned on the way.

        Half of the time the new rate held from the anchor on, half of the time it came
        anywhere on the way.

        Returns
        -------
        ndarray, shape (n_rows, n_rates)
        """
        other = (forecast.mean - forecast.feed)[rows, None]
        feed_new = forecast.raw_feed[rows, None] / grid[None, :]
        spread = np.sqrt(
            np.maximum(forecast.variance[rows] - forecast.feed[rows] ** 2 * self.priors.feed_spread**2, 1e-6)
        )[:, None]
        spread = np.sqrt(spread**2 + (0.03 * feed_new) ** 2)
        elapsed = forecast.elapsed[rows, None]
        all_new = normal_log(elapsed - other - feed_new, spread**2)
        low = np.minimum(feed_new, forecast.feed[rows, None]) + other
        high = np.maximum(feed_new, forecast.feed[rows, None]) + other
        width = np.maximum(high - low, 1e-3)
        inside = (ndtr((elapsed - low) / spread) - ndtr((elapsed - high) / spread)) / width
        mixed = np.logaddexp(all_new, np.log(np.maximum(inside, 1e-30))) - np.log(2.0)
        result: Floats = mixed + grid_logs[None, :]
        return result
