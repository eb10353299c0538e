"""How long from one boundary to the next, by each guess, and what a heard one teaches.

References
----------
The update is the extended Kalman filter for a scalar measurement, e.g. Bar-Shalom, Li and
Kirubarajan, *Estimation with Applications to Tracking and Navigation* (2001), section 10.3;
here with a gain that falls for far-off values.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from listen.follow.feed_clock import FeedClock
from listen.follow.habits import Habit
from listen.follow.holding import Holding
from listen.follow.hypotheses import normal_log, tailed_log
from listen.follow.own_ear import OwnEar, date_tells
from listen.follow.priors import ANY_FEED, DEAF, FAINT, KNOWN_FEED, TOLD_FEED, Priors, Timing
from listen.follow.quiet import Quiet
from listen.follow.space import FEED, FIXED, LOOSE, RAPID, Space
from listen.follow.way_out import WaysOut

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
BEFORE, KEEP = 4.0, 60.0
LEAST_FACTOR, MOST_FACTOR = 0.1, 9.0
TURN_BACK = 0.3  # share of turns that go back to where the dial stood before
MOST_NOISE, CLIP = 50.0, 6.0
NEAR_LOST_S = 0.5
NEW_TOOL_S, MOST_CARRIED = 1.0, 2.0  # standard deviations of the gap bias that go over to the next tool
UNTOLD_TURN = 1e-5
MET_RAPID = 0.8  # share of its first variance below which the rapid rate was heard
MOST_DENSITY, BEATEN = 2.0, 8.0  # log density of a boundary at most; what falls so far behind is not grown
LEAST_S = 0.02  # no two boundaries are nearer than this


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
    noise: Floats  # the part of the variance that each boundary brings anew [s²]
    usual: Floats  # what every gap takes longer than computed, by now [s]
    bias: Floats  # its variance [s²]
    is_gap: bool
    n_gaps: int  # air gaps on the way
    behind: Floats = field(init=False)  # how much later than forecast [s]; negative for early

    def __post_init__(self) -> None:
        self.behind = self.elapsed - self.mean

    def take(self, rows: Ints) -> "Forecast":
        """The forecast of some guesses only."""
        picked = {
            name: getattr(self, name)[rows]
            for name in (
                "elapsed",
                "mean",
                "variance",
                "feed",
                "rapid",
                "rest",
                "raw_feed",
                "known",
                "noise",
                "usual",
                "bias",
            )
        }
        return Forecast(**picked, is_gap=self.is_gap, n_gaps=self.n_gaps)


def slowness(log_rate: Floats) -> Floats:
    """How much longer what a gap takes beside its feed is at this rate: half of it is feed too."""
    result: Floats = 0.5 + 0.5 * np.exp(-log_rate)
    return result


class Scale:
    """How large the timing noise of this run is beside what was believed before it.

    The belief counts as `BEFORE` boundaries; what is older than `KEEP` boundaries fades.
    """

    def __init__(self) -> None:
        self._n = BEFORE
        self._sum = BEFORE
        self.factor = 1.0

    def learn(self, noise: float) -> None:
        """Take the noise of one boundary, as a share of the variance believed before."""
        noise = min(noise, CLIP)  # one fault is not the run's noise
        fade = min(1.0, KEEP / (self._n + 1.0))
        self._n = fade * (self._n + 1.0)
        self._sum = fade * (self._sum + noise)
        self.factor = min(max(self._sum / self._n, LEAST_FACTOR), MOST_FACTOR)


class Model:
    """The timing model that onset, offset and silence share."""

    def __init__(self, space: Space, priors: Priors, clock: FeedClock, quiet: Quiet) -> None:
        self.space = space
        self.priors = priors
        self.clock = clock
        self.scales = {True: Scale(), False: Scale()}  # of gaps, of contacts
        self.ear = OwnEar(priors)
        self.ways_out = WaysOut()
        self.quiet = quiet  # what the ear believed meanwhile
        self.lost: list[tuple[float, float]] = []  # when nothing was heard [s]
        self.holding = Holding(priors)
        self.turns, self.holds = Habit(priors.step_per_s), Habit(priors.hold_per_s)

    def way_out_s(self, k: Ints, log_rate: Floats) -> Floats:
        """How long the tool takes to leave contacts `k` at a log rate over the known override [s]."""
        result: Floats = self.space.ramp_out[k] * np.exp(-log_rate) / max(self.clock.rate, 1e-3)
        return result

    def misses(self, k: Ints, missed: Floats | float = 0.0, *, judged: int = 0) -> Floats:
        """How often the ear misses contacts `k`, after `judged` more of which so many were missed."""
        own = self.ear.misses_after(np.asarray(missed), judged)
        result: Floats = np.where(self.space.deaf[k], DEAF, np.where(self.space.faint[k], FAINT, own))
        return result

    def lost_since(self, anchors: Floats) -> bool:
        """Whether sound was lost after any of these times [s]."""
        return any(stop + NEAR_LOST_S > anchors.min(initial=np.inf) for _, stop in self.lost)

    def in_lost(self, at: Floats) -> NDArray[np.bool_]:
        """Whether each time lies where nothing was heard, or so near that it may."""
        inside = np.zeros(at.shape, bool)
        for start, stop in self.lost:
            inside |= (at > start - NEAR_LOST_S) & (at < stop + NEAR_LOST_S)
        return inside

    def held_share(self, core: NDArray[np.void], mean_s: Floats) -> Floats:
        """Chance of a hold in a gap of this length [s], by each guess."""
        per_gap, per_s = self.clock.holds_in_air(self.holding.share(core), self.holds.per_s)
        result: Floats = 1.0 - (1.0 - per_gap) * np.exp(-per_s * mean_s)
        return result

    def rapid_share(self, core: NDArray[np.void]) -> Floats:
        """Chance that the rapid override is another than each guess says; large until a rapid was heard."""
        if self.clock.rapid is not None:
            return np.full(core.size, UNTOLD_TURN)
        is_new = core["vr"] > MET_RAPID * self.timing.rapid_rate_spread**2
        result: Floats = np.where(is_new, self.priors.rapid_other, self.priors.rapid_step)
        return result

    @property
    def timing(self) -> Timing:
        """How far boundaries stray, as far as the feed clock is known now."""
        if not self.clock.feed_known:
            return ANY_FEED
        return TOLD_FEED if self.clock.told_by_control else KNOWN_FEED

    def forecast(
        self,
        core: NDArray[np.void],
        amounts: Floats,
        at: float,
        *,
        boundary_s: float | Floats,
        is_gap: bool,
        n_gaps: int = 1,
    ) -> Forecast:
        """Forecast for each guess the time to a place with these amounts, shape (…, 4).

        `is_gap`: the way leads through air, `n_gaps` times where contacts are left out.
        """
        elapsed, known = self.clock.between(core["t0"], at)
        feed = amounts[:, FEED] * np.exp(-core["m"] - known)
        rapid = amounts[:, RAPID] * np.exp(-core["lr"])
        slow = slowness(core["m"] + known)
        usual = self.usual(core["b"], amounts[:, LOOSE], slow)
        rest = amounts[:, FIXED] + amounts[:, LOOSE] + (n_gaps * usual if is_gap else 0.0)
        own = self.timing.gap_s * slow if is_gap else self.priors.contact_s
        noise = (feed * self.timing.feed_spread) ** 2 + boundary_s**2 + n_gaps * own**2
        bias = self._bias(core, amounts, slow)
        variance = (
            feed**2 * core["v"]
            + rapid**2 * (core["vr"] + self.timing.rapid_spread**2)
            + (self.priors.loose_spread * amounts[:, LOOSE]) ** 2
            + core["q"]
            + (n_gaps**2 * bias if is_gap else 0.0)
            + noise * self.scales[is_gap].factor
        )
        return Forecast(
            elapsed=elapsed,
            mean=np.maximum(feed + rapid + rest, LEAST_S),
            variance=variance,
            feed=feed,
            rapid=rapid,
            rest=rest,
            raw_feed=amounts[:, FEED],
            known=known,
            noise=noise,
            usual=usual,
            bias=bias,
            is_gap=is_gap,
            n_gaps=n_gaps,
        )

    def usual(self, before: Floats, loose: Floats, slow: Floats) -> Floats:
        """What every gap takes longer than computed [s]; a large one was the last tool's own."""
        most = MOST_CARRIED * self.timing.gap_bias_s * slow
        carried = np.minimum(np.maximum(before, -most), most)
        result: Floats = np.where(loose > NEW_TOOL_S, carried, before)
        return result

    def _bias(self, core: NDArray[np.void], amounts: Floats, slow: Floats) -> Floats:
        """Variance of the gap bias by now; another tool has other air."""
        again = np.where(amounts[:, LOOSE] > NEW_TOOL_S, 1.0, self.priors.bias_drift)
        result: Floats = core["vb"] + (again * self.timing.gap_bias_s * slow) ** 2
        return result

    def on_time_log(self, forecast: Forecast) -> Floats:
        """Log density of a boundary heard now that comes as it should."""
        timing = self.timing
        wider = self.priors.tail_scale
        close = tailed_log(forecast.behind, forecast.variance, tail=timing.tail, scale=wider)
        scale = 0.3 + 0.1 * forecast.mean if forecast.is_gap else 0.15 + 0.05 * forecast.mean
        late = np.where(forecast.behind > 0.0, -forecast.behind / scale - np.log(scale), -np.inf)
        result: Floats = np.logaddexp(np.log1p(-timing.late_tail) + close, np.log(timing.late_tail) + late)
        return result

    def learn(
        self, core: NDArray[np.void], forecast: Forecast, at: float, *, boundary_s: float | Floats
    ) -> dict[str, Floats]:
        """Clock, rate, gap bias and rapid rate of each guess after a boundary heard at `at`.

        The clock is set between where the boundary was forecast and where it was heard, so
        that an end dated late does not make the contact long and the gap after it short.
        """
        drift = self.priors.drift**2
        v = core["v"] + drift
        innovation = forecast.behind
        surprise = innovation**2 / forecast.variance
        total = forecast.variance * np.maximum(1.0, surprise / 4.0)
        heard = boundary_s**2 * self.scales[forecast.is_gap].factor + 0.5 * (total - forecast.variance)
        learnt = {
            "t0": at - heard / total * innovation,
            "q": np.maximum((total - heard) * heard / total, 1e-6),
            "m": core["m"] - v * forecast.feed / total * innovation,
            "v": np.maximum(v - (v * forecast.feed) ** 2 / total, 2.5e-5),
            "noise": self.noise(forecast),
            "worse": self._date_tells(forecast, boundary_s),
        }
        if forecast.is_gap:
            vb, vr = forecast.bias, core["vr"]
            n = forecast.n_gaps
            learnt["b"] = forecast.usual + n * vb / total * innovation
            learnt["vb"] = np.maximum(vb - (n * vb) ** 2 / total, 1e-6)
            learnt["lr"] = core["lr"] - vr * forecast.rapid / total * innovation
            learnt["vr"] = np.maximum(vr - (vr * forecast.rapid) ** 2 / total, 1e-4)
        return learnt

    def noise(self, forecast: Forecast) -> Floats:
        """How large the noise of this boundary was over what it was taken to be."""
        known = forecast.variance - forecast.noise * self.scales[forecast.is_gap].factor
        over = (forecast.behind**2 - known) / forecast.noise
        result: Floats = np.minimum(np.maximum(over, 0.0), MOST_NOISE)
        return result

    def _date_tells(self, forecast: Forecast, boundary_s: float | Floats) -> Floats:
        """How much a boundary's date speaks for an ear worse than stated [nats]."""
        before_s = self.priors.offset_s if forecast.is_gap else self.priors.onset_s
        of_ear = boundary_s**2 / self.ear.wider + np.full(forecast.mean.shape, before_s**2)
        above = max(self.scales[forecast.is_gap].factor - 1.0, 0.0)
        stated = forecast.variance - forecast.noise * above - (self.ear.wider - 1.0) * of_ear
        return date_tells(forecast.behind, np.maximum(stated, of_ear), of_ear)

    def step_share(self, forecast: Forecast, *, turns: int) -> Floats:
        """Chance that the override was turned on the way; next to none where the control tells it."""
        if self.clock.told_by_control and self.clock.feed_known:
            return np.full(forecast.mean.shape, UNTOLD_TURN)
        p = self.priors
        once = (1.0 - turns * p.step_per_boundary) * np.exp(-self.turns.per_s * forecast.mean)
        result: Floats = 1.0 - once
        return result

    def step_logs(
        self, core: NDArray[np.void], forecast: Forecast, grid: Floats, grid_logs: Floats
    ) -> tuple[Floats, Floats]:
        """Rates after a turn of the override on the way, and the log density of this boundary.

        Half of the time the new rate held from the anchor on, half of the time it came
        anywhere on the way. The last rate is the one that was in force before the last turn:
        what is turned down for a look is mostly turned up again.

        Returns
        -------
        rates, logs : ndarray, shape (n_guesses, n_rates + 1)
        """
        before = np.exp(core["mb"]) * max(self.clock.rate, 1e-3)
        rates = np.column_stack([np.tile(grid, (core.size, 1)), before])
        back = np.where(np.abs(core["mb"] - core["m"]) > 0.04, np.log(TURN_BACK), -np.inf)
        prior = np.column_stack([np.tile(grid_logs + np.log1p(-TURN_BACK), (core.size, 1)), back])
        other = (forecast.mean - forecast.feed)[:, None]
        feed_new = forecast.raw_feed[:, None] / rates
        spread = np.sqrt(
            np.maximum(forecast.variance - (forecast.feed**2) * core["v"], 1e-6)[:, None]
            + (0.02 * feed_new) ** 2
        )
        elapsed = forecast.elapsed[:, None]
        all_new = normal_log(elapsed - other - feed_new, spread**2)
        low = np.minimum(feed_new, forecast.feed[:, None]) + other
        high = np.maximum(feed_new, forecast.feed[:, None]) + other
        width = np.maximum(high - low, 1e-3)
        inside = (ndtr((elapsed - low) / spread) - ndtr((elapsed - high) / spread)) / width
        mixed = np.logaddexp(all_new, np.log(np.maximum(inside, 1e-30))) - np.log(2.0)
        return rates, mixed + prior
