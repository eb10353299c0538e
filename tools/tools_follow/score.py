"""Score the follower on one drawn run, online and smoothed."""

import time
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from listen.advise import Advise
from listen.blocks import Gap
from listen.follow import Follower, refined_verdicts
from listen.follow.priors import Priors
from listen.followed import Position, Verdict, VerdictKind
from listen.marks import Mark, MarkKind
from listen.states import EarRates, Event, State, StateLikelihoods
from listen.timeline import Timeline
from listen.told import Cue, Flag
from tools.tools_follow.runs import RATE, Truth

NEAR_S = 0.35
BELIEFS = (0.5, 0.7, 0.9, 0.97, 0.995)  # edges
DECIDED = 0.5
ALIKE_S = 0.01  # contacts whose lengths differ by less at 100 % sound alike
Visit = tuple[int, float, float]  # contact, first touch, last touch [s]


@dataclass(slots=True, kw_only=True)
class Said:
    """All that was said of one run, live and afterwards."""

    positions: list[Position] = field(default_factory=list)
    verdicts: dict[int, Verdict] = field(default_factory=dict)  # by contact, counted from 0
    unexpected: list[Verdict] = field(default_factory=list)
    flags: list[Flag] = field(default_factory=list)
    cues: list[Cue] = field(default_factory=list)
    refined: dict[int, Verdict] = field(default_factory=dict)
    refined_unexpected: list[Verdict] = field(default_factory=list)
    cpu_s: float = 0.0


def hints(truth: Truth, known: str) -> tuple[Mark, ...]:
    """The marks of one column: none, cycle start, or the feed clock with it."""
    if known == "none":
        return ()
    if known == "cycle start":
        return tuple(mark for mark in truth.marks if mark.kind == MarkKind.CYCLE_START)
    return truth.marks


def listen_live(
    timeline: Timeline,
    truth: Truth,
    ear: EarRates,
    *,
    known: str = "none",
    beside: tuple[Mark, ...] = (),
    priors: Priors | None = None,
) -> Said:
    """Follow one run as it happens; `beside` is what a controller says, `priors` what is told of all else."""
    timed: list[tuple[int, int, int, Mark | Event | Gap | StateLikelihoods]] = []
    timed += [(mark.at, 0, index, mark) for index, mark in enumerate((*hints(truth, known), *beside))]
    timed += [(event.decided_at, 1, index, event) for index, event in enumerate(truth.events)]
    timed += [(gap.stop, 2, index, gap) for index, gap in enumerate(truth.gaps)]
    timed += [(int(belief.at[-1]), 3, index, belief) for index, belief in enumerate(truth.beliefs)]
    said = Said()
    everything: list[Position | Verdict | Cue] = []
    follower = Follower(timeline, rate=RATE, ear=ear, priors=priors)
    began = time.process_time()
    for at, _, _, item in sorted(timed, key=lambda entry: entry[:3]):
        if isinstance(item, StateLikelihoods):
            follower.listen(item)
        else:
            everything.extend(follower.push((item,), at))
    everything.extend(follower.push((), round(truth.end_s * RATE)))
    everything.extend(follower.close(round(truth.end_s * RATE)))
    said.cpu_s = time.process_time() - began
    _sort(said, everything, Advise(timeline, RATE))
    return said


def _sort(said: Said, everything: list[Position | Verdict | Cue], advise: Advise) -> None:
    for item in everything:
        for given in advise.push(item):
            if isinstance(given, Flag):
                said.flags.append(given)
            else:
                said.cues.append(given)
        if isinstance(item, Position):
            said.positions.append(item)
        elif isinstance(item, Verdict) and item.contact is None:
            said.unexpected.append(item)
        elif isinstance(item, Verdict) and item.contact is not None:
            said.verdicts[item.contact - 1] = item


def listen_again(said: Said, timeline: Timeline, truth: Truth, ear: EarRates, *, known: str = "none") -> Said:
    """Judge the whole run afterwards, too."""
    end = round(truth.end_s * RATE)
    marks, beliefs = hints(truth, known), truth.beliefs_again
    for verdict in refined_verdicts(
        timeline, truth.events, (), marks, RATE, ear, end=end, gaps=truth.gaps, beliefs=beliefs
    ):
        if verdict.contact is None:
            said.refined_unexpected.append(verdict)
        else:
            said.refined[verdict.contact - 1] = verdict
    return said


def visits(truth: Truth) -> list[Visit]:
    """Contacts in the order in which they were made, each from first to last touch."""
    found: list[Visit] = []
    for start, stop, contact in truth.stretches:
        if found and found[-1][0] == contact:
            found[-1] = (contact, found[-1][1], stop)
        else:
            found.append((contact, start, stop))
    return [visit for visit in found if visit[0] >= 0]


def heard_starts(truth: Truth) -> np.ndarray:
    """When the ear heard a contact begin [s]."""
    return np.array([event.at for event in truth.events if event.state == State.ENTRY]) / RATE


def heard_visits(truth: Truth) -> list[Visit]:
    """The visits whose start was heard, and whose end lay not in a gap of the sound."""
    starts = heard_starts(truth)
    if starts.size == 0:
        return []
    gaps = [(gap.start / RATE, gap.stop / RATE) for gap in truth.gaps]
    return [
        (contact, start, stop)
        for contact, start, stop in visits(truth)
        if np.abs(starts - start).min() < NEAR_S
        and not any(a - 0.2 < stop < b + 0.2 or start < a < stop for a, b in gaps)
    ]


def matches(said: Said, timeline: Timeline, truth: Truth) -> dict[str, float]:
    """Contacts matched to their line: half a second in, once over and heard to be, smoothed.

    Not matched once over is "undecided" where no place is likelier than all others together.
    """
    ats = np.array([position.at for position in said.positions])
    counts = dict.fromkeys(("heard", "half a second in", "once over", "undecided", "smoothed"), 0.0)
    for contact, start, stop in heard_visits(truth):
        counts["heard"] += 1
        following = contact + 2 if contact + 1 < len(timeline.contacts) else None
        inside = int(np.searchsorted(ats, (min(start + 0.5, stop) + 0.13) * RATE))
        if inside < ats.size:
            position = said.positions[inside]
            right = {contact + 1} if position.at / RATE < stop - 0.1 else {contact + 1, following}
            counts["half a second in"] += position.next_contact in right
        is_right = _next_at(said, ats, _known_s(truth, stop)) == following
        counts["once over"] += is_right
        counts["undecided"] += not is_right and _belief_at(said, ats, _known_s(truth, stop)) < DECIDED
        verdict = said.refined.get(contact)
        onset = None if verdict is None else verdict.heard_onset
        near = (abs(onset / RATE - a) < NEAR_S for c, a, _ in visits(truth) if onset and c == contact)
        counts["smoothed"] += any(near)
    return counts


def beliefs(said: Said, timeline: Timeline, truth: Truth) -> dict[str, float]:
    """Belief in the place once each contact is over; whether it is right, among alike contacts and others."""
    ats = np.array([position.at for position in said.positions])
    lengths = [contact.stop - contact.start for contact in timeline.contacts]
    counts: dict[str, float] = {}
    for contact, _, stop in heard_visits(truth):
        index = int(np.searchsorted(ats, _known_s(truth, stop) * RATE))
        if index < ats.size:
            here, position = lengths[contact], said.positions[index]
            beside = lengths[max(contact - 1, 0) : contact] + lengths[contact + 1 : contact + 2]
            name = "alike" if any(abs(other - here) < ALIKE_S for other in beside) else "unlike"
            following = contact + 2 if contact + 1 < len(lengths) else None
            right = float(position.next_contact == following)
            near = f"belief {int(np.searchsorted(BELIEFS, position.probability, side='right'))}"
            for key, value in (("of", 1.0), ("believed", position.probability), ("right", right)):
                for which in (name, near):
                    counts[f"{key} {which}"] = counts.get(f"{key} {which}", 0.0) + value
    return counts


def _known_s(truth: Truth, stop_s: float) -> float:
    """0.15 s after the end of a contact; where the ear decided it later, then: its delay is its own [s]."""
    ends = [event for event in truth.events if event.state == State.AIR]
    decided = [event.decided_at / RATE for event in ends if abs(event.at / RATE - stop_s) < NEAR_S]
    return max(stop_s + 0.15, min(decided, default=0.0))


def _next_at(said: Said, ats: np.ndarray, at_s: float) -> int | None:
    index = int(np.searchsorted(ats, at_s * RATE))
    return said.positions[index].next_contact if index < ats.size else -1


def _belief_at(said: Said, ats: np.ndarray, at_s: float) -> float:
    """Belief in the likeliest place."""
    index = int(np.searchsorted(ats, at_s * RATE))
    return said.positions[index].probability if index < ats.size else 0.0


def recoveries(said: Said, timeline: Timeline, truth: Truth) -> dict[str, float]:
    """Holds after which the first contact that begins is matched once it is over."""
    ats = np.array([position.at for position in said.positions])
    heard = heard_visits(truth)
    counts = {"holds": 0.0, "recovered": 0.0}
    for _, resumed in truth.holds:
        after = [visit for visit in heard if visit[1] > resumed]
        if after:
            contact, _, stop = after[0]
            following = contact + 2 if contact + 1 < len(timeline.contacts) else None
            counts["holds"] += 1
            counts["recovered"] += _next_at(said, ats, _known_s(truth, stop)) == following
    return counts


def rates(said: Said, truth: Truth) -> dict[str, float]:
    """Rate within 5 % after the end of each contact longer than half a second, from the third on."""
    times = np.array([t for t, _ in truth.rates])
    long = [(a, b) for a, b, c in truth.stretches if b - a > 0.5 and c >= 0]
    ats = np.array([position.at for position in said.positions])
    counts = {"rate of": 0.0, "rate": 0.0}
    for before, (start, stop) in pairwise(long[1:]):
        last_turn = times[times <= stop].max(initial=0.0)
        if last_turn > before[0] or any(start < hold[0] < stop for hold in truth.holds):
            continue
        index = int(np.searchsorted(ats, (stop + 0.2) * RATE))
        if index >= ats.size or said.positions[index].rate <= 0.0:
            continue
        real = dict(truth.rates).get(last_turn, truth.rates[0][1])
        counts["rate of"] += 1
        counts["rate"] += abs(said.positions[index].rate * truth.factor / real - 1.0) <= 0.05
    return counts


def starts(said: Said, truth: Truth) -> dict[str, float]:
    """Predicted start of the next contact where nothing unforeseen came between.

    Of a contact that was made twice the prediction is held against the one that its verdict speaks of.
    """
    turns = [t for t, _ in truth.rates] + [start for start, _ in truth.holds]
    counts = {"start of": 0.0, "start": 0.0}
    n_visits = Counter(contact for contact, _, _ in visits(truth))
    for before, here in pairwise(visits(truth)):
        contact, start, _ = here
        verdict = said.verdicts.get(contact)
        if contact < 2 or before[0] != contact - 1 or verdict is None or verdict.expected_onset is None:
            continue
        if any(before[2] - 5.0 < t < start for t in turns) or not _speaks_of(verdict, here, n_visits):
            continue
        counts["start of"] += 1
        error = abs(verdict.expected_onset / RATE - start)
        counts["start"] += error <= max(0.3, 0.05 * (start - before[2]))
    return counts


def _speaks_of(verdict: Verdict, visit: Visit, n_visits: Counter[int]) -> bool:
    """Whether a verdict is on this visit of its contact."""
    contact, start, _ = visit
    onset = verdict.heard_onset
    return n_visits[contact] == 1 or (onset is not None and abs(onset / RATE - start) < NEAR_S)


def is_false(verdict: Verdict) -> bool:
    """Whether a verdict on a good contact would be a false alarm."""
    return verdict.kind not in (VerdictKind.AS_EXPECTED, VerdictKind.CANNOT_TELL)


def false_flags(said: Said, truth: Truth) -> dict[str, float]:
    """Flags of a run without faults; those on contacts that the ear missed are its own, and apart."""
    heard = {contact for contact, _, _ in heard_visits(truth)}
    missed = [f for f in said.flags if f.contact is not None and f.contact - 1 not in heard]
    return {"false flags": float(len(said.flags) - len(missed)), "flags on missed": float(len(missed))}


def cues_right(said: Said, truth: Truth, *, is_clock: bool) -> dict[str, float]:
    """Cues of the two kinds that are true, and that are false."""
    counts = {"cue false before": 0.0, "cue false stopped": 0.0, "cue true": 0.0}
    for cue in said.cues:
        if cue.kind == "before its line":
            right = _was_early(cue, truth, is_clock=is_clock)
            counts["cue true" if right else "cue false before"] += 1
        elif cue.kind == "cutting stopped":
            counts["cue true" if _did_stop(cue, truth) else "cue false stopped"] += 1
    return counts


def _was_early(cue: Cue, truth: Truth, *, is_clock: bool) -> bool:
    """Early, or, where nobody told the override, raised since the contact before began."""
    if cue.contact is not None and cue.contact - 1 in truth.early:
        return True
    at = cue.at / RATE
    before = [start for start, _, _ in truth.stretches if start < at - 0.5]
    since = before[-1] if before else 0.0
    turned = [(t, r) for t, r in truth.rates if t < at]
    raised = any(b[1] > a[1] and b[0] > since for a, b in pairwise(turned))
    return raised and not is_clock


def _did_stop(cue: Cue, truth: Truth) -> bool:
    """A stretch ended before its contact did."""
    at = cue.at / RATE
    ends = {(contact, stop) for contact, _, stop in visits(truth) if stop not in _short_ends(truth)}
    return any(
        at - 1.5 < stop <= at and (contact, stop) not in ends
        for _, stop, contact in truth.stretches
        if contact >= 0
    )


def _short_ends(truth: Truth) -> set[float]:
    """Ends that came too soon: those without a way out."""
    return {stop for _, stop, _ in truth.stretches if stop not in truth.ramps}


def delay_s(cue: Cue | Flag, events: tuple[Event, ...]) -> float:
    """Time from the newest decision of the ear before it until it was said [s]."""
    decided = [event.decided_at for event in events if event.decided_at <= cue.at]
    return (cue.at - decided[-1]) / RATE if decided else 0.0
