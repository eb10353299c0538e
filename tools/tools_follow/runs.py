"""Run a drawn program on a drawn machine: the true path first, then what an ear hears of it."""

from dataclasses import dataclass, field

import numpy as np

from listen.states import EarRates, Event, State
from listen.timeline import Mark, MarkKind, SpanKind, Timeline

RATE = 8000
STOP_S = 0.08  # a feed hold or a lost tool ends the cut in this
Heard = tuple[float, float, float]  # start, stop, length of the exit [s]


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


@dataclass(slots=True, kw_only=True)
class Fault:
    """What goes wrong at one contact: its kind, and how much [mm or share]."""

    kind: str  # "absent", "early", "cut short", "tool gone", "extra", "dry run", "offset"
    contact: int = 0
    amount: float = 0.0


@dataclass(slots=True, kw_only=True)
class Truth:
    """What really happened, and what was heard of it."""

    stretches: list[tuple[float, float, int]] = field(default_factory=list)  # start, stop, contact
    began: dict[int, float] = field(default_factory=dict)  # where each contact should have begun [s]
    events: tuple[Event, ...] = ()
    marks: tuple[Mark, ...] = ()
    end_s: float = 0.0
    rates: list[tuple[float, float]] = field(default_factory=list)  # time, override
    timing_spread: float = 0.0
    factor: float = 1.0  # what the machine takes over what was computed
    early: dict[int, float] = field(default_factory=dict)  # seconds of real time too early
    holds: list[tuple[float, float]] = field(default_factory=list)
    ramps: dict[float, float] = field(default_factory=dict)  # length of the exit that ends there [s]


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
        self.pauses: list[tuple[float, float]] = []
        truth.rates.append((0.0, self.override))

    def _wait(self, per_min: float) -> float:
        return self.at + self.rng.exponential(60.0 / per_min) if per_min > 0.0 else np.inf

    def walk(self, kind: SpanKind, amount: float) -> None:
        """Go through `amount` seconds (at 100 %) of one span."""
        amount = amount * self.factor * (1.0 + self.noise * self.rng.standard_normal())
        left = max(amount, 0.0) * (self.rapid_factor / self.factor if kind == SpanKind.RAPID else 1.0)
        while left > 1e-9:
            speed = {SpanKind.RAPID: self.rapid, SpanKind.FEED: self.override}.get(kind, 1.0)
            until = min(self.next_step, self.next_hold)
            go = min(left / speed, max(until - self.at, 0.0))
            self.at += go
            left -= go * speed
            if self.at >= self.next_hold - 1e-9:
                self._hold()
            elif self.at >= self.next_step - 1e-9:
                self._turn()

    def _hold(self) -> None:
        length = float(self.rng.lognormal(np.log(5.0), 1.0))
        self.pauses.append((self.at, self.at + length))
        self.truth.holds.append((self.at, self.at + length))
        self.at += length
        self.next_hold = self._wait(self.operator.holds_per_min)
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
    faults: tuple[Fault, ...] = (),
    steady: bool = False,
) -> Truth:
    """One run of a program: what happened and what the ear made of it."""
    truth = Truth()
    machine = Machine(rng, operator, truth, lead_s=float(rng.uniform(0.5, 15.0)))
    start_s = machine.at
    by_start = {round(c.start, 6): c.id - 1 for c in timeline.contacts}
    gone = any(fault.kind == "dry run" for fault in faults)
    per_contact = {fault.contact: fault for fault in faults if fault.kind not in ("dry run", "offset")}
    offset_mm = sum(fault.amount for fault in faults if fault.kind == "offset")
    n_spans = len(timeline.spans)
    for index in range(n_spans):
        kind = SpanKind(int(timeline.spans.kind[index]))
        amount = float(timeline.spans.stop_s[index] - timeline.spans.start_s[index])
        contact = by_start.get(round(float(timeline.spans.start_s[index]), 6))
        is_contact = contact is not None and kind == SpanKind.FEED and amount > 0.0
        if not is_contact:
            machine.walk(kind, amount)
            continue
        assert contact is not None
        fault = per_contact.get(contact)
        gone = _contact(machine, timeline, contact, amount, fault, offset_mm, gone)
    truth.end_s = machine.at + float(rng.uniform(5.0, 40.0))
    truth.timing_spread = machine.noise
    truth.factor = machine.factor
    truth.events = hear(rng, truth, ear)
    truth.marks = _marks(truth, start_s)
    return truth


def _contact(
    machine: Machine,
    timeline: Timeline,
    contact: int,
    amount: float,
    fault: Fault | None,
    offset_mm: float,
    gone: bool,
) -> bool:
    truth = machine.truth
    speed = timeline.contacts[contact].feed_mm_per_min / 60.0
    truth.began[contact] = machine.at
    early_mm = offset_mm + (fault.amount if fault is not None and fault.kind == "early" else 0.0)
    begin = machine.at
    last_stop = truth.stretches[-1][1] if truth.stretches else 0.0
    if early_mm > 0.0:
        begin = max(machine.at - early_mm / (speed * machine.override), last_stop + 0.1)
        truth.early[contact] = machine.at - begin
    machine.pauses.clear()
    share = fault.amount if fault is not None and fault.kind in ("cut short", "tool gone") else 1.0
    machine.walk(SpanKind.FEED, amount * share)
    stop = machine.at
    pauses = list(machine.pauses)
    machine.walk(SpanKind.FEED, amount * (1.0 - share))
    silent = gone or (fault is not None and fault.kind == "absent")
    if share == 1.0:
        truth.ramps[stop] = timeline.contacts[contact].ramp_out / machine.override
    if not silent:
        edges = [begin, *(t for pause in pauses for t in pause), stop]
        truth.stretches += [(a, b, contact) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]
    if fault is not None and fault.kind == "extra":
        machine.walk(SpanKind.DWELL, 0.4)
        begin = machine.at
        machine.walk(SpanKind.DWELL, 0.8)
        truth.stretches.append((begin, machine.at, -1))
        machine.walk(SpanKind.DWELL, 0.4)
    return gone or (fault is not None and fault.kind == "tool gone")


def hear(rng: np.random.Generator, truth: Truth, ear: EarRates) -> tuple[Event, ...]:
    """What the ear makes of the true stretches: dated with noise, some lost, some broken, some made up."""
    heard: list[Heard] = []
    for start, stop, _ in truth.stretches:
        if rng.random() < ear.missed_share:
            continue
        begin = start + ear.onset_spread_s * rng.standard_normal()
        end = max(stop + ear.offset_spread_s * rng.standard_normal(), begin + 0.05)
        ramp = truth.ramps.get(stop, STOP_S) * float(rng.lognormal(0.0, 0.3))
        n_breaks = rng.poisson(ear.dropouts_per_hour / 3600.0 * (stop - start))
        for _ in range(n_breaks):
            at = rng.uniform(begin, end)
            length = rng.exponential(0.2) + 0.05
            if begin + 0.1 < at and at + length < end - 0.1:
                heard.append((begin, at, STOP_S))
                begin = at + length
        heard.append((begin, end, ramp))
    n_bursts = rng.poisson(ear.false_bursts_per_hour / 3600.0 * truth.end_s)
    bursts = rng.uniform(0.0, truth.end_s, n_bursts)
    heard += [(t, t + 0.06 + rng.exponential(0.15), 0.05) for t in bursts]
    return _events(rng, _joined(heard), ear)


def _joined(heard: list[Heard]) -> list[Heard]:
    joined: list[Heard] = []
    for start, stop, ramp in sorted(heard):
        if joined and start - joined[-1][1] < 0.06:
            joined[-1] = (joined[-1][0], max(stop, joined[-1][1]), ramp)
        else:
            joined.append((max(start, 0.0), max(stop, 0.05), ramp))
    return joined


def _events(rng: np.random.Generator, heard: list[Heard], ear: EarRates) -> tuple[Event, ...]:
    events = []
    before = 0
    for start, stop, ramp in heard:
        leaving = max(stop - ramp, 0.5 * (start + stop))
        for state, at, spread in (
            (State.ENTRY, start, ear.onset_spread_s),
            (State.EXIT, leaving, ear.offset_spread_s),
            (State.AIR, stop, ear.offset_spread_s),
        ):
            decided = max(round((at + rng.uniform(0.03, 0.12)) * RATE), before)
            before = decided
            events.append(
                Event(
                    state=state,
                    at=min(round(at * RATE), decided),
                    decided_at=decided,
                    probability=float(rng.uniform(0.85, 0.99)),
                    spread=round(spread * RATE),
                )
            )
    return tuple(events)


def _marks(truth: Truth, start_s: float) -> tuple[Mark, ...]:
    """All that a control could tell: cycle start, override, holds."""
    marks = [Mark(at=round(start_s * RATE), kind=MarkKind.CYCLE_START, source="controller")]
    for at, override in truth.rates:
        marks.append(
            Mark(
                at=round(at * RATE), kind=MarkKind.FEED_OVERRIDE, source="controller", value=100.0 * override
            )
        )
    for start, stop in truth.holds:
        marks.append(Mark(at=round(start * RATE), kind=MarkKind.HOLD, source="controller"))
        marks.append(Mark(at=round(stop * RATE), kind=MarkKind.RESUME, source="controller"))
    return tuple(sorted(marks, key=lambda mark: mark.at))
