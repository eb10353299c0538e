"""The filter: keeps the guesses worth keeping from one heard boundary to the next."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from listen.follow.feed_clock import FeedClock
from listen.follow.hypotheses import CORE, CUT, Floats, Ints, On, Phase, Rings, merge_alike
from listen.follow.model import Model
from listen.follow.offset import Offset
from listen.follow.onset import Onset
from listen.follow.priors import Priors, rate_grid
from listen.follow.space import Space
from listen.follow.starting import first_guesses, started_at

Core = NDArray[np.void]
LEAST_AGREED = 0.7  # belief in "on time" from which a boundary teaches the timing noise


class Engine:
    """Hypotheses about a run, fed with boundaries in the order of time.

    Parameters
    ----------
    space : Space
    priors : Priors
    clock : FeedClock
        Told of marks by its owner.
    n_slots : int
        Heard stretches that each guess remembers.
    width : int
        Guesses kept.

    Attributes
    ----------
    core : ndarray, shape (n_guesses,)
        The guesses; weights are normalised logs.
    rings : Rings
    n_stretches : int
        Heard stretches so far; stretch j lies in slot j mod n_slots.
    onsets, offsets : ndarray, shape (n_slots,)
        When each stretch was heard [s]; NaN for what is not over.
    """

    def __init__(self, space: Space, priors: Priors, clock: FeedClock, *, n_slots: int, width: int) -> None:
        self.space = space
        self.priors = priors
        self.clock = clock
        self.model = Model(space, priors, clock)
        self.n_slots = n_slots
        self.width = width
        self.n_stretches = 0
        self.onsets = np.full(n_slots, np.nan)
        self.offsets = np.full(n_slots, np.nan)
        grid, logs = rate_grid(space.timeline)
        self._onset = Onset(self.model, grid, logs)
        self._offset = Offset(self.model, grid, logs)
        self._grid = (grid, logs)
        self.core: Core = np.zeros(1, CORE)
        self.core["phase"] = Phase.START
        self.rings = Rings.empty(1, n_slots)
        self.cycle_start: float | None = None

    @property
    def slot(self) -> int:
        """Slot of the newest stretch."""
        return (self.n_stretches - 1) % self.n_slots

    @property
    def is_started(self) -> bool:
        """Whether a place along the program has been guessed at all."""
        return bool((self.core["phase"] != Phase.START).any())

    def start_cycle(self, at: float) -> None:
        """The program is known to start now, from the top."""
        self.cycle_start = at
        self.core = started_at(self.model, self._grid, at)
        self.rings = Rings.empty(self.core.size, self.n_slots)
        self._normalise()

    def hear_onset(self, at: float, *, spread_s: float, is_open: bool = False) -> None:
        """A contact was heard to begin; `is_open`: it had begun before anything was heard."""
        slot = self.n_stretches % self.n_slots
        self.n_stretches += 1
        self.onsets[slot], self.offsets[slot] = at, np.nan
        self.rings.clear(slot)
        spread = float(np.hypot(spread_s, 0.0))
        children = self._onset.grow(self.core, at, spread_s=spread)
        if (self.core["phase"] == Phase.START).any():
            begun = first_guesses(self.model, self._grid, at, spread_s=spread, is_open=is_open)
            begun["logw"] += float(self.core["logw"][self.core["phase"] == Phase.START].max())
            children = np.concatenate([children, begun])
        self._adopt(children, wide=not self.is_started)
        self._learn_scale(is_gap=True)
        self.rings.contact[:, slot] = np.where(self.core["phase"] == Phase.EXTRA, -1, self.core["k"])
        self.rings.last[:, slot] = self.rings.contact[:, slot]
        self.rings.on[:, slot] = self.core["code"]
        self.rings.expected_on[:, slot] = self.core["predicted"]
        early = self.core["code"] == On.EARLY
        self.rings.early_mm[:, slot] = np.where(early, self.core["early_mm"], 0.0)

    def hear_offset(self, at: float, *, spread_s: float) -> None:
        """The contact that was heard to begin was heard to end."""
        slot = self.slot
        self.offsets[slot] = at
        self._adopt(self._offset.grow(self.core, at, spread_s=spread_s), wide=self.n_stretches < 3)
        self._learn_scale(is_gap=False)
        self.rings.off[:, slot] = self.core["code"]
        self.rings.expected_off[:, slot] = self.core["predicted"]
        ended = (self.core["phase"] == Phase.AIR) & (self.rings.contact[:, slot] >= 0)
        self.rings.last[:, slot] = np.where(ended, self.core["k"] - 1, self.rings.contact[:, slot])

    def _learn_scale(self, *, is_gap: bool) -> None:
        """Learn how large the timing noise of this run is, once the guesses agree on a boundary."""
        told = np.isfinite(self.core["noise"])
        weights = self.weights[told]
        if self.n_stretches > 1 and weights.sum() > LEAST_AGREED:
            noise = float((weights * self.core["noise"][told]).sum() / weights.sum())
            self.model.scales[is_gap].learn(noise)

    def lose_sound(self, start: float, stop: float) -> None:
        """Nothing was heard for a while: all may have happened in it, so all spreads grow."""
        length = max(stop - start, 0.1)
        self.core["q"] += (0.3 * length) ** 2

    def know_override(self) -> None:
        """The control told the override: the rate is now relative to it."""
        self.core["m"] = 0.0
        self.core["v"] = self.priors.feed_spread**2

    def see_line(self, line: int, at: float) -> None:
        """The control told which line it is in: guesses far from it lose weight."""
        starts, stops = self.space.places_of_line(line)
        if starts.size == 0:
            return
        place, spread = self.places(at)
        outside = np.maximum(starts[None, :] - place[:, None], place[:, None] - stops[None, :])
        away = np.maximum(outside, 0.0).min(axis=1)
        self.core["logw"] -= np.minimum(0.5 * (away / np.hypot(spread, 0.5)) ** 2, 20.0)
        self._normalise()

    def see_place(self, place: tuple[float, float, float], at: float) -> None:
        """The place was read off in a hold: guesses take the nearest point of the path."""
        known, spread = self.places(at)
        nearest = np.array([self.space.nearest(place, float(guess), 30.0) for guess in known])
        found = np.isfinite(nearest)
        quiet = found & (self.core["phase"] == Phase.AIR)
        away = np.where(found, nearest - known, 3.0 * np.hypot(spread, 0.5))
        self.core["logw"] -= np.minimum(0.5 * (away / np.hypot(spread, 0.5)) ** 2, 12.0)
        self.core["u0"] = np.where(quiet, nearest, self.core["u0"])
        self.core["t0"] = np.where(quiet, at, self.core["t0"])
        self.core["q"] = np.where(quiet, 0.2**2, self.core["q"])
        self._normalise()

    def places(self, at: float) -> tuple[Floats, Floats]:
        """Where each guess says the program is [s at 100 %], and how surely."""
        core, space = self.core, self.space
        elapsed, known = self.clock.between(core["t0"], at)
        rate = np.exp(core["m"] + known)
        sounding = np.isin(core["phase"], (Phase.IN, Phase.DROPPED))
        index = np.minimum(core["k"], max(space.n - 1, 0))
        last = core["k"] >= space.n
        if space.n == 0:
            return core["u0"].copy(), np.ones(core.size)
        target = np.where(last, space.end, np.where(sounding, space.stop[index], space.start[index]))
        amounts = np.maximum(space.amounts_until(target) - space.amounts_until(core["u0"]), 0.0)
        needed = amounts[:, 0] / rate + amounts[:, 1] / np.exp(core["lr"]) + amounts[:, 2] + amounts[:, 3]
        share = np.clip(elapsed / np.maximum(needed, 1e-6), 0.0, 1.0)
        share = np.where(np.isin(core["phase"], (Phase.STOPPED, Phase.START)), 0.0, share)
        place = core["u0"] + share * np.maximum(target - core["u0"], 0.0)
        spread = np.sqrt(core["q"] * rate**2 + (elapsed * rate) ** 2 * (core["v"] + 0.03**2))
        late = np.maximum(elapsed - needed, 0.0)
        return place, np.minimum(spread + 0.1 * late, np.maximum(space.end, 1.0))

    def _adopt(self, children: Core, *, wide: bool) -> None:
        if children.size == 0:  # nothing explains it: keep the guesses, and less sure
            self.core["q"] += 1.0
            return
        history = self._history(children["parent"])
        kept = merge_alike(children, history)
        order = kept[np.argsort(-children["logw"][kept], kind="stable")]
        order = order[: self.width * (4 if wide else 1)]
        parent = children["parent"][order]
        self.rings = self.rings.take(np.maximum(parent, 0))
        self.core = children[order]
        self._normalise()

    def _history(self, parent: Ints) -> Ints:
        """What the parents say of the last stretches, mixed into one number each."""
        mixed = np.zeros(parent.size, np.int64)
        parent = np.maximum(parent, 0)
        for back in range(1, min(4, self.n_stretches + 1)):
            slot = (self.n_stretches - back) % self.n_slots
            words = (
                self.rings.contact[:, slot].astype(np.int64) * 4096
                + self.rings.on[:, slot].astype(np.int64) * 64
                + self.rings.off[:, slot]
            )
            mixed = mixed * np.int64(1000033) + words[parent]
        return mixed

    def _normalise(self) -> None:
        logw = self.core["logw"]
        best = logw.max()
        logw -= best + np.log(np.exp(logw - best).sum())

    @property
    def weights(self) -> Floats:
        """Belief in each guess, adding up to 1."""
        result: Floats = np.exp(self.core["logw"])
        return result

    def weights_after_silence(self, at: float) -> Floats:
        """Belief in each guess once nothing has been heard up to `at`."""
        logw = self.core["logw"] + np.log(self.survival(at) + 1e-12)
        best = logw.max()
        weights = np.exp(logw - best)
        result: Floats = weights / weights.sum()
        return result

    def survival(self, at: float) -> Floats:
        """Chance, by each guess, that no boundary is heard from its anchor up to `at`."""
        quiet, _ = self.silence(at)
        return quiet

    def silence(self, at: float) -> tuple[Floats, Floats]:
        """Chance of silence up to `at` by each guess, and the share of it in which k is absent."""
        core = self.core
        quiet = np.ones(core.size)
        absent = np.zeros(core.size)
        air = core["phase"] == Phase.AIR
        if air.any():
            quiet[air], absent[air] = self._air_silence(core[air], at)
        stopped = core["phase"] == Phase.STOPPED
        quiet[stopped] = 0.1 + 0.9 * self._hold_survival(at - core["ts"][stopped], self.priors.hold_median_s)
        dropped = core["phase"] == Phase.DROPPED
        quiet[dropped] = np.exp(-np.maximum(at - core["ts"][dropped], 0.0) / 0.25) + 1e-3
        return quiet, absent

    def _hold_survival(self, x: Floats, median: float) -> Floats:
        safe = np.maximum(x, 1e-6)
        result: Floats = 1.0 - ndtr(np.log(safe / median) / self.priors.hold_log_spread)
        return result

    def _air_silence(self, core: Core, at: float) -> tuple[Floats, Floats]:
        """Chance that neither contact k nor, k being absent, those after it have come."""
        chances = np.zeros(core.size)
        first = np.zeros(core.size)
        left = np.ones(core.size)
        before = np.where(core["absent"] > 0, self.priors.absent_again, self.priors.absent)
        for n_absent in range(5):
            k = core["k"] + n_absent
            inside = k < self.space.n
            k = np.minimum(k, max(self.space.n - 1, 0))
            if self.space.n == 0:
                return np.ones(core.size), np.zeros(core.size)
            absent = np.where(inside, self._onset._absent(k, before), 0.0)
            quiet = np.where(inside, self._quiet_until(core, k, at), 1.0)
            chances += left * (1.0 - absent) * quiet
            if n_absent == 0:
                first = chances.copy()
            left = left * absent
            before = np.full(core.size, self.priors.absent_again)
        chances += left
        share = 1.0 - first / np.maximum(chances, 1e-300)
        return chances, share

    def _quiet_until(self, core: Core, k: Ints, at: float) -> Floats:
        space, priors = self.space, self.priors
        amounts = np.maximum(space.at_start[k] - space.amounts_until(core["u0"]), 0.0)
        waits = space.waits_at_start[k] > space.waits_until(core["u0"])
        forecast = self.model.forecast(core, amounts, at, boundary_s=priors.onset_s, is_gap=True)
        behind = forecast.behind
        on_time = ndtr(-behind / (1.5 * np.sqrt(forecast.variance)))
        loose = self.clock.holds_known
        share = (
            1e-4 if loose else 1.0 - (1.0 - priors.hold_per_gap) * np.exp(-priors.hold_per_s * forecast.mean)
        )
        share = np.where(waits, 0.9, share)
        median = np.where(waits, priors.wait_median_s, priors.hold_median_s)
        held = 1.0 - ndtr(np.log(np.maximum(behind, 1e-6) / median) / priors.hold_log_spread)
        slower = 0.0 if self.clock.feed_known else priors.step_per_boundary + priors.rapid_step
        slow = ndtr(-(behind - 2.0 * forecast.mean) / (1.0 + forecast.mean))
        result: Floats = np.clip((1.0 - share - slower) * on_time + share * held + slower * slow, 0.0, 1.0)
        return result

    @property
    def cut(self) -> float:
        """How far below the best a guess may lie [nats]."""
        return CUT
