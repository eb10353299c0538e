"""The filter: keeps the guesses worth keeping from one heard boundary to the next."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from listen.follow.feed_clock import FeedClock
from listen.follow.hypotheses import CORE, Floats, Ints, Off, On, Phase, Rings, joined, merge_alike
from listen.follow.model import Model, slowness
from listen.follow.offset import Offset
from listen.follow.onset import Onset
from listen.follow.own_ear import SLIP_S
from listen.follow.priors import Priors, rate_grid
from listen.follow.quiet import Quiet
from listen.follow.silence import Silence
from listen.follow.space import Space
from listen.follow.starting import anew, first_guesses, started_at

Core = NDArray[np.void]
HOLD_TOLD_S = 3.0  # a hold told this long after the sound stopped explains it
NEW_PLACE = 8  # stretches in which all places are carried
# Guesses of each place then, and of all together: where it begins, until two contacts tell the rate, and on;
# the last of an engine that keeps `FEW_WIDTH` guesses: one that keeps more keeps more of each place.
ALL, MORE, FEW, FEW_WIDTH = (4000, 4000), (24, 4000), (6, 800), 200
FITS = -2.0  # log density of a contact's start and end by all guesses, from which it fits
LOST, MOST_DEFICIT = 12.0, 16.0  # what contacts in a row lack of that together until the place is lost [nats]
SURE_PLACE = 0.9  # belief from which a place is one to look around when it is lost
ANEW = -2.0  # weight of all places anew beside the best guess then [nats]
MOST_LOST = 8  # gaps in the sound that are remembered
TOLD_AFTER = 2  # stretches
LEAST_AGREED = 0.7  # belief in "on time" from which a boundary teaches the timing noise


class Engine:
    """Hypotheses about a run, fed with boundaries in the order of time.

    Parameters
    ----------
    space : Space
    priors : Priors
    clock : FeedClock
        Told of marks by its owner.
    quiet : Quiet
        Told by its owner what the ear believes.
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

    def __init__(
        self, space: Space, priors: Priors, clock: FeedClock, quiet: Quiet, *, n_slots: int, width: int
    ) -> None:
        self.space = space
        self.priors = priors
        self.clock = clock
        self.model = Model(space, priors, clock, quiet)
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
        self._few = (FEW[0] * width // FEW_WIDTH, FEW[1] * width // FEW_WIDTH)  # as `FEW` for this width
        self._deficit = 0.0  # how badly the last contacts fit [nats]
        self._told = 0.0  # log density of the last boundary by all guesses
        self._sure = 0  # contact that came next when the place was last known
        self.slipped = 0.0  # belief that the last start only went on after a break of the ear
        self.is_started = False  # whether a place along the program has been guessed at all
        self.version = 0  # counts changes, so that views know when they are old

    @property
    def slot(self) -> int:
        """Slot of the newest stretch."""
        return (self.n_stretches - 1) % self.n_slots

    def start_cycle(self, at: float) -> None:
        """The program is known to start now, from the top."""
        self.version += 1
        self.core = started_at(self.model, self._grid, at)
        self.rings = Rings.empty(self.core.size, self.n_slots)
        self._normalise()

    def hear_onset(self, at: float, *, spread_s: float, is_open: bool = False, doubt: float = 1.0) -> None:
        """A contact was heard to begin; `is_open`: it had begun before anything was heard."""
        slot = self.n_stretches % self.n_slots
        self.n_stretches += 1
        self.onsets[slot], self.offsets[slot] = at, np.nan
        self.rings.clear(slot)
        spread = float(np.hypot(spread_s, 0.0))
        children = self._grow_onset(at, spread, doubt)
        if (self.core["phase"] == Phase.START).any():
            begun = first_guesses(self.model, self._grid, at, spread_s=spread, is_open=is_open)
            begun["logw"] += float(self.core["logw"][self.core["phase"] == Phase.START].max())
            children = joined([children, begun])
        is_lost = self._deficit >= LOST
        if is_lost:
            children = joined([children, self._anew(at, spread, children)])
            self._deficit = 0.5 * LOST  # these are given a chance before others are begun
        self._adopt(children, wide=is_lost or not self.is_started)
        self._learn_scale(is_gap=True)
        self._learn_habits()
        self._learn_ear(at)
        self.rings.contact[:, slot] = np.where(self.core["phase"] == Phase.EXTRA, -1, self.core["k"])
        self.rings.last[:, slot] = self.rings.contact[:, slot]
        self.rings.on[:, slot] = self.core["code"]
        self.rings.expected_on[:, slot] = self.core["predicted"]
        early = self.core["code"] == On.EARLY
        self.rings.early_mm[:, slot] = np.where(early, self.core["early_mm"], 0.0)

    def _anew(self, at: float, spread_s: float, children: Core) -> Core:
        """Guesses beside all others, after contacts in a row that no guess explained."""
        begun = anew(self.model, self._grid, at, spread_s=spread_s, near=self._sure)
        begun["logw"] += float(children["logw"].max(initial=-np.inf)) + ANEW
        return begun

    def suppose_onset(self, at: float, *, spread_s: float, doubt: float) -> Core:
        """The guesses that a start would grow, weights not normalised; nothing is changed."""
        return self._grow_onset(at, spread_s, doubt)

    def _grow_onset(self, at: float, spread_s: float, doubt: float) -> Core:
        """Children of a start; those that take it for no contact pay for the silence before it."""
        quiet = Silence(self.model, self.core).log_until(at)
        unpaid = self.core.copy()
        unpaid["logw"] -= unpaid["paid"]
        unpaid["paid"] = 0.0
        return self._apart(
            lambda rows: self._onset.grow(unpaid[rows], at, spread_s=spread_s, quiet=quiet[rows], doubt=doubt)
        )

    def _apart(self, grow: Callable[[Ints], Core]) -> Core:
        """Children of all guesses; a new place is not held against others that are likelier so far."""
        core = self.core
        if self.n_stretches > NEW_PLACE:
            return grow(np.arange(core.size))
        is_likeliest = core["k"] == core["k"][int(np.argmax(core["logw"]))]
        families = [
            rows for rows in (np.flatnonzero(is_likeliest), np.flatnonzero(~is_likeliest)) if rows.size
        ]
        grown = [grow(rows) for rows in families]
        for children, rows in zip(grown, families, strict=True):
            children["parent"] = rows[children["parent"]]
        return joined(grown)

    def suppose_offset(self, at: float, *, spread_s: float, doubt: float = 1.0) -> Core:
        """The guesses that an end would grow, weights not normalised; nothing is changed."""
        return self._grow_offset(at, spread_s, doubt, math.nan)

    def _grow_offset(self, at: float, spread_s: float, doubt: float, way_out_s: float) -> Core:
        """Children of an end."""
        return self._apart(
            lambda rows: self._offset.grow(
                self.core[rows], at, spread_s=spread_s, doubt=doubt, way_out_s=way_out_s
            )
        )

    def hear_offset(
        self, at: float, *, spread_s: float, doubt: float = 1.0, way_out_s: float = math.nan
    ) -> None:
        """The contact that was heard to begin was heard to end; see `Offset.grow`."""
        slot, of_onset = self.slot, self._told
        self.offsets[slot] = at
        grown = self._grow_offset(at, spread_s, doubt, way_out_s)
        self._adopt(grown, wide=self.n_stretches < 3)
        self._learn_scale(is_gap=False)
        self._learn_way_out(way_out_s)
        self.model.ear.heard(at - float(self.onsets[slot]), in_contact=True)
        extra = float(self.weights[self.core["code"] == Off.EXTRA].sum())
        self.model.ear.slipped(extra)
        self._learn_place(of_onset + self._told)
        self.rings.off[:, slot] = self.core["code"]
        self.rings.expected_off[:, slot] = self.core["predicted"]
        ended = (self.core["phase"] == Phase.AIR) & (self.rings.contact[:, slot] >= 0)
        self.rings.last[:, slot] = np.where(ended, self.core["k"] - 1, self.rings.contact[:, slot])

    def _learn_way_out(self, heard_s: float) -> None:
        """Learn whether cuts fade as the program says, from those that ended on time."""
        on_time = self.core["code"] == Off.ON_TIME
        belief = float(self.weights[on_time].sum())
        if belief > LEAST_AGREED:
            best = int(np.argmax(np.where(on_time, self.core["logw"], -np.inf)))
            k = np.array([self.core["k"][best] - 1])
            expected_s = self.model.way_out_s(k, self.core["m"][best])
            self.model.ways_out.learn(heard_s, float(expected_s[0]), belief)

    def _learn_place(self, told: float) -> None:
        """Learn from the log density of a contact whether the place is known, or lost."""
        log_rate = float(self.core["m"][int(np.argmax(self.core["logw"]))]) + np.log(
            max(self.clock.rate, 1e-3)
        )
        told += 2.0 * float(np.log(slowness(np.array(log_rate))))  # dates stray more where all is slower
        self._deficit = min(max(self._deficit + FITS - told, 0.0), MOST_DEFICIT)
        ended = np.bincount(self.core["k"], weights=self.weights * (self.core["code"] != Off.EXTRA))
        if told > FITS and ended.max() > SURE_PLACE:
            self._sure = int(np.argmax(ended))

    def _learn_habits(self) -> None:
        """Learn from a stretch and the air before it, once what came after has told what they were."""
        number = self.n_stretches - 1 - TOLD_AFTER
        if number < 1:
            return
        slot, before = number % self.n_slots, (number - 1) % self.n_slots
        on, off, weights = self.rings.on[:, slot], self.rings.off[:, slot], self.weights
        held = float(weights[on == On.HELD].sum())
        air_s = (1.0 - held) * float(self.onsets[slot] - self.offsets[before])
        seconds = air_s + float(self.offsets[slot] - self.onsets[slot])
        turned = float(weights[on == On.STEPPED].sum() + weights[off == Off.STEPPED].sum())
        self.model.turns.learn(turned, seconds)
        self.model.holds.learn(held + float(weights[off == Off.STOPPED].sum()), seconds)

    def _learn_ear(self, at: float) -> None:
        """A contact that goes on after a short silence was broken by the ear."""
        before = float(self.offsets[(self.n_stretches - 2) % self.n_slots]) if self.n_stretches > 1 else 0.0
        silence = at - before
        self.model.ear.heard(silence, in_contact=False)
        self.slipped = float(self.weights[self.core["code"] == On.RESUMED].sum()) if silence < SLIP_S else 0.0
        if silence < SLIP_S:
            self.model.ear.slipped(self.slipped)

    def _learn_scale(self, *, is_gap: bool) -> None:
        """Learn how large the timing noise of this run is, once the guesses agree on a boundary."""
        told = np.isfinite(self.core["noise"])
        weights = self.weights[told]
        if self.n_stretches > 1 and weights.sum() > LEAST_AGREED:
            noise = float((weights * self.core["noise"][told]).sum() / weights.sum())
            self.model.scales[is_gap].learn(noise)
            self.model.ear.dated(float((weights * self.core["worse"][told]).sum()))

    def lose_sound(self, start: float, stop: float, *, in_contact: bool) -> None:
        """Nothing was heard for a while; the program went on, and what came in it was not heard.

        One that begins where the last ended goes on with it: a microphone that is away gives many in a row.
        """
        lost = self.model.lost
        goes_on = bool(lost) and lost[-1][1] == start
        begin = lost.pop()[0] if goes_on else start
        lost.append((begin, stop))
        del lost[:-MOST_LOST]
        self.core["q"] += (0.05 * (stop - begin)) ** 2 - (0.05 * (start - begin)) ** 2
        if goes_on:
            since = (self.core["phase"] == Phase.DROPPED) & (self.core["ts"] == start)
            self.core["ts"] = np.where(since, stop, self.core["ts"])
        self.version += 1
        if not in_contact:
            return
        running, extra = self.core["phase"] == Phase.IN, self.core["phase"] == Phase.EXTRA
        self.core["ts"] = np.where(running, stop, self.core["ts"])
        self.core["phase"] = np.where(running, Phase.DROPPED, self.core["phase"])
        self.core["phase"] = np.where(extra, self.core["was"], self.core["phase"])
        self.offsets[self.slot] = start
        self.rings.off[:, self.slot] = np.where(running, Off.DROPPED, Off.EXTRA)

    def know_override(self) -> None:
        """The control told the override: the rate is now relative to it."""
        self.core["m"] = 0.0
        self.core["v"] = self.priors.rate_spread**2
        self.version += 1

    def know_rapid(self, log_rate: float) -> None:
        """The control told the rapid override; how far the machine strays from it may be learnt by now."""
        self.core["lr"] = log_rate
        self.core["vr"] = np.maximum(self.core["vr"], 0.03**2)
        self.version += 1

    def tell_hold(self, at: float, *, gain: float) -> None:
        """A hold was told just after a sound stopped: guesses that said so gain weight."""
        stopped = (self.core["phase"] == Phase.STOPPED) & (at - self.core["ts"] < HOLD_TOLD_S)
        if stopped.any():
            self.core["logw"] += np.where(stopped, np.log(max(gain, 1.0)), 0.0)
            self._normalise()
            self.version += 1

    def tell_place(
        self, nearest: Floats, known: Floats, spread: Floats, at: float, *, cap: float, moves: bool = True
    ) -> None:
        """A witness told a place: guesses far from it lose weight; those in air start anew from it.

        Parameters
        ----------
        nearest : ndarray, shape (n_guesses,)
            Told place nearest to each guess [s at 100 %]; NaN where none is near.
        known, spread : ndarray, shape (n_guesses,)
            Where each guess was, and how surely.
        at : float
        cap : float
            Most that one witness can take from a guess [nats].
        moves : bool
            Whether guesses in air are set to what was told; not where that is only a wide stretch.
        """
        found = np.isfinite(nearest)
        wide = np.hypot(spread, 0.5)
        away = np.where(found, nearest - known, 4.0 * wide)
        self.core["logw"] -= np.minimum(0.5 * (away / wide) ** 2, cap)
        moved = moves & found & (self.core["phase"] == Phase.AIR) & (np.abs(away) > 1e-6)
        self.core["u0"] = np.where(moved, nearest, self.core["u0"])
        self.core["t0"] = np.where(moved, at, self.core["t0"])
        self.core["q"] = np.where(moved, 0.2**2, self.core["q"])
        self.core["paid"] = np.where(moved, 0.0, self.core["paid"])
        self._normalise()
        self.version += 1

    def _adopt(self, children: Core, *, wide: bool) -> None:
        self.version += 1
        if children.size == 0:  # nothing explains it: keep the guesses, and less sure
            self.core["q"] += 1.0
            return
        history = self._history(children["parent"])
        kept = merge_alike(children, history)
        order = kept[np.argsort(-children["logw"][kept], kind="stable")]
        order = self._best(children["k"][order], order, self.width * (4 if wide else 1))
        parent = children["parent"][order]
        self.rings = self.rings.take(np.maximum(parent, 0))
        self.core = children[order]
        self._normalise()

    def _best(self, contacts: NDArray[np.int32], order: Ints, width: int) -> Ints:
        """The likeliest guesses; while the place is new, the likeliest ones of each contact as well."""
        if self.n_stretches >= NEW_PLACE or order.size <= width:
            return order[:width]
        each, most = self._few if self.n_stretches > 2 else MORE if self.is_started else ALL
        rank = _rank_among_equals(contacts)
        others = np.flatnonzero(rank[width:] < each) + width
        others = others[np.argsort(rank[others], kind="stable")[:most]]
        return np.concatenate([order[:width], order[others]])

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
        self.is_started = bool((self.core["phase"] != Phase.START).any())
        logw = self.core["logw"]
        best = logw.max()
        self._told = float(best + np.log(np.exp(logw - best).sum()))
        logw -= self._told

    @property
    def weights(self) -> Floats:
        """Belief in each guess, adding up to 1."""
        result: Floats = np.exp(self.core["logw"])
        return result


def _rank_among_equals(values: NDArray[np.int32]) -> Ints:
    """How many equal ones stand before each value.

    >>> _rank_among_equals(np.array([7, 3, 7, 7, 3], np.int32)).tolist()
    [0, 0, 1, 2, 1]
    """
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    is_first = np.append(True, ordered[1:] != ordered[:-1])
    steps = np.arange(values.size)
    rank = np.empty(values.size, np.int64)
    rank[order] = steps - np.maximum.accumulate(np.where(is_first, steps, 0))
    return rank
