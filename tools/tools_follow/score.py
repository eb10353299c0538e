"""Score the follower on one drawn run, online and smoothed."""

import time
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from listen.advise import Advise
from listen.follow import Follower, refined_verdicts
from listen.states import EarRates
from listen.timeline import Cue, Flag, Mark, MarkKind, Position, Timeline, Verdict, VerdictKind
from tools.tools_follow.runs import RATE, Truth

NEAR_S = 0.35


@dataclass(slots=True, kw_only=True)
class Score:
    """What one run gave."""

    n_heard: int = 0
    online: int = 0  # half a second after the contact began, or as it ended
    at_end: int = 0  # once it was over
    smoothed: int = 0
    rate_good: int = 0
    rate_all: int = 0
    start_good: int = 0
    start_all: int = 0
    flags: list[Flag] = field(default_factory=list)
    verdicts: dict[int, Verdict] = field(default_factory=dict)
    refined: dict[int, Verdict] = field(default_factory=dict)
    unexpected: int = 0
    refined_unexpected: int = 0
    cues: list[Cue] = field(default_factory=list)
    cpu_s: float = 0.0
    audio_s: float = 0.0


def hints(truth: Truth, known: str) -> tuple[Mark, ...]:
    """The marks of one column: none, cycle start, or the feed clock with it."""
    if known == "none":
        return ()
    if known == "cycle start":
        return tuple(mark for mark in truth.marks if mark.kind == MarkKind.CYCLE_START)
    return truth.marks


def follow_live(timeline: Timeline, truth: Truth, ear: EarRates, known: str) -> tuple[list[object], float]:
    """All that the follower says, and the CPU time it took [s]."""
    marks = [(mark.at, 0, index, mark) for index, mark in enumerate(hints(truth, known))]
    events = [(event.decided_at, 1, index, event) for index, event in enumerate(truth.events)]
    follower = Follower(timeline, rate=RATE, ear=ear)
    said: list[object] = []
    began = time.process_time()
    for at, _, _, item in sorted([*marks, *events], key=lambda entry: entry[:3]):
        said.extend(follower.push((item,), at))
    end = round(truth.end_s * RATE)
    said.extend(follower.push((), end))
    said.extend(follower.close(end))
    return said, time.process_time() - began


def score_run(timeline: Timeline, truth: Truth, ear: EarRates, *, known: str = "none") -> Score:
    """Follow one run live and afterwards, and hold both against the truth."""
    said, cpu_s = follow_live(timeline, truth, ear, known)
    score = Score(cpu_s=cpu_s, audio_s=truth.end_s)
    advise = Advise(timeline, RATE)
    for item in said:
        if isinstance(item, (Position, Verdict, Cue)):
            score.flags += [flag for flag in advise.push(item) if isinstance(flag, Flag)]
        if isinstance(item, Cue):
            score.cues.append(item)
        if isinstance(item, Verdict):
            if item.contact is None:
                score.unexpected += 1
            else:
                score.verdicts[item.contact - 1] = item
    refined = refined_verdicts(
        timeline, truth.events, (), hints(truth, known), RATE, ear, end=round(truth.end_s * RATE)
    )
    for verdict in refined:
        if verdict.contact is None:
            score.refined_unexpected += 1
        else:
            score.refined[verdict.contact - 1] = verdict
    _matches(score, timeline, truth, [item for item in said if isinstance(item, Position)])
    return score


def _matches(score: Score, timeline: Timeline, truth: Truth, positions: list[Position]) -> None:
    ats = np.array([position.at for position in positions])
    onsets = np.array([event.at for event in truth.events if event.state == "entry"]) / RATE
    seen: set[int] = set()
    ends = {contact: stop for _, stop, contact in truth.stretches}
    for start, stop, contact in truth.stretches:
        heard = onsets.size > 0 and np.abs(onsets - start).min() < NEAR_S
        if contact < 0 or contact in seen or not heard:
            continue
        seen.add(contact)
        score.n_heard += 1
        index = int(np.searchsorted(ats, (min(start + 0.5, stop) + 0.13) * RATE))
        if index < len(positions):
            position = positions[index]
            after = position.at / RATE > stop + 0.1
            score.online += position.next_contact == contact + 1 + (1 if after else 0) or (
                position.next_contact in (None, contact + 2) and position.at / RATE > stop - 0.1
            )
        over = int(np.searchsorted(ats, (ends[contact] + 0.15) * RATE))
        following = contact + 2 if contact + 1 < len(timeline.contacts) else None
        score.at_end += over < len(positions) and positions[over].next_contact == following
        verdict = score.refined.get(contact)
        onset = None if verdict is None else verdict.heard_onset
        score.smoothed += onset is not None and abs(onset / RATE - start) < NEAR_S
    _rates(score, truth, positions)
    _starts(score, timeline, truth)


def _rates(score: Score, truth: Truth, positions: list[Position]) -> None:
    """Rate error after the end of each contact longer than half a second, from the third on."""
    times = np.array([t for t, _ in truth.rates])
    long = [(a, b) for a, b, c in truth.stretches if b - a > 0.5 and c >= 0]
    ats = np.array([position.at for position in positions])
    for before, (start, stop) in pairwise(long[1:]):
        last_turn = times[times <= stop].max(initial=0.0)
        if last_turn > before[0] or any(start < hold[0] < stop for hold in truth.holds):
            continue
        index = int(np.searchsorted(ats, (stop + 0.2) * RATE))
        if index >= len(positions) or positions[index].rate <= 0.0:
            continue
        real = dict(truth.rates)[last_turn] if last_turn in dict(truth.rates) else truth.rates[0][1]
        score.rate_all += 1
        score.rate_good += abs(positions[index].rate * truth.factor / real - 1.0) <= 0.05


def _starts(score: Score, timeline: Timeline, truth: Truth) -> None:
    """Predicted start of the next contact where nothing unforeseen came between."""
    firsts = {}
    for start, stop, contact in truth.stretches:
        firsts.setdefault(contact, (start, stop))
    turns = [t for t, _ in truth.rates] + [start for start, _ in truth.holds]
    for contact, (start, _) in firsts.items():
        verdict = score.verdicts.get(contact)
        before = [stop for a, stop, c in truth.stretches if c == contact - 1]
        if contact < 2 or verdict is None or not before or verdict.expected_onset is None:
            continue
        gap = start - before[-1]
        if any(before[-1] - 5.0 < t < start for t in turns):
            continue
        score.start_all += 1
        error = abs(verdict.expected_onset / RATE - start)
        score.start_good += error <= max(0.3, 0.05 * gap)


def is_false(verdict: Verdict) -> bool:
    """Whether a verdict on a good contact would be a false alarm."""
    return verdict.kind not in (VerdictKind.AS_EXPECTED, VerdictKind.CANNOT_TELL)
