"""In what order a program is run, and from when it is listened to: restarts, early stops, gaps."""

from dataclasses import dataclass

import numpy as np

from listen.spans import SpanKind
from listen.timeline import Timeline

PLANS = (
    "single block",
    "single block, not stated",
    "looked at, then on",
    "from the top again",
    "from a later line",
    "stopped early",
    "from the middle",
    "gaps",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One stretch of the program, run without leaving it.

    Attributes
    ----------
    first, until : int
        Spans, half-open.
    share : float
        How much of the last span is run.
    """

    first: int
    until: int
    share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How the program is run and listened to.

    Attributes
    ----------
    legs : tuple of Leg
        In the order in which they are run.
    is_single_block : bool
        Each block waits for a press.
    begins_at : float
        Share of the run before the recording begins.
    n_gaps : int
        How often the listening stops for a while.
    """

    legs: tuple[Leg, ...]
    is_single_block: bool = False
    begins_at: float = 0.0
    n_gaps: int = 0


def whole(timeline: Timeline) -> Plan:
    """From the first line to the last, heard throughout."""
    return Plan(legs=(Leg(first=0, until=len(timeline.spans)),))


def draw_plan(rng: np.random.Generator, timeline: Timeline, name: str) -> Plan:
    """Draw one plan of this name."""
    n = len(timeline.spans)
    all_of_it = Leg(first=0, until=n)
    part = Leg(first=0, until=int(rng.integers(n // 4, 3 * n // 4)), share=float(rng.uniform(0.2, 0.9)))
    if name.startswith("single block"):
        return Plan(legs=(all_of_it,), is_single_block=True)
    if name == "looked at, then on":
        return Plan(legs=(Leg(first=0, until=part.until), Leg(first=part.until, until=n)))
    if name == "from the top again":
        return Plan(legs=(part, all_of_it))
    if name == "from a later line":
        return Plan(legs=(part, Leg(first=_head(rng, timeline, part.until), until=n)))
    if name == "stopped early":
        return Plan(legs=(part,))
    if name == "from the middle":
        return Plan(legs=(all_of_it,), begins_at=float(rng.uniform(0.1, 0.7)))
    return Plan(legs=(all_of_it,), n_gaps=int(rng.integers(1, 4)))


def _head(rng: np.random.Generator, timeline: Timeline, until: int) -> int:
    """The span after a tool change, anywhere in the program but where it stands."""
    heads = np.flatnonzero(timeline.spans.kind == SpanKind.TOOL_CHANGE) + 1
    others = [int(head) for head in heads if not until - 8 < head <= until]
    return int(rng.choice(others)) if others else 0
