"""The lines of `tools/bench follow`: each draws one run from its seed and gives counts that add up."""

import json
import re
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np

from listen.follow import Follower
from listen.follow.priors import priors_for
from listen.followed import Verdict, VerdictKind
from listen.spans import SpanKind
from listen.states import EarRates
from listen.timeline import Timeline
from tools.tools_follow import made_stops, score
from tools.tools_follow.plans import PLANS, draw_plan
from tools.tools_follow.programs import draw_program
from tools.tools_follow.rearranged import CHANGES, draw_case
from tools.tools_follow.runs import CALM, HARSH, RATE, STEADY, Fault, Operator, Truth, run
from tools.tools_follow.yardsticks import count_yardsticks

EAR = EarRates(
    false_bursts_per_hour=2.0,
    dropouts_per_hour=10.0,
    missed_share=0.002,
    onset_spread_s=0.03,
    offset_spread_s=0.05,
)
WORSE = EarRates(
    false_bursts_per_hour=20.0,
    dropouts_per_hour=60.0,
    missed_share=0.01,
    onset_spread_s=0.08,
    offset_spread_s=0.12,
)
COLUMNS = ("none", "cycle start", "feed clock")
FAULTS = ("early", "early, first", "absent", "cut short", "extra")
RIGHT = {
    "early": VerdictKind.STARTED_EARLY,
    "early, first": VerdictKind.STARTED_EARLY,
    "absent": VerdictKind.NOT_HEARD,
    "cut short": VerdictKind.ENDED_EARLY,
}
PROGRAM_S = 240.0
AT_ONCE_S = 0.1
FACTOR_SPREAD, RAPID_SPREAD = 0.029, 0.115  # of machines as `runs.Machine` draws them
Counts = dict[str, float]
Job = Callable[[int], Counts]


def shipped_ear() -> EarRates:
    """The rates of the shipped ear, as its card has them by `tools/bench ear`."""
    card = json.loads((Path(__file__).parents[2] / "models" / "mill_ear" / "card.json").read_text("utf-8"))
    return EarRates(**card["rates"])


def drawn(
    seed: int, operator: Operator, *, program_s: float = PROGRAM_S, **more: object
) -> tuple[Timeline, Truth]:
    """Program and run of one seed."""
    rng = np.random.default_rng(seed)
    kind = more.pop("kind", None)
    timeline = draw_program(rng, duration_s=program_s, kind=None if kind is None else str(kind))
    given: dict[str, object] = {"ear": EAR} | more
    return timeline, run(rng, timeline, operator, **given)  # type: ignore[arg-type]


def follow(operator: Operator, ear: EarRates, seed: int) -> Counts:
    """Contacts matched, recovery, rate, next start; in every tenth run beside the yardsticks; no hint."""
    timeline, truth = drawn(seed, operator, ear=ear)
    beside = count_yardsticks(timeline, truth) if seed % 10 == 0 else {}
    return _matched(timeline, truth, ear) | beside


def told_habits(operator: Operator, seed: int) -> Counts:
    """The same runs followed by one who knows how this operator holds and turns, and that nothing is wrong.

    Between this and the line without it lies what habits that are not known beforehand can cost.
    """
    timeline, truth = drawn(seed, operator)
    told = replace(
        priors_for(timeline, EAR),
        **dict.fromkeys(("absent", "early", "late", "gone", "ended_late", "unexpected_per_s"), 1e-6),
        hold_per_s=operator.holds_per_min / 60.0,
        step_per_s=operator.steps_per_min / 60.0,
        hold_per_gap=1e-4,
        step_per_boundary=1e-4,
        hold_log_spread=1.0,
        restart=1e-9,
    )
    said = score.listen_live(timeline, truth, EAR, priors=told)
    score.listen_again(said, timeline, truth, EAR)
    return score.matches(said, timeline, truth) | score.beliefs(said, timeline, truth)


def told_clock(operator: Operator, seed: int) -> Counts:
    """The same runs, override and holds told: what is missed without, no sound tells."""
    timeline, truth = drawn(seed, operator)
    said = score.listen_live(timeline, truth, EAR, known="feed clock")
    score.listen_again(said, timeline, truth, EAR, known="feed clock")
    return score.matches(said, timeline, truth) | score.beliefs(said, timeline, truth)


def _matched(timeline: Timeline, truth: Truth, ear: EarRates = EAR) -> Counts:
    said = score.listen_live(timeline, truth, ear)
    score.listen_again(said, timeline, truth, ear)
    counts = score.matches(said, timeline, truth) | score.recoveries(said, timeline, truth)
    counts |= score.rates(said, truth) | score.starts(said, truth) | score.false_flags(said, truth)
    counts |= score.beliefs(said, timeline, truth)
    return counts | {"cpu": said.cpu_s, "seconds": truth.end_s}


def clean(known: str, ear: EarRates, stated: EarRates, seed: int) -> Counts:
    """A run without faults: false flags and cues, verdicts left open; `ear` is said to be `stated`."""
    timeline, truth = drawn(seed, (CALM, STEADY)[seed % 2], ear=ear, told=stated)
    said = score.listen_live(timeline, truth, stated, known=known)
    unsure = sum(v.kind == VerdictKind.CANNOT_TELL for v in said.verdicts.values())
    counts = score.false_flags(said, truth)
    counts |= score.cues_right(said, truth, is_clock=known == "feed clock")
    kinds = {f"flag {flag.kind}": 0.0 for flag in said.flags}
    for flag in said.flags:
        kinds[f"flag {flag.kind}"] += 1
    return counts | kinds | {"cannot tell": float(unsure), "judged": float(len(said.verdicts))}


def one_fault(kind: str, known: str, ear: EarRates, seed: int) -> Counts:
    """One planted fault: verdict, flag and cue, and how soon they came."""
    rng = np.random.default_rng((seed, 10_000))
    operator = (CALM, STEADY)[seed % 2]
    timeline, _ = drawn(seed, operator)
    contact = 0 if kind == "early, first" else int(rng.integers(2, len(timeline.contacts) - 1))
    amount = {"early": rng.uniform(1.0, 10.0), "early, first": rng.uniform(1.0, 10.0)}
    amount["cut short"] = rng.uniform(0.2, 0.7)
    fault = Fault(kind=kind.partition(",")[0], contact=contact, amount=float(amount.get(kind, 0.0)))
    timeline, truth = drawn(seed, operator, ear=ear, faults=(fault,))
    said = score.listen_live(timeline, truth, ear, known=known)
    if kind == "extra":
        return _unexpected(said, truth)
    name = "" if kind == "absent" else _size(timeline, truth, contact, fault)
    return _found(RIGHT[kind], contact, name, said, truth)


def _size(timeline: Timeline, truth: Truth, contact: int, fault: Fault) -> str:
    """How far a fault lies outside the spread of the time that shows it: machine, and ear at both ends."""
    here, override = timeline.contacts[contact], truth.rates[0][1]
    if fault.kind == "cut short":
        length = (here.stop - here.start) / override
        return _name((1.0 - fault.amount) * length / _spread_s(truth, length))
    if contact > 0:
        air = (here.start - timeline.contacts[contact - 1].stop) / override
        return _name(truth.early.get(contact, 0.0) / _spread_s(truth, air))
    return _name(truth.early.get(0, 0.0) / _first_spread_s(timeline, truth))


def _name(z: float) -> str:
    return " z4" if z >= 4.0 else " z2" if z >= 2.0 else " z0"


def _spread_s(truth: Truth, length_s: float) -> float:
    return float(np.hypot(truth.timing_spread * length_s, np.hypot(EAR.onset_spread_s, EAR.offset_spread_s)))


def _first_spread_s(timeline: Timeline, truth: Truth) -> float:
    """Before the first contact what this machine makes of feeds and rapids is not known yet either."""
    spans, until = timeline.spans, timeline.contacts[0].start
    seconds = np.where(spans.stop_s <= until + 1e-9, spans.stop_s - spans.start_s, 0.0)
    feed_s = float(seconds[spans.kind == SpanKind.FEED].sum()) / truth.rates[0][1]
    rapid_s = float(seconds[spans.kind == SpanKind.RAPID].sum()) / truth.rapid
    return float(np.sqrt((FACTOR_SPREAD * feed_s) ** 2 + (RAPID_SPREAD * rapid_s) ** 2 + 0.05**2))


def _found(right: VerdictKind, contact: int, name: str, said: score.Said, truth: Truth) -> Counts:
    verdict = said.verdicts.get(contact)
    kind = None if verdict is None else verdict.kind
    flags = [f for f in said.flags if f.contact == contact + 1 and f.kind == right.value]
    wanted = {VerdictKind.STARTED_EARLY: "before its line", VerdictKind.ENDED_EARLY: "cutting stopped"}
    cues = [c for c in said.cues if c.contact == contact + 1 and c.kind == wanted.get(right)]
    at_once = [c for c in cues if score.delay_s(c, truth.events) <= AT_ONCE_S]
    flag_s = [score.delay_s(f, truth.events) for f in flags]
    return {
        f"of{name}": 1.0,
        f"right{name}": float(kind == right),
        f"cannot tell{name}": float(kind in (None, VerdictKind.CANNOT_TELL)),
        f"flagged{name}": float(bool(flags)),
        f"flags{name}": float(len(said.flags)),
        f"flagged at once{name}": float(any(delay <= AT_ONCE_S for delay in flag_s)),
        f"cued{name}": float(bool(cues)),
        f"cued at once{name}": float(bool(at_once)),
    }


def _unexpected(said: score.Said, truth: Truth) -> Counts:
    real = [(a, b) for a, b, contact in truth.stretches if contact < 0]
    found = [v for v in said.unexpected if v.heard_onset is not None]
    right = sum(any(abs(v.heard_onset / RATE - a) < 0.5 for v in found) for a, _ in real)  # type: ignore[operator]
    return {"of": float(len(real)), "right": float(right), "flags": float(len(said.flags))}


def one_cause(kind: str, seed: int) -> Counts:
    """One cause that shows in many contacts, with the feed clock: how many flags, and how soon the first."""
    is_offset = kind == "offset"
    timeline = draw_program(
        np.random.default_rng(seed), duration_s=PROGRAM_S, kind="holes" if is_offset else None
    )
    amount = {"tool gone": 0.5, "offset": _fitting_mm(timeline)}.get(kind, 0.0)
    operator = replace(STEADY, first_override=(1.0, 0.5)) if is_offset else STEADY
    fault = Fault(kind=kind, contact=6, amount=amount)
    truth = run(np.random.default_rng((seed, 30_000)), timeline, operator, ear=EAR, faults=(fault,))
    said = score.listen_live(timeline, truth, EAR, known="feed clock")
    first_s = min((flag.at for flag in said.flags), default=round(truth.end_s * RATE)) / RATE
    counts = {"of": 1.0, "flags": float(len(said.flags)), "exactly one": float(len(said.flags) == 1)}
    counts["live"] = float(bool(said.flags) and first_s < truth.end_s - 0.01)
    if is_offset:
        told = [re.search(r"([0-9.]+) ±", cue.text) for cue in said.cues if cue.kind == "length offset"]
        sizes = [float(found.group(1)) for found in told if found is not None]
        counts["said size"] = float(len(sizes))
        counts["size within a fifth"] = float(bool(sizes) and abs(sizes[-1] / amount - 1.0) <= 0.2)
    return counts


def _fitting_mm(timeline: Timeline) -> float:
    """Two millimetres, or what still leaves some air before every hole."""
    air_s = min(b.start - a.stop for a, b in pairwise(timeline.contacts))
    return min(2.0, 0.4 * air_s * timeline.contacts[0].feed_mm_per_min / 60.0)


def slow(seed: int) -> Counts:
    """At 10 % override, no hint: contacts wrongly called not heard."""
    operator = replace(STEADY, first_override=(0.1,), rapid=(0.25,))
    timeline, truth = drawn(seed, operator, ear=replace(EAR, missed_share=0.0))
    said = score.listen_live(timeline, truth, EAR)
    wrong = sum(v.kind == VerdictKind.NOT_HEARD for v in said.verdicts.values())
    return {"judged": float(len(said.verdicts)), "wrong": float(wrong)}


def calibration(ear: EarRates, seed: int) -> Counts:
    """Probability beside how often the verdict was right; the ear is stated as `EAR` whatever it is."""
    timeline, truth = drawn(500 + seed, (CALM, HARSH)[seed % 2], ear=ear, told=EAR)
    said = score.listen_live(timeline, truth, EAR)
    counts = {"runs": 1.0, "judged": float(len(said.verdicts)), "flags": float(len(said.flags))}
    counts["cannot tell"] = float(sum(v.kind == VerdictKind.CANNOT_TELL for v in said.verdicts.values()))
    for contact, verdict in said.verdicts.items():
        if verdict.kind != VerdictKind.CANNOT_TELL:
            at = min(int(verdict.probability * 10), 9) if verdict.probability < 0.95 else 10
            right = is_right(truth, contact, verdict)
            for name, value in (("said", verdict.probability), ("right", float(right)), ("n", 1.0)):
                counts[f"{name} {at}"] = counts.get(f"{name} {at}", 0.0) + value
    return counts


def is_right(truth: Truth, contact: int, verdict: Verdict) -> bool:
    """Whether a verdict on a good contact is no alarm, and its times are this contact's."""
    return not score.is_false(verdict) and _heard_there(truth, contact, verdict)


def _heard_there(truth: Truth, contact: int, verdict: Verdict) -> bool:
    """Whether what was heard for a contact lies where it was; it may be heard as one with its neighbour."""
    onset, offset = verdict.heard_onset, verdict.heard_offset
    if onset is None:
        return False
    until = truth.end_s if offset is None else offset / RATE
    return any(
        onset / RATE < start + 0.5 and until > min(start + 0.5, stop - 0.1)
        for start, stop, c in truth.stretches
        if c == contact
    )


def rearranged(change: str, ear: EarRates, seed: int) -> Counts:
    """A short run of passes with one thing changed, judged live and afterwards."""
    case = draw_case(np.random.default_rng(100 * seed + CHANGES.index(change)), change, ear=ear)
    said = score.listen_live(case.timeline, case.truth, ear)
    score.listen_again(said, case.timeline, case.truth, ear)
    counts = {"of": float(len(case.right)), "runs": 1.0}
    for name, given in (("refined", said.refined), ("live", said.verdicts)):
        right = [index in given and given[index].kind == kind for index, kind in enumerate(case.right)]
        unsure = [i not in given or given[i].kind == VerdictKind.CANNOT_TELL for i in range(len(case.right))]
        counts |= {name: float(sum(right)), f"{name} whole": float(all(right))}
        counts[f"{name} cannot tell"] = float(sum(unsure))
    counts["flags"] = float(len(said.flags))
    return counts


def planned(name: str, seed: int) -> Counts:
    """A run that leaves the program's order, or is heard in part: matched, and flags that are false."""
    rng = np.random.default_rng((seed, 20_000))
    timeline = draw_program(rng, duration_s=PROGRAM_S)
    if name == "single block":
        timeline = replace(timeline, single_block=True)
    truth = run(rng, timeline, CALM, ear=EAR, plan=draw_plan(rng, timeline, name))
    return _matched(timeline, truth)


def long_run(seed: int) -> Counts:
    """A run of three hours and more."""
    timeline, truth = drawn(7_000 + seed, CALM, program_s=2.5 * 3600.0)
    return _matched(timeline, truth)


def memory(seed: int) -> Counts:
    """Memory that a follower holds after one hour and after ten [bytes], its program apart."""
    timeline, truth = drawn(8_000 + seed, CALM, program_s=7.0 * 3600.0)
    follower = Follower(timeline, rate=RATE, ear=EAR)
    tracemalloc.start()
    held: list[float] = []
    for event in truth.events:
        follower.push((event,), event.decided_at)
        if not held and event.decided_at > 3600 * RATE:
            held.append(float(tracemalloc.get_traced_memory()[0]))
    held.append(float(tracemalloc.get_traced_memory()[0]))
    tracemalloc.stop()
    return {"first": held[0], "last": held[-1], "hours": truth.end_s / 3600.0}


def lines() -> dict[str, tuple[Job, float]]:
    """All lines by name, each with the share of the runs asked for that it gets."""
    found: dict[str, tuple[Job, float]] = {
        f"follow {operator.name}": (partial(follow, operator, EAR), 1.0) for operator in (CALM, HARSH, STEADY)
    }
    found["told its habits, harsh"] = (partial(told_habits, HARSH), 1.0)
    found["told its feed clock, harsh"] = (partial(told_clock, HARSH), 1.0)
    found["follow calm, the shipped ear"] = (partial(follow, CALM, shipped_ear()), 1.0)
    for known in COLUMNS:
        share = 6.0 if known == "feed clock" else 1.0  # one false word in five runs shows in no four
        found[f"clean, {known}"] = (partial(clean, known, EAR, EAR), share)
        found[f"clean, worse ear than stated, {known}"] = (partial(clean, known, WORSE, EAR), share)
        found[f"clean, the shipped ear, {known}"] = (
            partial(clean, known, shipped_ear(), shipped_ear()),
            share,
        )
        share = 2.0 if known == "feed clock" else 1.0  # the hard limits are on these
        found |= {f"{kind}, {known}": (partial(one_fault, kind, known, EAR), share) for kind in FAULTS}
    for kind in ("absent", "cut short"):
        job = partial(one_fault, kind, "feed clock", shipped_ear())
        found[f"{kind}, the shipped ear, feed clock"] = (job, 2.0)
    causes = ("dry run", "tool gone", "offset")
    found |= {f"cause {kind}": (partial(one_cause, kind), 0.5) for kind in causes}
    found["slow"] = (slow, 0.3)
    for name, ear in (("as stated", EAR), ("worse than stated", WORSE)):
        found[f"calibration, {name}"] = (partial(calibration, ear), 0.5)
    for change in CHANGES:
        found[f"rearranged {change}"] = (partial(rearranged, change, EAR), 1.0)
        found[f"rearranged {change}, worse ear"] = (partial(rearranged, change, WORSE), 0.5)
    found |= {f"plan {name}": (partial(planned, name), 2.0) for name in PLANS}
    found["made stops"] = (made_stops.one_clip, made_stops.CLIPS / 4.0)
    found["long"] = (long_run, 0.05)
    found["memory"] = (memory, 0.01)
    return found
