"""What a heard end of contact can mean, as children of every guess."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from listen.follow.hypotheses import Growing, Off, Phase, normal_log
from listen.follow.model import BEATEN, MOST_DENSITY, Forecast, Model
from listen.follow.turning import CUT_TURNS, Turning

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Core = NDArray[np.void]
MOVED = 0.3  # share of early and late contacts that are as long as they should be,
MOVED_DOWN = 0.03  # and of plunges: what is too long touches early and is drawn back on time
MOST_MERGED = 3
TURNED = 0.4  # spread of the log rate after a turn that nothing tells more of,
TURNED_AT, TURNED_SPREAD = 0.8, 0.2  # and how far on the tool then is, as a share of what the old rate says
FADED, LONGEST_FADE_S = 0.35, 0.5  # how far along the way out an end is dated
SINGLE_BLOCK = 0.9  # share of block ends at which single block waits
MERGE_AIR_S = 0.12  # air shorter than this is often not heard


class Offset:
    """Grows the children of one heard end."""

    def __init__(self, model: Model, grid: Floats, grid_logs: Floats) -> None:
        self.model = model
        self.priors = model.priors
        self._turning = Turning(model, grid, grid_logs)

    def grow(
        self, core: Core, at: float, *, spread_s: float, doubt: float = 1.0, way_out_s: float = math.nan
    ) -> Core:
        """Children of all guesses for an end heard at `at` [s].

        `doubt`: how much likelier than usual the ear was wrong about it; `way_out_s`: how long
        leaving was heard to take [s].
        """
        growing = Growing(core)
        rows = np.flatnonzero(core["phase"] == Phase.IN)
        if rows.size:
            self._from_contact(growing, rows, at, spread_s, doubt, way_out_s)
        self._extra_over(growing, np.flatnonzero(core["phase"] == Phase.EXTRA), at)
        return growing.all()

    def _from_contact(
        self, growing: Growing, rows: Ints, at: float, spread_s: float, doubt: float, way_out_s: float
    ) -> None:
        model = self.model
        space = model.space
        parents = growing.parents[rows]
        k = parents["k"]
        begun = space.amounts_until(parents["u0"])
        amounts = np.maximum(space.at_stop[k] - begun, 0.0)
        spread = self._faded(parents, spread_s)
        forecast = model.forecast(parents, amounts, at, boundary_s=spread, is_gap=False)
        ended = {
            "k": k + 1,
            "phase": Phase.AIR,
            "t0": at,
            "u0": space.stop[k],
            "q": spread**2,
            "ts": at,
            "shift": 0.0,
            "predicted": at - forecast.behind,
        }
        self._cut_short(growing, rows, parents, forecast, ended, at, doubt)
        parents["logw"] += model.ways_out.log_ratio(way_out_s, model.way_out_s(k, parents["m"]))
        self._on_time(growing, rows, parents, forecast, ended, at, spread)
        self._late(growing, rows, parents, forecast, ended)
        self._moved(growing, rows, parents, forecast, ended)
        self._merged(growing, rows, parents, begun, ended, at, spread_s)

    def _on_time(
        self,
        growing: Growing,
        rows: Ints,
        parents: Core,
        forecast: Forecast,
        ended: dict[str, object],
        at: float,
        spread: Floats,
    ) -> None:
        """The contact ended where it should, at the rate so far or at another."""
        model, base = self.model, parents["logw"]
        on_time = base + np.log(0.97) + model.on_time_log(forecast)
        learnt = model.learn(parents, forecast, at, boundary_s=spread)
        growing.add(rows, on_time, code=Off.ON_TIME, **(ended | learnt))
        share = model.step_share(forecast, turns=2)
        turned = {**ended, "code": Off.STEPPED, "predicted": at}
        self._turning.grow(growing, rows, base, forecast, turned, share=share)

    def _faded(self, parents: Core, spread_s: float) -> Floats:
        """Spread of an end: a cut that grows thin is lost by the ear somewhere on the way out."""
        ramp_s = self.model.way_out_s(parents["k"], parents["m"])
        result: Floats = np.hypot(spread_s, FADED * np.minimum(ramp_s, LONGEST_FADE_S))
        return result

    def _cut_short(
        self,
        growing: Growing,
        rows: Ints,
        parents: Core,
        forecast: Forecast,
        ended: dict[str, object],
        at: float,
        doubt: float,
    ) -> None:
        """Held in the cut, lost by the ear, or gone: the sound stops before the contact's end."""
        priors = self.model.priors
        not_over = parents["logw"] + log_ndtr(-forecast.behind / np.sqrt(forecast.variance) - 0.5)
        place = parents["u0"] + forecast.elapsed * np.exp(parents["m"] + forecast.known)
        spread = parents["q"] + forecast.elapsed**2 * parents["v"] + priors.offset_s**2
        inside = {"k": parents["k"], "ts": at, "predicted": ended["predicted"]}
        stopped = {"code": Off.STOPPED, "phase": Phase.STOPPED, "u0": place, "q": spread, "t0": at}
        growing.add(rows, not_over + np.log(self._stop_rate(place, spread)), **(inside | stopped))
        dropped = {"code": Off.DROPPED, "phase": Phase.DROPPED}
        growing.add(
            rows,
            not_over + np.log(priors.dropout_per_s * self.model.ear.times * doubt),
            **(inside | dropped),
        )
        self._turned_and_stopped(growing, rows, forecast, inside, at)
        gone = {"u0": place, "q": parents["q"] + priors.offset_s**2, "gone": True, "code": Off.GONE}
        rate = priors.gone / np.maximum(forecast.mean, 0.2)
        growing.add(rows, not_over + np.log(rate), **(ended | gone))

    def _turned_and_stopped(
        self, growing: Growing, rows: Ints, forecast: Forecast, inside: dict[str, object], at: float
    ) -> None:
        """Held after the override was turned in the same contact: about as far on as its time tells."""
        model = self.model
        base = growing.parents["logw"][rows]
        good = np.flatnonzero(base > base.max() - CUT_TURNS)
        parents, forecast = growing.parents[rows[good]], forecast.take(good)
        left = model.space.stop[parents["k"]] - parents["u0"]
        done = np.minimum(forecast.elapsed / forecast.mean, 1.0)
        slower = np.log(np.minimum(forecast.mean / np.maximum(forecast.elapsed, 1e-3), 1.0))
        m = parents["m"] + slower
        place = parents["u0"] + TURNED_AT * done * left
        spread = (TURNED_SPREAD * done * left * np.exp(-m - forecast.known)) ** 2
        share = model.step_share(forecast, turns=1)
        logs = base[good] + np.log(share) + np.log(self._stop_rate(place, spread))
        picked = {name: v[good] if isinstance(v, np.ndarray) else v for name, v in inside.items()}
        stopped = {"code": Off.STOPPED, "phase": Phase.STOPPED, "u0": place, "q": spread, "t0": at}
        turned = {"m": m, "v": np.full(m.size, TURNED**2), "mb": parents["m"]}
        growing.add(rows[good], logs, **(picked | stopped | turned))

    def _stop_rate(self, place: Floats, variance: Floats) -> Floats:
        """Rate of stops in the cut at each place [1/s]; in single block they come where blocks end."""
        space, clock, priors = self.model.space, self.model.clock, self.model.priors
        rate = np.full(place.shape, clock.hold_rate(self.model.holds.per_s))
        if space.timeline.single_block and not clock.holds_known:
            near = normal_log(space.from_block_end(place), variance + priors.contact_s**2)
            rate = rate + SINGLE_BLOCK * np.exp(near)
        return rate

    def _late(
        self, growing: Growing, rows: Ints, parents: Core, forecast: Forecast, ended: dict[str, object]
    ) -> None:
        """Cut beyond the contact's end: stock too large, or something else is being cut."""
        priors, space = self.model.priors, self.model.space
        late = forecast.behind
        good = late > np.sqrt(forecast.variance)
        scale = 0.25 * forecast.mean + 0.5
        logs = parents["logw"] + np.log(priors.ended_late) - late / scale - np.log(scale)
        k = parents["k"]
        following = np.where(k + 1 < space.n, space.start[np.minimum(k + 1, space.n - 1)], space.end)
        place = np.minimum(space.stop[k] + late * np.exp(parents["m"] + forecast.known), following)
        picked = {name: v[good] if isinstance(v, np.ndarray) else v for name, v in ended.items()}
        growing.add(rows[good], logs[good], code=Off.LATE, **(picked | {"u0": place[good]}))

    def _moved(
        self, growing: Growing, rows: Ints, parents: Core, forecast: Forecast, ended: dict[str, object]
    ) -> None:
        """A contact that began early or late by clock, and is as long as it should be."""
        moved = parents["shift"] != 0.0
        if not moved.any():
            return
        shift_s = parents["shift"] * np.exp(-parents["m"] - forecast.known)
        nominal = forecast.behind + shift_s
        priors = self.model.priors
        spread = np.sqrt(forecast.variance)
        share = np.where(self.model.space.down[parents["k"]], MOVED_DOWN, MOVED)
        logs = parents["logw"] + np.log(share) + self._near(nominal, spread, priors.tail_scale)
        k = parents["k"]
        picked = {name: v[moved] if isinstance(v, np.ndarray) else v for name, v in ended.items()}
        for place in (self.model.space.stop[k], self.model.space.stop[k] - parents["shift"]):
            growing.add(rows[moved], logs[moved], code=Off.MOVED, **(picked | {"u0": place[moved]}))

    @staticmethod
    def _near(x: Floats, spread: Floats, scale: float) -> Floats:
        z = x / spread
        narrow = -0.5 * z * z - np.log(spread * np.sqrt(2.0 * np.pi))
        wide = -0.5 * (z / scale) ** 2 - np.log(scale * spread * np.sqrt(2.0 * np.pi)) + np.log(0.05)
        result: Floats = np.logaddexp(narrow, wide)
        return result

    def _merged(
        self,
        growing: Growing,
        rows: Ints,
        parents: Core,
        begun: Floats,
        ended: dict[str, object],
        at: float,
        spread_s: float,
    ) -> None:
        """Air between contacts that was too short, or too noisy, to be heard."""
        model, space = self.model, self.model.space
        cost = np.zeros(rows.size)
        for more in range(1, MOST_MERGED + 1):
            last = parents["k"] + more
            inside = last < space.n
            if not inside.any():
                return
            air = space.start[np.minimum(last, space.n - 1)] - space.stop[last - 1]
            cost = cost + np.log(np.where(air * np.exp(-parents["m"]) < MERGE_AIR_S, 0.5, 5e-4))
            inside &= parents["logw"] + cost + MOST_DENSITY > growing.best - BEATEN
            rows, parents, begun = rows[inside], parents[inside], begun[inside]
            cost, last = cost[inside], last[inside]
            if rows.size == 0:
                return
            amounts = np.maximum(space.at_stop[last] - begun, 0.0)
            forecast = model.forecast(parents, amounts, at, boundary_s=spread_s, is_gap=False)
            logs = parents["logw"] + cost + model.on_time_log(forecast)
            merged = {
                "k": last + 1,
                "phase": Phase.AIR,
                "u0": space.stop[last],
                "ts": at,
                "shift": 0.0,
                "predicted": at - forecast.behind,
            }
            learnt = model.learn(parents, forecast, at, boundary_s=spread_s)
            growing.add(rows, logs, code=Off.MERGED, **(merged | learnt))

    def _extra_over(self, growing: Growing, rows: Ints, at: float) -> None:
        """A sound without a contact is over; bursts of the ear are short, real ones of any length."""
        priors = self.model.priors
        parents = growing.parents[rows]
        length = np.maximum(at - parents["ts"], 1e-3)
        burst, real = priors.extra_densities(length)
        chance = (burst + real) / (priors.burst_per_s + priors.unexpected_per_s)
        growing.add(rows, parents["logw"] + np.log(chance), code=Off.EXTRA, phase=parents["was"], ts=at)
