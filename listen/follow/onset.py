"""What a heard start of contact can mean, as children of every guess."""

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import Growing, On, Phase, lognormal_log, normal_log
from listen.follow.model import Forecast, Model
from listen.follow.priors import RAPID_STEPS
from listen.follow.space import FEED, RAPID
from listen.follow.turning import Turning

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Core = NDArray[np.void]
MOST_ABSENT = 8
HOPELESS = -14.0  # guesses below this before the start was heard are not grown [nats]
SHORT_EARLY_MM = 8.0
LENGTHS_MM = 0.3 * 1.2 ** np.arange(18)  # up to 6.7 mm
LEAST_LENGTH_S, LEAST_LENGTH = (
    0.25,
    0.06,
)  # an offset of less time, or share of a contact, is lost in the timing
OTHER_TOOL = 0.5  # share of lengths that are wrong for the next tool as well
LEAST_RAPID_S = 0.15  # less rapid than this tells nothing of its rate
STEP_SPREAD = 0.1  # how far rapids stray from what the dial says
LOST = 0.95  # share of contacts not heard where the sound was lost


class Onset:
    """Grows the children of one heard start."""

    def __init__(self, model: Model, grid: Floats, grid_logs: Floats) -> None:
        self.model = model
        self.priors = model.priors
        self._turning = Turning(model, grid, grid_logs)

    def grow(self, core: Core, at: float, *, spread_s: float, doubt: float = 1.0) -> Core:
        """Children of all guesses for a start heard at `at` [s].

        `doubt`: how much likelier than usual the ear was wrong about it.
        """
        growing = Growing(core)
        phase = core["phase"]
        self._from_air(growing, np.flatnonzero(phase == Phase.AIR), at, spread_s, ended=False)
        self._from_air(growing, np.flatnonzero(phase == Phase.DROPPED), at, spread_s, ended=True)
        self._resumed(growing, np.flatnonzero(phase == Phase.STOPPED), at)
        self._dropout_over(growing, np.flatnonzero(phase == Phase.DROPPED), at)
        self._extra(growing, np.arange(core.size), at, doubt)
        self._restarted(growing, np.flatnonzero((phase == Phase.AIR) | (phase == Phase.STOPPED)), at)
        return growing.all()

    def _from_air(self, growing: Growing, rows: Ints, at: float, spread_s: float, *, ended: bool) -> None:
        """A start after air; `ended`: the ear lost the end of contact k, so k + 1 comes next."""
        space, priors = self.model.space, self.model.priors
        if rows.size == 0:
            return
        first = growing.parents["k"][rows] + (1 if ended else 0)
        gone = growing.parents["gone"][rows]
        again = np.where(gone, priors.absent_lost, priors.absent_again)
        before = np.where(gone, priors.absent_gone, priors.absent)
        lost = self._lost_until_end(growing.parents[rows], at) if ended else np.zeros(rows.size)
        for n_absent in range(MOST_ABSENT + 1):
            k = first + n_absent
            hoped = growing.parents["logw"][rows] + lost > HOPELESS
            inside = (k < space.n) & hoped
            if not inside.any():
                break
            rows, first, k = rows[inside], first[inside], k[inside]
            lost, before, again = lost[inside], before[inside], again[inside]
            absent = self._absent(k, before, growing.parents[rows])
            self._one_target(growing, rows, k, lost + np.log1p(-absent), at, spread_s, n_absent)
            lost = lost + np.log(absent)
            before = again

    def _lost_until_end(self, parents: Core, at: float) -> Floats:
        """Log chance that the ear lost the contact for good: seldom for more than its last bit."""
        space = self.model.space
        amounts = np.maximum(space.at_stop[parents["k"]] - space.amounts_until(parents["u0"]), 0.0)
        forecast = self.model.forecast(parents, amounts, at, boundary_s=0.0, is_gap=False)
        rest = np.maximum(parents["t0"] + forecast.mean - parents["ts"], 0.0)
        result: Floats = dropout_log(rest) + np.log(DROPOUT_S)
        return result

    def _absent(self, k: Ints, before: Floats, parents: Core) -> Floats:
        """Chance that a contact is not heard: not there, too faint, or while nothing was heard at all."""
        space, priors = self.model.space, self.model.priors
        ear = np.where(space.deaf[k], 0.9, np.where(space.faint[k], 0.3, priors.missed))
        if self.model.lost:
            amounts = np.maximum(space.at_start[k] - space.amounts_until(parents["u0"]), 0.0)
            forecast = self.model.forecast(parents, amounts, 0.0, boundary_s=0.0, is_gap=True)
            ear = np.where(self.model.in_lost(parents["t0"] + forecast.mean), LOST, ear)
        result: Floats = np.minimum(before + ear, 0.98)
        return result

    def _one_target(
        self, growing: Growing, rows: Ints, k: Ints, prior: Floats, at: float, spread_s: float, n_absent: int
    ) -> None:
        model = self.model
        space = model.space
        parents = growing.parents[rows]
        amounts = np.maximum(space.at_start[k] - space.amounts_until(parents["u0"]), 0.0)
        waits = space.waits_at_start[k] - space.waits_until(parents["u0"])
        forecast = model.forecast(parents, amounts, at, boundary_s=spread_s, is_gap=True, n_gaps=n_absent + 1)
        base = parents["logw"] + prior
        common = {
            "k": k,
            "phase": Phase.IN,
            "t0": at,
            "u0": space.start[k],
            "q": spread_s**2,
            "shift": 0.0,
            "gone": False,
            "predicted": at - forecast.behind,
        }
        fields = dict(common)
        again = (parents["early_mm"] > 0.0) & space.down[k]
        usual = np.where(again, np.log1p(-self.priors.early_again), np.log(0.9))
        on_time = base + np.where(waits > 0, np.log(0.1), usual) + model.on_time_log(forecast)
        learnt = model.learn(parents, forecast, at, boundary_s=spread_s)
        growing.add(rows, on_time, code=On.ON_TIME, **(common | learnt))
        self._held(growing, rows, base, forecast, waits, {**fields, "predicted": at})
        self._early(growing, rows, k, base, forecast, parents, fields)
        if space.down[k].any():
            self._one_length(growing, rows, k, base, amounts, at, spread_s, n_absent + 1, fields)
        self._late(growing, rows, base, forecast, parents, fields)
        if n_absent <= 1:
            self._rapid_turned(growing, rows, base, forecast, amounts, {**fields, "predicted": at})
            share = model.step_share(forecast, turns=1)
            turned = {**fields, "code": On.STEPPED, "predicted": at}
            self._turning.grow(growing, rows, base, forecast, turned, share=share, least_feed_s=0.3)

    def _held(
        self,
        growing: Growing,
        rows: Ints,
        base: Floats,
        forecast: Forecast,
        waits: Ints,
        fields: dict[str, object],
    ) -> None:
        priors = self.model.priors
        loose = self.model.clock.holds_known
        rate = 1e-6 if loose else priors.hold_per_s
        per_gap = 1e-4 if loose else self.model.held_share
        share = np.where(waits > 0, 0.9, 1.0 - (1.0 - per_gap) * np.exp(-rate * forecast.mean))
        median = np.where(waits > 0, priors.wait_median_s, priors.hold_median_s)
        late = forecast.behind
        spread = np.sqrt(forecast.variance)
        logs = lognormal_log(np.hypot(late, 0.3 * spread), median=median, spread=priors.hold_log_spread)
        logs = np.where(late > 0.5 * spread, logs, -np.inf)
        good = np.isfinite(logs)
        picked = {name: v[good] if isinstance(v, np.ndarray) else v for name, v in fields.items()}
        growing.add(rows[good], (base + np.log(share) + logs)[good], code=On.HELD, **picked)

    def _early(
        self,
        growing: Growing,
        rows: Ints,
        k: Ints,
        base: Floats,
        forecast: Forecast,
        parents: Core,
        fields: dict[str, object],
    ) -> None:
        """Contact before its place: too long a tool, a wrong offset, stock too large."""
        priors, space = self.model.priors, self.model.space
        early = -forecast.behind
        speed = space.speed[k] * np.exp(parents["m"] + forecast.known)  # [mm/s]
        early_mm = early * speed
        known = parents["early_mm"]
        short = np.where(early_mm < SHORT_EARLY_MM, speed / SHORT_EARLY_MM, 0.0)
        anywhere = 1.0 / np.maximum(forecast.mean, 0.2)
        fresh = np.log(priors.early) + np.log(0.5 * short + 0.5 * anywhere + 1e-12)
        spread_mm = np.hypot(np.sqrt(forecast.variance) * speed, 0.2)
        again = np.log(priors.early_again_side) + normal_log(early_mm - known, spread_mm**2) + np.log(speed)
        side = (known > 0.0) & ~space.down[k]  # downwards one length is carried from touch to touch
        logs = np.where(side, np.logaddexp(fresh, again), fresh)
        good = early > np.sqrt(forecast.variance)
        noise = {"noise": self.model.noise(forecast)}
        moved = early * np.exp(parents["m"] + forecast.known)
        self._begun_early(growing, rows, good, base + logs, moved, early_mm, fields | noise)

    def _one_length(
        self,
        growing: Growing,
        rows: Ints,
        k: Ints,
        base: Floats,
        amounts: Floats,
        at: float,
        spread_s: float,
        n_gaps: int,
        fields: dict[str, object],
    ) -> None:
        """Plunges early by one length: the one of the touches before, or any where a tool is new."""
        space = self.model.space
        known = growing.parents["early_mm"][rows]
        speed = space.speed[k] * np.exp(growing.parents["m"][rows]) * self.model.clock.rate
        contact_s = (space.stop - space.start)[k] * space.speed[k] / speed
        least_mm = speed * np.maximum(LEAST_LENGTH_S, LEAST_LENGTH * contact_s)
        held = np.flatnonzero(space.down[k] & (known > least_mm))
        share = base + np.log(np.where(space.is_first[k], OTHER_TOOL, self.priors.early_again))
        self._length(growing, rows, k, share, amounts, at, spread_s, n_gaps, fields, held, known)
        new = space.down[k] & (known == 0.0) & space.is_first[k]
        prior = base + np.log(self.priors.early / LENGTHS_MM.size)
        for length_mm in LENGTHS_MM if new.any() else ():
            clear = np.flatnonzero(new & (length_mm > least_mm))
            length = np.full(rows.size, length_mm)
            self._length(growing, rows, k, prior, amounts, at, spread_s, n_gaps, fields, clear, length)

    def _length(
        self,
        growing: Growing,
        rows: Ints,
        k: Ints,
        base: Floats,
        amounts: Floats,
        at: float,
        spread_s: float,
        n_gaps: int,
        fields: dict[str, object],
        good: Ints,
        length_mm: Floats,
    ) -> None:
        """Add guesses in which the contact begins this length before its place, and on time for that."""
        if good.size == 0:
            return
        model, space = self.model, self.model.space
        parents = growing.parents[rows[good]]
        moved = length_mm[good] / space.speed[k[good]]
        nearer = amounts[good].copy()
        nearer[:, FEED] = np.maximum(nearer[:, FEED] - moved, 0.0)
        forecast = model.forecast(parents, nearer, at, boundary_s=spread_s, is_gap=True, n_gaps=n_gaps)
        picked = {name: v[good] if isinstance(v, np.ndarray) else v for name, v in fields.items()}
        picked |= model.learn(parents, forecast, at, boundary_s=spread_s)
        picked |= {"u0": space.start[k[good]] - moved, "shift": moved, "early_mm": length_mm[good]}
        growing.add(rows[good], base[good] + model.on_time_log(forecast), code=On.EARLY, **picked)

    def _begun_early(
        self,
        growing: Growing,
        rows: Ints,
        good: NDArray[np.bool_],
        logs: Floats,
        moved: Floats,
        early_mm: Floats,
        fields: dict[str, object],
    ) -> None:
        """Add guesses in which the contact began `moved` [program s] before its place."""
        k = np.asarray(fields["k"])
        more = fields | {"u0": self.model.space.start[k] - moved, "shift": moved, "early_mm": early_mm}
        picked = {name: v[good] if isinstance(v, np.ndarray) else v for name, v in more.items()}
        growing.add(rows[good], logs[good], code=On.EARLY, **picked)

    def _late(
        self,
        growing: Growing,
        rows: Ints,
        base: Floats,
        forecast: Forecast,
        parents: Core,
        fields: dict[str, object],
    ) -> None:
        """Contact after its place: stock too small; the contact is then shorter."""
        priors, space = self.model.priors, self.model.space
        late = forecast.behind
        moved = late * np.exp(parents["m"] + forecast.known)
        k = np.asarray(fields["k"])
        length = space.stop[k] - space.start[k]
        good = (late > np.sqrt(forecast.variance)) & (moved < length)
        scale = 0.5 * length + 0.3
        logs = np.log(priors.late) - late / scale - np.log(scale)
        picked = {name: v[good] if isinstance(v, np.ndarray) else v for name, v in fields.items()}
        picked |= {"u0": (space.start[k] + moved)[good], "shift": -moved[good]}
        growing.add(rows[good], (base + logs)[good], code=On.LATE, **picked)

    def _rapid_turned(
        self,
        growing: Growing,
        rows: Ints,
        base: Floats,
        forecast: Forecast,
        amounts: Floats,
        fields: dict[str, object],
    ) -> None:
        rapid = amounts[:, RAPID]
        good = rapid > LEAST_RAPID_S
        if not good.any():
            return
        prior = np.log(self.model.rapid_share(growing.parents[rows]) / RAPID_STEPS.size)
        heard = np.maximum(forecast.elapsed - forecast.mean + forecast.rapid, 0.02)
        for step in RAPID_STEPS:
            variance = forecast.variance + (STEP_SPREAD * rapid / step) ** 2
            logs = base + prior + normal_log(heard - rapid / step, variance)
            as_heard = np.clip(
                np.log(np.maximum(rapid, 1e-6) / heard), np.log(step) - 0.3, np.log(step) + 0.1
            )
            more = fields | {"lr": as_heard, "vr": STEP_SPREAD**2 / 4.0}
            picked = {name: v[good] if isinstance(v, np.ndarray) else v for name, v in more.items()}
            growing.add(rows[good], logs[good], code=On.STEPPED, **picked)

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

    def _extra(self, growing: Growing, rows: Ints, at: float, doubt: float) -> None:
        priors = self.model.priors
        parents = growing.parents[rows]
        if rows.size == 0:
            return
        after_end = (parents["k"] >= self.model.space.n) & (parents["phase"] == Phase.AIR)
        rate = (
            priors.burst_per_s * doubt + priors.unexpected_per_s + np.where(after_end, AFTER_END_PER_S, 0.0)
        )
        growing.add(
            rows,
            parents["logw"] + np.log(rate),
            code=On.EXTRA,
            phase=Phase.EXTRA,
            was=parents["phase"],
            ts=at,
            predicted=np.full(rows.size, np.nan),
        )

    def _restarted(self, growing: Growing, rows: Ints, at: float) -> None:
        """The program was started again, from the top or from the head of a tool or pass."""
        space, priors = self.model.space, self.model.priors
        parents = growing.parents[rows]
        silence = at - np.where(parents["phase"] == Phase.STOPPED, parents["ts"], parents["t0"])
        good = (silence > 4.0) & (parents["logw"] > parents["logw"].max(initial=-np.inf) - CUT_STEPS)
        rows, silence = rows[good], silence[good]
        for head in space.heads:
            again = growing.parents["k"][rows] != head
            logs = lognormal_log(silence[again], median=30.0, spread=1.0) + np.log(
                priors.restart / space.heads.size
            )
            growing.add(
                rows[again],
                growing.parents["logw"][rows[again]] + logs,
                code=On.RESTARTED,
                k=int(head),
                phase=Phase.IN,
                t0=at,
                u0=float(space.start[head]),
                q=priors.onset_s**2,
                shift=0.0,
                gone=False,
                predicted=np.full(rows[again].size, at),
            )


def dropout_log(length_s: Floats) -> Floats:
    """Log density of the length of a dropout: short ones, and a few long ones."""
    short = np.log(0.97 / DROPOUT_S) - length_s / DROPOUT_S
    long = np.log(0.03 / LONG_DROPOUT_S) - length_s / LONG_DROPOUT_S
    result: Floats = np.logaddexp(short, long)
    return result


def dropout_lasts(length_s: Floats) -> Floats:
    """Chance that a dropout is longer than this."""
    result: Floats = 0.97 * np.exp(-length_s / DROPOUT_S) + 0.03 * np.exp(-length_s / LONG_DROPOUT_S)
    return result


CUT_STEPS = 9.0
AFTER_END_PER_S = 1.0 / 60.0  # doors, air guns, voices once the program is over
DROPOUT_S, LONG_DROPOUT_S = 0.25, 1.5
