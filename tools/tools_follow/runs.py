"""Run a drawn program on a drawn machine: the true path first, then what an ear hears of it."""

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from listen.blocks import Gap
from listen.marks import Mark, MarkKind
from listen.spans import SpanKind
from listen.states import STATES, EarRates, Event, State, StateLikelihoods
from listen.timeline import Timeline
from tools.tools_follow.plans import Leg, Plan, whole

RATE = 8000
Normal = tuple[float, float]  # mean, spread
STOP_S = 0.08  # a feed hold or a lost tool ends the cut in this
LEAST_AIR_S = 1.5
LEAST_HEARD_AIR_S = 0.3  # what comes sooner after a contact is heard as one with it
# What the shipped ear believes [log odds: mean, spread] and hears of ways out, on made sound at 12 and 6 dB,
# by `python -m tools.tools_follow.measure_ear`.
START, BURST, END, BREAK = (3.3, 1.1), (1.9, 0.9), (2.1, 1.0), (0.6, 0.9)
MISSES_WORTH = 4.4  # misses come in rows: the beta distribution of a run's share of them
# Of its belief over misses, in air, and between runs' air; and of the second look's.
LIVE, AGAIN = ((0.1, 1.6), (-3.1, 0.9), 1.0), ((0.1, 2.4), (-4.7, 0.9), 0.0)
BELIEF_S, TOLD_S = 0.1, 1.0  # from one belief to the next, and how many are told at once
UNHEARD_S, HEARD_SHARE = 0.15, (0.65, 0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class Operator:
    """How a person runs a program; rates a minute of real time."""

    name: str
    first_override: tuple[float, ...]
    steps_per_min: float
    holds_per_min: float
    rapid: tuple[float, ...] = (0.25, 0.5, 1.0)


CALM = Operator(name="calm", first_override=(0.5, 1.0), steps_per_min=0.1, holds_per_min=0.1)
HARSH = Operator(name="harsh", first_override=(0.1, 0.2, 0.5, 1.0), steps_per_min=1.0, holds_per_min=0.7)
STEADY = Operator(name="steady", first_override=(1.0, 0.5, 0.1), steps_per_min=0.0, holds_per_min=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What goes wrong at one contact: its kind, and how much [mm or share]."""

    kind: str  # "absent", "early", "cut short", "tool gone", "extra", "dry run", "offset"
    contact: int = 0
    amount: float = 0.0


@dataclass(frozen=True, slots=True)
class Heard:
    """One stretch as the ear has it [s], its way out, and whether it is none or goes on after a break."""

    start: float
    stop: float
    way_out_s: float
    is_burst: bool = False
    is_broken: bool = False


@dataclass(slots=True, kw_only=True)
class Truth:
    """What really happened, and what was heard of it; times since the recording began [s]."""

    stretches: list[tuple[float, float, int]] = field(default_factory=list)  # start, stop, contact
    events: tuple[Event, ...] = ()
    beliefs: tuple[StateLikelihoods, ...] = ()  # of the live ear, while it hears nothing
    beliefs_again: tuple[StateLikelihoods, ...] = ()  # and of the second look
    missed: list[tuple[float, float]] = field(default_factory=list)  # stretches that the ear missed [s]
    marks: tuple[Mark, ...] = ()
    gaps: tuple[Gap, ...] = ()
    end_s: float = 0.0
    starts: list[float] = field(default_factory=list)  # presses of cycle start
    rates: list[tuple[float, float]] = field(default_factory=list)  # time, override
    rapid: float = 1.0  # rapid override
    timing_spread: float = 0.0
    factor: float = 1.0  # what the machine takes over what was computed
    early: dict[int, float] = field(default_factory=dict)  # seconds of real time too early
    early_mm: dict[int, float] = field(default_factory=dict)
    holds: list[tuple[float, float]] = field(default_factory=list)
    ramps: dict[float, float] = field(default_factory=dict)  # length of the exit that ends there [s]
    path: list[tuple[float, float]] = field(default_factory=list)  # time, time along the program


class Machine:
    """Walks through a program in real time, with override, holds and timing errors."""

    def __init__(self, rng: np.random.Generator, operator: Operator, truth: Truth, *, lead_s: float) -> None:
        self.rng = rng
        self.operator = operator
        self.truth = truth
        self.at = lead_s
        self.override = float(rng.choice(operator.first_override))
        self.rapid = float(rng.choice(operator.rapid))
        self.factor = rng.uniform(0.96, 1.06)
        self.rapid_factor = rng.uniform(0.9, 1.3)
        self.noise = 0.02
        self.next_step = self._wait(operator.steps_per_min)
        self.next_hold = self._wait(operator.holds_per_min)
        self.place = 0.0  # along the program [s]
        truth.rates.append((0.0, self.override))

    def _wait(self, per_min: float) -> float:
        return self.at + self.rng.exponential(60.0 / per_min) if per_min > 0.0 else np.inf

    def walk(self, kind: SpanKind, amount: float) -> None:
        """Go through `amount` seconds (at 100 %) of one span."""
        begin, along = self.place, amount
        self.truth.path.append((self.at, begin))
        amount = amount * self.factor * (1.0 + self.noise * self.rng.standard_normal())
        left = max(amount, 0.0) * (self.rapid_factor / self.factor if kind == SpanKind.RAPID else 1.0)
        whole = max(left, 1e-9)
        while left > 1e-9:
            speed = {SpanKind.RAPID: self.rapid, SpanKind.FEED: self.override}.get(kind, 1.0)
            until = min(self.next_step, self.next_hold)
            go = min(left / speed, max(until - self.at, 0.0))
            self.at += go
            left -= go * speed
            self.truth.path.append((self.at, begin + along * (1.0 - left / whole)))
            if self.at >= self.next_hold - 1e-9:
                self.stop(median_s=5.0)
                self.next_hold = self._wait(self.operator.holds_per_min)
            elif self.at >= self.next_step - 1e-9:
                self._turn()
        self.place = begin + along

    def stop(self, *, median_s: float, spread: float = 1.0) -> None:
        """Stand still until somebody presses."""
        length = float(self.rng.lognormal(np.log(median_s), spread))
        self.truth.holds.append((self.at, self.at + length))
        self.at += length
        self.next_step = max(self.next_step, self.at)

    def _turn(self) -> None:
        turned = self.override * float(self.rng.choice([0.5, 0.8, 1.25, 1.5, 2.0]))
        self.override = float(np.clip(np.round(turned * 20.0) / 20.0, 0.1, 1.2))
        self.truth.rates.append((self.at, self.override))
        self.next_step = self._wait(self.operator.steps_per_min)


def run(
    rng: np.random.Generator,
    timeline: Timeline,
    operator: Operator,
    *,
    ear: EarRates,
    told: EarRates | None = None,
    faults: tuple[Fault, ...] = (),
    plan: Plan | None = None,
) -> Truth:
    """One run of a program: what happened and what the ear made of it.

    `told`: the ear that it is taken for, whose spreads the events tell; without it the ear knows itself.
    """
    truth = Truth()
    machine = Machine(rng, operator, truth, lead_s=float(rng.uniform(0.5, 15.0)))
    plan = whole(timeline) if plan is None else plan
    walker = _Walker(machine, timeline, faults, plan.is_single_block)
    for index, leg in enumerate(plan.legs):
        if index > 0:
            machine.stop(median_s=30.0, spread=0.7)
        truth.starts.append(machine.at)
        walker.leg(leg)
    truth.end_s = machine.at + float(rng.uniform(5.0, 40.0))
    truth.rapid = machine.rapid
    truth.timing_spread = machine.noise
    truth.factor = machine.factor
    truth.marks = _marks(truth)
    for fault in faults:
        if fault.kind == "extra":
            _touch_in_air(rng, truth, fault.contact)
    truth.events = hear(rng, truth, ear, told=told)
    if plan.begins_at == 0.0 and plan.n_gaps == 0:
        truth.beliefs = believe(rng.spawn(1)[0], truth, LIVE)
        truth.beliefs_again = believe(rng.spawn(1)[0], truth, AGAIN)
    if plan.begins_at > 0.0:
        _begin_later(truth, plan.begins_at * truth.end_s)
    if plan.n_gaps:
        _tear(rng, truth, plan.n_gaps)
    return truth


class _Walker:
    """Runs legs of a program, with its faults."""

    def __init__(
        self, machine: Machine, timeline: Timeline, faults: tuple[Fault, ...], is_single_block: bool
    ) -> None:
        self._machine = machine
        self._timeline = timeline
        self._single = is_single_block
        self._gone = any(fault.kind == "dry run" for fault in faults)
        self._faults = {f.contact: f for f in faults if f.kind not in ("dry run", "offset")}
        self._offset_mm = sum(fault.amount for fault in faults if fault.kind == "offset")
        self._by_start = {round(c.start, 6): c.id - 1 for c in timeline.contacts}

    def leg(self, leg: Leg) -> None:
        """Run the spans of one leg."""
        spans = self._timeline.spans
        for index in range(leg.first, leg.until):
            share = leg.share if index == leg.until - 1 else 1.0
            kind = SpanKind(int(spans.kind[index]))
            amount = float(spans.stop_s[index] - spans.start_s[index])
            self._machine.place = float(spans.start_s[index])
            contact = self._by_start.get(round(float(spans.start_s[index]), 6))
            if contact is None or kind != SpanKind.FEED or amount <= 0.0:
                self._machine.walk(kind, amount * share)
            else:
                self._cut(contact, amount, share)
            if self._single and kind in (SpanKind.FEED, SpanKind.RAPID) and share == 1.0:
                self._machine.stop(median_s=2.0, spread=0.5)

    def _cut(self, contact: int, amount: float, done: float) -> None:
        """Run one contact, with what goes wrong in it."""
        fault = self._faults.get(contact, Fault(kind="none"))
        machine, truth = self._machine, self._machine.truth
        begin = self._begin(contact, fault)
        n_before = len(truth.holds)
        share = fault.amount if fault.kind in ("cut short", "tool gone") else done
        machine.walk(SpanKind.FEED, amount * share)
        stop = machine.at
        pauses = truth.holds[n_before:]
        machine.walk(SpanKind.FEED, amount * (done - share))
        if share == 1.0:
            truth.ramps[stop] = self._timeline.contacts[contact].ramp_out / machine.override
        if not self._gone and fault.kind != "absent":
            edges = [begin, *(t for pause in pauses for t in pause), stop]
            truth.stretches += [
                (a, b, contact) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a
            ]
        self._gone |= fault.kind == "tool gone"

    def _begin(self, contact: int, fault: Fault) -> float:
        machine, truth = self._machine, self._machine.truth
        down = self._timeline.contacts[contact].way != "side cut"
        early_mm = (self._offset_mm if down else 0.0) + (fault.amount if fault.kind == "early" else 0.0)
        if early_mm <= 0.0:
            return machine.at
        speed = self._timeline.contacts[contact].feed_mm_per_min / 60.0 * machine.override
        last_stop = truth.stretches[-1][1] if truth.stretches else 0.0
        begin = min(max(machine.at - early_mm / speed, last_stop + LEAST_HEARD_AIR_S), machine.at)
        truth.early[contact] = machine.at - begin
        truth.early_mm[contact] = (machine.at - begin) * speed
        return begin


def _touch_in_air(rng: np.random.Generator, truth: Truth, contact: int) -> None:
    """Something is touched in the first long air after a contact; the program goes on as ever."""
    edges = sorted((a, b) for a, b, c in truth.stretches if c >= contact)
    for (_, stop), (following, _) in pairwise(edges):
        if following - stop > LEAST_AIR_S:
            begin = stop + 0.3 * (following - stop)
            length = float(rng.uniform(0.5, min(3.0, 0.5 * (following - stop))))
            truth.stretches.append((begin, begin + length, -1))
            truth.stretches.sort()
            return


def _begin_later(truth: Truth, begin_s: float) -> None:
    """The recording begins `begin_s` into the run; what lay before was not heard."""
    first = round(begin_s * RATE)
    truth.events = _shifted(truth.events, begin_s)
    truth.marks = tuple(
        Mark(at=mark.at - first, kind=mark.kind, source=mark.source, value=mark.value)
        for mark in truth.marks
        if mark.at >= first
    )
    truth.stretches = [(max(a - begin_s, 0.0), b - begin_s, c) for a, b, c in truth.stretches if b > begin_s]
    before = [rate for at, rate in truth.rates if at <= begin_s]
    truth.rates = [(0.0, before[-1]), *((at - begin_s, r) for at, r in truth.rates if at > begin_s)]
    truth.holds = [(a - begin_s, b - begin_s) for a, b in truth.holds if a > begin_s]
    truth.starts = [at - begin_s for at in truth.starts if at > begin_s]
    truth.path = [(at - begin_s, place) for at, place in truth.path]
    truth.end_s -= begin_s


def _shifted(events: tuple[Event, ...], begin_s: float) -> tuple[Event, ...]:
    """Events after `begin_s`, dated from there; a contact that runs then is heard to begin at once."""
    first = round(begin_s * RATE)
    kept = [event for event in events if event.at >= first]
    shifted = [_event(e.state, e.at - first, e.decided_at - first, e.probability, e.spread) for e in kept]
    if kept and kept[0].state != State.ENTRY:
        spread = round(0.03 * RATE)
        shifted.insert(0, _event(State.ENTRY, 0, min(spread, shifted[0].decided_at), 0.9, spread))
    return tuple(shifted)


def _tear(rng: np.random.Generator, truth: Truth, n_gaps: int) -> None:
    """Nothing is heard for 1 to 20 s, `n_gaps` times; a contact on the far side is heard to begin there."""
    for _ in range(n_gaps):
        start = float(rng.uniform(0.05, 0.9)) * truth.end_s
        gap = Gap(
            start=round(start * RATE), stop=round((start + rng.uniform(1.0, 20.0)) * RATE), reason="lost"
        )
        truth.events = _torn(truth.events, gap)
        truth.gaps = (*truth.gaps, gap)
    truth.gaps = tuple(sorted(truth.gaps, key=lambda gap: gap.start))


def _torn(events: tuple[Event, ...], gap: Gap) -> tuple[Event, ...]:
    before = [event for event in events if event.decided_at < gap.start]
    after = [event for event in events if event.at > gap.stop]
    if after and after[0].state != State.ENTRY:
        decided = min(gap.stop + round(0.05 * RATE), after[0].decided_at)
        after.insert(0, _event(State.ENTRY, gap.stop, decided, 0.9, round(0.05 * RATE)))
    return (*before, *after)


def _event(state: State, at: int, decided_at: int, probability: float, spread: int) -> Event:
    return Event(
        state=state, at=max(at, 0), decided_at=max(decided_at, at, 0), probability=probability, spread=spread
    )


def hear(
    rng: np.random.Generator, truth: Truth, ear: EarRates, *, told: EarRates | None = None
) -> tuple[Event, ...]:
    """What the ear makes of the true stretches: dated with noise, some lost, some broken, some made up."""
    heard: list[Heard] = []
    missed = _missed_share(rng, ear)
    for start, stop, _ in truth.stretches:
        if rng.random() < missed:
            truth.missed.append((start, stop))
            continue
        begin = start + ear.onset_spread_s * rng.standard_normal()
        end = max(stop + ear.offset_spread_s * rng.standard_normal(), begin + 0.05)
        ramp = truth.ramps.get(stop, STOP_S) * float(rng.lognormal(0.0, 0.3))
        n_breaks = rng.poisson(ear.dropouts_per_hour / 3600.0 * (stop - start))
        for _ in range(n_breaks):
            at = rng.uniform(begin, end)
            length = rng.exponential(0.2) + 0.05
            if begin + 0.1 < at and at + length < end - 0.1:
                heard.append(Heard(begin, at, STOP_S, is_broken=True))
                begin = at + length
        heard.append(Heard(begin, end, ramp))
    n_bursts = rng.poisson(ear.false_bursts_per_hour / 3600.0 * truth.end_s)
    bursts = rng.uniform(0.0, truth.end_s, n_bursts)
    heard += [Heard(t, t + 0.06 + rng.exponential(0.15), 0.05, is_burst=True) for t in bursts]
    return _events(rng, _joined(heard), told or ear)


def _missed_share(rng: np.random.Generator, ear: EarRates) -> float:
    """What the ear misses in this run: next to nothing in most, a lot in a few, as stated on the mean."""
    if ear.missed_share == 0.0:
        return 0.0
    rest = 1.0 - ear.missed_share
    return float(rng.spawn(1)[0].beta(MISSES_WORTH * ear.missed_share, MISSES_WORTH * rest))


def believe(
    rng: np.random.Generator, truth: Truth, of: tuple[Normal, Normal, float]
) -> tuple[StateLikelihoods, ...]:
    """What an ear believes over each missed contact, and in air once it is decided, each second."""
    told = []
    over_misses, (in_air, spread), between = of
    air = (rng.normal(in_air, between), spread)
    edges = [
        (event.at if event.state == State.ENTRY else event.decided_at) / RATE
        for event in truth.events
        if event.state != State.EXIT
    ]
    for start, stop in zip([0.0, *edges[1::2]], [*edges[::2], truth.end_s], strict=False):
        cuts = [start, *np.arange(start + TOLD_S, stop, TOLD_S)]
        inside = [one for one in truth.missed if start < one[0] < stop]
        told += [_believed(rng, a, b, air) for a, b in pairwise([*cuts, stop])] if not inside else []
        told += [_believed(rng, a, b, over_misses) for a, b in inside]
    return tuple(one for one in told if one.at.size)


def _believed(
    rng: np.random.Generator, start_s: float, stop_s: float, odds: tuple[float, float]
) -> StateLikelihoods:
    at = np.round(np.arange(start_s, stop_s, BELIEF_S) * RATE).astype(np.int64)
    belief = 1.0 / (1.0 + np.exp(-rng.normal(*odds)))
    nothing = np.zeros((at.size, len(STATES)))
    return StateLikelihoods(at=at, log_likelihood=nothing, contact=np.full(at.size, belief))


def _joined(heard: list[Heard]) -> list[Heard]:
    joined: list[Heard] = []
    for one in sorted(heard, key=lambda one: one.start):
        if joined and one.start - joined[-1].stop < 0.06:
            before = joined[-1]
            last = one if one.stop > before.stop else before
            joined[-1] = replace(last, start=before.start, is_burst=one.is_burst and before.is_burst)
        else:
            joined.append(replace(one, start=max(one.start, 0.0), stop=max(one.stop, 0.05)))
    return joined


def _events(rng: np.random.Generator, heard: list[Heard], ear: EarRates) -> tuple[Event, ...]:
    events = []
    before = 0
    for one in heard:
        start_odds, end_odds = BURST if one.is_burst else START, BREAK if one.is_broken else END
        for state, at, spread, odds in (
            (State.ENTRY, one.start, ear.onset_spread_s, start_odds),
            (State.EXIT, one.stop - _heard_way_out_s(rng, one), ear.offset_spread_s, end_odds),
            (State.AIR, one.stop, ear.offset_spread_s, end_odds),
        ):
            decided = max(round((at + rng.uniform(0.03, 0.12)) * RATE), before)
            before = decided
            sure = float(1.0 / (1.0 + np.exp(-rng.normal(*odds))))
            events.append(_event(state, min(round(at * RATE), decided), decided, sure, round(spread * RATE)))
    following = [*events[1:], None] if events else []
    return tuple(event for event, after in zip(events, following, strict=True) if _is_told(event, after))


def _heard_way_out_s(rng: np.random.Generator, one: Heard) -> float:
    """The ear misses short ways out, and hears a part of the longer ones."""
    if rng.random() < np.exp(-one.way_out_s / UNHEARD_S):
        return 0.0
    heard_s = one.way_out_s * float(np.clip(rng.normal(*HEARD_SHARE), 0.05, 1.2))
    return min(heard_s, 0.5 * (one.stop - one.start))


def _is_told(event: Event, after: Event | None) -> bool:
    """A way out of no length is not told."""
    return event.state != State.EXIT or after is None or event.at < after.at


def _marks(truth: Truth) -> tuple[Mark, ...]:
    """All that a control could tell: cycle start, override, holds; the pause before a restart has no end."""
    marks = [_mark(at, MarkKind.CYCLE_START) for at in truth.starts]
    marks += [_mark(at, MarkKind.FEED_OVERRIDE, 100.0 * override) for at, override in truth.rates]
    marks.append(_mark(0.0, MarkKind.RAPID_OVERRIDE, 100.0 * truth.rapid))
    for start, stop in truth.holds:
        marks.append(_mark(start, MarkKind.HOLD))
        if stop not in truth.starts:
            marks.append(_mark(stop, MarkKind.RESUME))
    return tuple(sorted(marks, key=lambda mark: mark.at))


def _mark(at_s: float, kind: MarkKind, value: float = float("nan")) -> Mark:
    return Mark(at=round(at_s * RATE), kind=kind, source="controller", value=value)
