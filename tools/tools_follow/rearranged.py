"""Short runs of side-milling passes with one thing changed, as a cut and pasted recording has it."""

from dataclasses import dataclass

import numpy as np

from listen.followed import VerdictKind
from listen.spans import SpanKind
from listen.states import EarRates
from listen.timeline import Timeline
from tools.tools_follow.programs import Piece, timeline_of
from tools.tools_follow.runs import Truth, hear

CHANGES = (
    "none",
    "taken out",
    "brought forward",
    "held",
    "half",
    "tenth",
    "one at half",
    "dry run",
    "tool lost",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A program, what is heard of a changed run of it, and the right verdicts.

    Attributes
    ----------
    timeline : Timeline
    truth : Truth
    right : tuple of VerdictKind
        For each contact, in program order.
    changed : int
        Index of the changed contact, −1 where none or all are changed.
    """

    timeline: Timeline
    truth: Truth
    right: tuple[VerdictKind, ...]
    changed: int


def draw_case(rng: np.random.Generator, change: str, *, ear: EarRates) -> Case:
    """Draw a program of 2 to 16 passes and a run with this change."""
    n = int(rng.integers(3, 17)) if change != "none" else int(rng.integers(2, 17))
    timeline, gaps, lengths = _program(rng, n)
    slower = {"half": 2.0, "tenth": 10.0}.get(change, 1.0)
    heard, gap_heard = _as_run(rng, gaps, lengths)
    changed = int(rng.integers(1, n - 1)) if n > 2 else 0
    stretches = _stretches(rng, heard, gap_heard, change, changed)
    stretches = [(slower * a, slower * b, c) for a, b, c in stretches]
    truth = Truth(stretches=stretches)
    ends = slower * (sum(heard) + sum(gap_heard) + 1.0)
    truth.end_s = max(ends, stretches[-1][1] if stretches else 0.0) + float(rng.uniform(2.0, 20.0))
    if change == "held":
        truth.end_s += 10.0
    truth.events = hear(rng, truth, ear)
    return Case(timeline=timeline, truth=truth, right=_right(n, change, changed), changed=changed)


def _program(rng: np.random.Generator, n: int) -> tuple[Timeline, np.ndarray, np.ndarray]:
    length = float(rng.uniform(0.6, 5.0))
    taper = rng.choice([0.0, 0.3])
    lengths = length * (1.0 - taper * rng.random(n) * (rng.random() < 0.5))
    there, back = rng.uniform(0.5, 3.5, 2)
    gaps = np.where(np.arange(n) % 2 == 0, there, back)
    share = rng.uniform(0.0, 0.8)
    pieces: list[Piece] = [(SpanKind.TOOL_CHANGE, 6.0, None), (SpanKind.SPINDLE, 2.0, None)]
    pieces += [(SpanKind.RAPID, 1.0, None), (SpanKind.FEED, 0.5, None)]
    for index in range(n):
        pieces.append((SpanKind.FEED, float(lengths[index]), index))
        pieces.append((SpanKind.FEED, float((1.0 - share) * gaps[index]), None))
        pieces.append((SpanKind.RAPID, float(share * gaps[index]), None))
    pieces.append((SpanKind.RAPID, 1.0, None))
    feed = float(rng.uniform(250.0, 3800.0))
    timeline = timeline_of(pieces, ["side cut"] * n, [1] * n, feed_mm_per_min=feed)
    return timeline, gaps, lengths


def _as_run(rng: np.random.Generator, gaps: np.ndarray, lengths: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lengths and gaps as a real machine gives them: a little off, gaps more so."""
    factor = rng.uniform(0.97, 1.06)
    bias = rng.normal(0.0, 0.1 if rng.random() < 0.75 else 0.3)
    heard = factor * lengths * (1.0 + 0.02 * rng.standard_normal(lengths.size))
    gap = np.maximum(gaps * factor + bias + 0.04 * rng.standard_normal(gaps.size), 0.15)
    return heard, gap


def _stretches(
    rng: np.random.Generator, heard: np.ndarray, gaps: np.ndarray, change: str, changed: int
) -> list[tuple[float, float, int]]:
    if change == "dry run":
        return []
    at = float(rng.uniform(0.1, 8.0))
    forward = min(0.75 * gaps[changed - 1], max(0.5 * gaps[changed - 1], 0.6)) if changed else 0.0
    stretches: list[tuple[float, float, int]] = []
    for index, length in enumerate(heard):
        is_it = index == changed
        if is_it and change == "brought forward":
            stretches.append((at - forward, at - forward + length, index))
        elif is_it and change == "held":
            inside, pause = float(rng.uniform(0.3, 0.7)) * length, float(rng.uniform(3.0, 9.0))
            stretches += [(at, at + inside, index), (at + inside + pause, at + length + pause, index)]
            at += pause
        elif is_it and change == "one at half":
            stretches.append((at, at + 2.0 * length, index))
            at += length
        elif is_it and change == "tool lost":
            stretches.append((at, at + float(rng.uniform(0.3, 0.7)) * length, index))
            return stretches
        elif not (is_it and change == "taken out"):
            stretches.append((at, at + length, index))
        at += length + gaps[index]
    return stretches


def _right(n: int, change: str, changed: int) -> tuple[VerdictKind, ...]:
    right = [VerdictKind.AS_EXPECTED] * n
    if change == "dry run":
        right = [VerdictKind.NOT_HEARD] * n
    elif change == "taken out":
        right[changed] = VerdictKind.NOT_HEARD
    elif change == "brought forward":
        right[changed] = VerdictKind.STARTED_EARLY
    elif change == "tool lost":
        right[changed] = VerdictKind.ENDED_EARLY
        right[changed + 1 :] = [VerdictKind.NOT_HEARD] * (n - changed - 1)
    return tuple(right)
