"""What a controller says of a drawn run: lines, positions, execution, overrides, late, a few times a second.

Conventions
-----------
A line may be the block that is cut, or one read ahead. Nothing here was fitted to a machine; the
ranges are common practice, no source.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from listen.lengths import Place
from listen.marks import Mark, MarkKind
from listen.timeline import Timeline
from tools.tools_follow.runs import RATE, Truth

SPEED_MM_PER_S, ROW_MM, STEP_MM = 10.0, 80.0, 3.0
Tells = Literal["lines", "positions", "execution", "override"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Controller:
    """How one controller tells.

    Attributes
    ----------
    tells : frozenset
    hz, jitter_s, delay_s : float
        Updates a second, spread of their times, and how late each is.
    ahead : int
        Blocks by which the line runs ahead of the tool.
    """

    tells: frozenset[Tells]
    hz: float = 5.0
    jitter_s: float = 0.02
    delay_s: float = 0.2
    ahead: int = 0


def controller_marks(
    rng: np.random.Generator, timeline: Timeline, truth: Truth, controller: Controller
) -> tuple[Mark, ...]:
    """The marks of a run, in order; each thing is told when it has changed."""
    even = np.arange(0.0, truth.end_s, 1.0 / controller.hz)
    asked = np.sort(even + rng.normal(0.0, controller.jitter_s, even.size))
    marks: list[Mark] = []
    before: dict[MarkKind, object] = {}
    for at_s in asked[asked > controller.delay_s].tolist():
        said = _state(timeline, truth, at_s - controller.delay_s, controller)
        for kind, (value, place) in said.items():
            if before.get(kind) == (value, place):
                continue
            before[kind] = (value, place)
            marks.append(_mark(at_s, kind, value, place))
    return tuple(marks)


def _mark(at_s: float, kind: MarkKind, value: float, place: Place) -> Mark:
    if kind is MarkKind.HOLD:  # told as the one or the other
        kind, value = (MarkKind.HOLD, np.nan) if value else (MarkKind.RESUME, np.nan)
    return Mark(at=round(at_s * RATE), kind=kind, source="controller", value=value, place=place)


NO_PLACE: Place = (float("nan"), float("nan"), float("nan"))


def _state(
    timeline: Timeline, truth: Truth, at_s: float, controller: Controller
) -> dict[MarkKind, tuple[float, Place]]:
    """What the controller would say at one time."""
    program_s = program_time(truth, at_s)
    said: dict[MarkKind, tuple[float, Place]] = {}
    if "override" in controller.tells:
        rate = [rate for when, rate in truth.rates if when <= at_s][-1]
        said[MarkKind.FEED_OVERRIDE] = (round(100.0 * rate), NO_PLACE)
    if "execution" in controller.tells and truth.starts and at_s >= truth.starts[0]:
        said[MarkKind.HOLD] = (float(any(a <= at_s < b for a, b in truth.holds)), NO_PLACE)
    if program_s is None:
        return said
    if "lines" in controller.tells:
        said[MarkKind.LINE] = (_line(timeline, program_s, controller.ahead), NO_PLACE)
    if (
        "positions" in controller.tells and int(at_s * controller.hz) % round(controller.hz) == 0
    ):  # each second
        said[MarkKind.POSITION] = (float("nan"), place_at(timeline, program_s))
    return said


def program_time(truth: Truth, at_s: float) -> float | None:
    """Where the program is [s along it], None before it runs."""
    times = np.array([when for when, _ in truth.path])
    if not times.size or at_s < times[0]:
        return None
    return float(np.interp(at_s, times, [place for _, place in truth.path]))


def _line(timeline: Timeline, program_s: float, ahead: int) -> float:
    """Line of the block so many blocks ahead of the one that is run."""
    spans = timeline.spans
    index = min(int(np.searchsorted(spans.stop_s, program_s, side="right")), len(spans) - 1)
    for _ in range(ahead):
        later = np.flatnonzero(spans.line[index:] != spans.line[index])
        index += int(later[0]) if later.size else 0
    return float(spans.line[index])


def with_places(timeline: Timeline) -> Timeline:
    """The timeline with invented places: up and down a face, as fast as the program goes."""
    spans = timeline.spans
    begin, end = (_on_face(times) for times in (spans.start_s, spans.stop_s))
    return replace(timeline, spans=replace(spans, begin=begin, end=end))


def _on_face(times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    along = SPEED_MM_PER_S * times_s
    row, on_row = np.divmod(along, ROW_MM)
    x = np.where(row % 2 == 0, on_row, ROW_MM - on_row)
    return np.column_stack([x, STEP_MM * row, np.full(times_s.size, -1.0)])


def place_at(timeline: Timeline, program_s: float) -> Place:
    """Place of the tool's tip on its straight way [mm]."""
    spans = timeline.spans
    index = min(int(np.searchsorted(spans.stop_s, program_s, side="right")), len(spans) - 1)
    length = float(spans.stop_s[index] - spans.start_s[index])
    share = (program_s - float(spans.start_s[index])) / length if length > 0.0 else 1.0
    x, y, z = (spans.begin[index] + share * (spans.end[index] - spans.begin[index])).round(3).tolist()
    return (x, y, z)
