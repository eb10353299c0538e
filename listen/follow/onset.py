"""What a heard start of contact can mean, as children of every guess."""

import numpy as np
from numpy.typing import NDArray

from listen.follow.arrival import Arrival
from listen.follow.hypotheses import Growing, On, Phase, lognormal_log
from listen.follow.model import BEATEN, MOST_DENSITY, Model
from listen.follow.priors import DROPOUT_S, dropout_log
from listen.follow.target import Target
from listen.follow.too_early import TooEarly
from listen.follow.turning import Turning

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Core = NDArray[np.void]
MOST_ABSENT = 6
HOPELESS = -11.0  # guesses this far below the best before the start was heard are not grown [nats]
DUE, MOST_NOT_DUE = 4.0, -3.0  # standard deviations; log density at most of a start that comes sooner
LEAST_PAST_S = 0.3  # what is due later than this before a start tells nothing yet of a miss
CUT_STEPS = 9.0  # guesses this far below the best are not taken for restarted [nats]
AFTER_END_PER_S, AFTER_END_S = 1.0 / 60.0, 120.0  # doors, air guns, voices once the program is over
LOST = 0.95  # share of contacts not heard where the sound was lost


class Onset:
    """Grows the children of one heard start."""

    def __init__(self, model: Model, grid: Floats, grid_logs: Floats) -> None:
        self.model = model
        self.priors = model.priors
        self._arrival = Arrival(model, Turning(model, grid, grid_logs))
        self._too_early = TooEarly(model)

    def grow(self, core: Core, at: float, *, spread_s: float, quiet: Floats, doubt: float = 1.0) -> Core:
        """Children of all guesses for a start heard at `at` [s].

        `quiet`: log chance that nothing was heard before it, by each guess, shape (n_guesses,);
        `doubt`: how much likelier than usual the ear was wrong about it.
        """
        growing = Growing(core)
        phase = core["phase"]
        self._from_air(growing, np.flatnonzero((phase == Phase.AIR) | (phase == Phase.DROPPED)), at, spread_s)
        self._resumed(growing, np.flatnonzero(phase == Phase.STOPPED), at)
        self._dropout_over(growing, np.flatnonzero(phase == Phase.DROPPED), at)
        self._extra(growing, np.arange(core.size), at, doubt, quiet)
        self._restarted(growing, np.flatnonzero((phase == Phase.AIR) | (phase == Phase.STOPPED)), at)
        return growing.all()

    def _from_air(self, growing: Growing, rows: Ints, at: float, spread_s: float) -> None:
        """A start after air; where the ear has lost the end of contact k, too, k + 1 comes next."""
        space, priors = self.model.space, self.model.priors
        if rows.size == 0:
            return
        best = growing.parents["logw"].max()
        ended = growing.parents["phase"][rows] == Phase.DROPPED
        first = growing.parents["k"][rows] + ended
        gone = growing.parents["gone"][rows]
        again = np.where(gone, priors.absent_lost, priors.absent_again)
        before = np.where(gone, priors.absent_gone, priors.absent)
        lost = np.zeros(rows.size)
        lost[ended] = self._lost_until_end(growing.parents[rows[ended]], at)
        for n_absent in range(MOST_ABSENT + 1):
            k = first + n_absent
            logw = growing.parents["logw"][rows]
            hoped = (logw - best + lost > HOPELESS) & (logw + lost + MOST_DENSITY > growing.best - BEATEN)
            inside = (k < space.n) & hoped
            if not inside.any():
                break
            rows, first, k = rows[inside], first[inside], k[inside]
            lost, before, again = lost[inside], before[inside], again[inside]
            target = Target.of(
                self.model, growing, rows, k, lost, at=at, spread_s=spread_s, n_gaps=n_absent + 1
            )
            if not self._may_count(target, lost):
                break
            absent = self._absent(target, before)
            target.base = target.base + np.log1p(-absent)
            self._arrival.grow(target)
            self._too_early.grow(target)
            lost = lost + np.log(absent)
            before = again

    def _may_count(self, target: Target, lost: Floats) -> bool:
        """Whether any child may come near the best; what is not due yet is early, or the dial was turned."""
        forecast, growing = target.forecast, target.growing
        due = forecast.behind > -DUE * np.sqrt(forecast.variance)
        most = growing.parents["logw"][target.rows] + lost + np.where(due, MOST_DENSITY, MOST_NOT_DUE)
        return bool((most > growing.best - BEATEN).any())

    def _lost_until_end(self, parents: Core, at: float) -> Floats:
        """Log chance that the ear lost the contact for good: seldom for more than its last bit."""
        space = self.model.space
        amounts = np.maximum(space.at_stop[parents["k"]] - space.amounts_until(parents["u0"]), 0.0)
        forecast = self.model.forecast(parents, amounts, at, boundary_s=0.0, is_gap=False)
        due_s = parents["t0"] + forecast.mean
        rest = np.maximum(due_s - parents["ts"], 0.0)
        result: Floats = dropout_log(rest) + np.log(DROPOUT_S * self._told(parents["ts"], due_s, at))
        return result

    def _absent(self, target: Target, before: Floats) -> Floats:
        """Chance that a contact is not heard: not there, too faint, or while nothing was heard at all."""
        model, space, k = self.model, self.model.space, target.k
        due_s = target.at - target.forecast.behind
        length_s = (space.stop - space.start)[k] * np.exp(-target.parents["m"]) / model.clock.rate
        ear = model.misses(k) * self._told(due_s, due_s + length_s, target.at)
        if model.lost_since(target.parents["t0"]):
            ear = np.where(model.in_lost(due_s), LOST, ear)
        result: Floats = np.minimum(before + ear, 0.98)
        return result

    def _told(self, start_s: Floats, stop_s: Floats, at: float) -> Floats:
        """How much likelier what the ear believed in each stretch is of a cut that it misses than of air."""
        told = np.ones(start_s.shape)
        past = np.flatnonzero((start_s < at - LEAST_PAST_S) & (stop_s > start_s))
        if past.size and self.model.quiet.is_told:
            ratio = self.model.quiet.for_misses(start_s[past], stop_s[past], at)
            told[past] = np.where(np.isfinite(ratio), ratio, 1.0)
        return told

    def _resumed(self, growing: Growing, rows: Ints, at: float) -> None:
        """The program goes on where it was held inside the cut."""
        priors = self.model.priors
        parents = growing.parents[rows]
        silence = at - parents["ts"]
        moving, _ = self.model.clock.between(parents["ts"], at)
        told = moving < silence - 0.1  # a hold was told: the cut goes on soon after its end
        unknown = lognormal_log(silence, median=priors.hold_median_s, spread=priors.hold_log_spread)
        logs = np.where(told, -np.maximum(moving, 0.0), unknown)
        growing.add(
            rows,
            parents["logw"] + logs,
            code=On.RESUMED,
            phase=Phase.IN,
            t0=at,
            predicted=np.full(rows.size, at),
        )

    def _dropout_over(self, growing: Growing, rows: Ints, at: float) -> None:
        """The ear finds the contact again; the program never stopped."""
        parents = growing.parents[rows]
        silence = np.maximum(at - parents["ts"], 0.0)
        logs = dropout_log(silence)
        growing.add(
            rows, parents["logw"] + logs, code=On.RESUMED, phase=Phase.IN, predicted=np.full(rows.size, at)
        )

    def _extra(self, growing: Growing, rows: Ints, at: float, doubt: float, quiet: Floats) -> None:
        """A burst of the ear, or a touch that the program does not have; the guess waits on."""
        priors = self.model.priors
        parents = growing.parents[rows]
        if rows.size == 0:
            return
        bursts = priors.burst_per_s * doubt * self.model.ear.times
        rate = bursts + priors.unexpected_per_s + self._after_end_per_s(parents, at)
        growing.add(
            rows,
            parents["logw"] + quiet + np.log(rate),
            code=On.EXTRA,
            phase=Phase.EXTRA,
            paid=quiet,
            was=parents["phase"],
            ts=at,
            predicted=np.full(rows.size, np.nan),
        )

    def _after_end_per_s(self, parents: Core, at: float) -> Floats:
        """Rate of sounds once the program is over: someone opens the door, blows off chips, and goes."""
        over = (parents["k"] >= self.model.space.n) & (parents["phase"] == Phase.AIR)
        left_s = (self.model.space.end - parents["u0"]) * np.exp(-parents["m"]) / self.model.clock.rate
        since_s = np.maximum(at - parents["t0"] - left_s, 0.0)
        result: Floats = np.where(over, AFTER_END_PER_S * np.exp(-since_s / AFTER_END_S), 0.0)
        return result

    def _restarted(self, growing: Growing, rows: Ints, at: float) -> None:
        """The program was started again, from the top or from the head of a tool or pass."""
        space, priors = self.model.space, self.model.priors
        parents = growing.parents[rows]
        silence = at - np.where(parents["phase"] == Phase.STOPPED, parents["ts"], parents["t0"])
        good = (silence > 4.0) & (parents["logw"] > parents["logw"].max(initial=-np.inf) - CUT_STEPS)
        rows, silence = rows[good], silence[good]
        rows, silence = np.repeat(rows, space.heads.size), np.repeat(silence, space.heads.size)
        heads = np.resize(space.heads, rows.size)
        again = growing.parents["k"][rows] != heads
        rows, silence, heads = rows[again], silence[again], heads[again]
        share = priors.restart / max(space.heads.size, 1)
        logs = np.log(share) + lognormal_log(silence, median=30.0, spread=1.0)
        growing.add(
            rows,
            growing.parents["logw"][rows] + logs,
            code=On.RESTARTED,
            k=heads,
            phase=Phase.IN,
            t0=at,
            u0=space.start[heads],
            q=priors.onset_s**2,
            shift=0.0,
            gone=False,
            predicted=np.full(rows.size, at),
        )
