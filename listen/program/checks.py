"""What is wrong with a program, as far as program and job alone can tell.

What meets material is checked in `expect`, with the stock as the program leaves it.
"""

import re
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from listen.job import Box, Cylinder, Job, Setup
from listen.lengths import length_number, length_text
from listen.program.facts import span_extents
from listen.program.keep_out import keep_out_cautions
from listen.program.moves import Program
from listen.program.near import MOVING
from listen.program.path import TimedPath
from listen.program.points import check_points
from listen.program.tell import told
from listen.spans import SpanKind
from listen.timeline import Caution

Bools = NDArray[np.bool_]
CUTTING = (int(SpanKind.FEED), int(SpanKind.RIGID))
TAPPING = (74, 84)


def check_program(program: Program, path: TimedPath, job: Job | None) -> tuple[Caution, ...]:
    """Cautions in the order of their lines; what the path notes itself is not repeated."""
    found = list(program.cautions)
    if job is None or "whole_numbers" not in job.machine.dialect:
        found += check_points(program.listing)
    for check in CHECKS:
        found += check(path, job)
    if job is not None:
        for job_check in JOB_CHECKS:
            found += job_check(path, job)
    return tuple(sorted(dict.fromkeys(found), key=lambda c: -1 if c.line is None else c.line))


SAME_FAULT = {  # kind told by the program alone: kinds by which the stock's side tells the same
    "feed before the spindle turns": "spindle stopped in contact",
    "hold may not be obeyed": "hold may not be obeyed",
    "below the underside": "below the underside",
}


def merge_cautions(of_program: tuple[Caution, ...], of_stock: tuple[Caution, ...]) -> tuple[Caution, ...]:
    """Cautions of both sides, each fault told once: the program's side names its first line.

    A stock's caution goes where the program's side tells the same fault of the same tool, or
    of no tool.
    """
    told = [(SAME_FAULT.get(c.kind, c.kind), _tool_in(c.text)) for c in of_program]
    kept = []
    for caution in of_stock:
        tool = _tool_in(caution.text)
        if not any(kind == caution.kind and tool in (other, "") for kind, other in told):
            kept.append(caution)
    return tuple(dict.fromkeys((*of_program, *kept)))


def _tool_in(text: str) -> str:
    found = re.search(r"\bT\d+", text)
    return "" if found is None else found.group()


def _shown(mm: float, job: Job | None, digits: int = 2) -> str:
    """A length in the unit of the job, mm where there is none."""
    return length_number(mm, "mm" if job is None else job.units, digits)


def _first(which: Bools) -> int | None:
    at = np.flatnonzero(which)
    return int(at[0]) if at.size else None


def _runs(which: Bools, *parts: NDArray[np.generic]) -> list[int]:
    """Index of the first True of each tool and other part."""
    seen: dict[tuple[object, ...], int] = {}
    at = np.flatnonzero(which)
    if not at.size:
        return []
    keys = np.stack([part[at] for part in parts], axis=1)
    _, first = np.unique(keys, axis=0, return_index=True)
    for index in sorted(first.tolist()):
        seen.setdefault(tuple(keys[index]), int(at[index]))
    return list(seen.values())


def _feeding(path: TimedPath) -> Bools:
    return np.isin(path.spans.kind, CUTTING)


def _standing(path: TimedPath, job: Job | None) -> list[Caution]:
    probes = [] if job is None else [tool.number for tool in job.tools if tool.kind == "probe"]
    wrong = _feeding(path) & (path.spindle_rpm == 0.0) & ~np.isin(path.spans.tool, probes)
    return [
        told(
            path,
            int(span),
            kind="feed before the spindle turns",
            text=f"T{path.spans.tool[span]} feeds while the spindle stands",
            remedy="do not run this; S and M3 must come before this line",
        )
        for span in _runs(wrong, path.spans.tool)
    ]


def _no_feed(path: TimedPath, job: Job | None) -> list[Caution]:
    wrong = _feeding(path) & ~(path.feed_mm_per_min > 0.0) & (path.spindle_rpm != 0.0)
    return [
        told(
            path,
            int(span),
            kind="no feed",
            text=f"T{path.spans.tool[span]} is to feed, but no feed above 0 is in force",
            remedy="write F on this line or before it; the control stops here, or takes what was left in it",
        )
        for span in _runs(wrong, path.spans.tool)
    ]


def _no_length(path: TimedPath, job: Job | None) -> list[Caution]:
    if job is not None and job.machine.length_offset_at_tool_call:
        return []
    spans = path.spans
    down = ~(spans.end[:, 2] >= spans.begin[:, 2]) & np.isfinite(spans.end[:, 2])
    wrong = np.isin(spans.kind, MOVING) & down & (path.length_offset == 0)
    return [
        told(
            path,
            int(span),
            kind="no length offset",
            text=f"T{spans.tool[span]} goes to Z{_shown(spans.end[span, 2], job, 3)} "
            "without a length offset (G43 H)",
            remedy="if this machine needs G43, stop; else set [machine] length_offset_at_tool_call",
        )
        for span in _runs(wrong, spans.tool)
    ]


def _lost_feed(path: TimedPath, job: Job | None) -> list[Caution]:
    begin, end = path.spans.begin, path.spans.end
    wrong = (
        _feeding(path)
        & (path.spans.kind != SpanKind.UNKNOWN)
        & (np.isnan(begin) & ~np.isnan(end)).any(axis=1)
    )
    return [
        told(
            path,
            int(span),
            kind="feed from a place that is not known",
            text=f"T{path.spans.tool[span]} feeds from where the program has not put it",
            remedy="move there with G0 first, each axis with its own word",
        )
        for span in _runs(wrong, path.spans.tool)
    ]


def _hold(path: TimedPath, job: Job | None) -> list[Caution]:
    rigid = path.spans.kind == SpanKind.RIGID
    tapping = np.isin(path.cycle, TAPPING)
    return [
        told(
            path,
            int(span),
            kind="hold may not be obeyed",
            text="tapping: feed hold and override may not act until the tap is out"
            if tapping[span]
            else "feed hold and override may not act from here (threading, M49 or a system variable)",
            remedy="know it before this line, from the machine's manual; a hand near the emergency stop",
        )
        for span in _runs(rigid, tapping, path.spans.tool)
    ]


CHECKS: tuple[Callable[[TimedPath, Job | None], list[Caution]], ...] = (
    _standing,
    _no_feed,
    _no_length,
    _lost_feed,
    _hold,
)


def _too_fast(path: TimedPath, job: Job) -> list[Caution]:
    most = job.machine.spindle_max_rpm
    if most is None:
        return []
    wrong = np.abs(path.spindle_rpm) > most + 1e-9
    return [
        told(
            path,
            int(span),
            kind="spindle too fast",
            text=f"S{abs(path.spindle_rpm[span]):g} is above the spindle's {most:g} rpm",
            remedy="lower S, and the feed with it",
        )
        for span in _runs(wrong, path.spans.tool)
    ]


def _wrong_length(path: TimedPath, job: Job) -> list[Caution]:
    """H that is not the tool's: its `h`, or else its number."""
    found = []
    moving = np.isin(path.spans.kind, MOVING) & (path.length_offset != 0)
    moving &= np.isfinite(path.spans.end[:, 2])  # across before G43, the height is not known anyway
    for tool in job.tools:
        right = tool.number if tool.h is None else tool.h
        span = _first(moving & (path.spans.tool == tool.number) & (path.length_offset != right))
        if span is not None:
            found.append(
                told(
                    path,
                    span,
                    kind="length offset of another tool",
                    text=f"T{tool.number} moves under H{path.length_offset[span]}; its own is H{right}",
                    remedy="do not run this; write the H of this tool, or its h in the job",
                )
            )
    return found


def _tapping_feed(path: TimedPath, job: Job) -> list[Caution]:
    found = []
    for tool in job.tools:
        if tool.pitch is None:
            continue
        mine = (path.spans.kind == SpanKind.RIGID) & np.isin(path.cycle, TAPPING)
        mine &= (path.spans.tool == tool.number) & (path.spindle_rpm != 0.0)
        pitch = path.feed_mm_per_min / np.maximum(np.abs(path.spindle_rpm), 1e-9)
        span = _first(mine & (np.abs(pitch - tool.pitch) > 0.01 * tool.pitch))
        if span is not None:
            found.append(
                told(
                    path,
                    span,
                    kind="tapping feed",
                    text=f"feed over speed is not the pitch of T{tool.number}, "
                    f"{length_text(tool.pitch, job.units, 3)}",
                    remedy="F must be S times the pitch",
                )
            )
    return found


def _boxes(job: Job) -> dict[str, tuple[Box, Setup]]:
    """Box around the stock of each set-up, where it is a box or a cylinder."""
    found = {}
    for setup in job.setups:
        shape = setup.stock
        if isinstance(shape, Box):
            found[setup.offset] = (shape, setup)
        elif isinstance(shape, Cylinder):
            (x, y), r = shape.centre, shape.diameter / 2.0
            box = Box(low=(x - r, y - r, shape.low_z), high=(x + r, y + r, shape.high_z))
            found[setup.offset] = (box, setup)
    return found


def _over(path: TimedPath, box: Box, reach: NDArray[np.float64]) -> Bools:
    """Spans whose box, widened by `reach`, lies over the stock seen from above."""
    low, high = span_extents(path.spans)
    over = np.ones(len(path.spans), dtype=np.bool_)
    for axis in (0, 1):
        over &= (low[:, axis] - reach < box.high[axis]) & (high[:, axis] + reach > box.low[axis])
    return over


def _radii(path: TimedPath, job: Job) -> NDArray[np.float64]:
    radii = np.zeros(len(path.spans))
    for tool in job.tools:
        radii[path.spans.tool == tool.number] = tool.diameter / 2.0
    return radii


def _beside_and_below(path: TimedPath, job: Job) -> list[Caution]:
    """Below the underside without being over the stock; over it, `expect` tells more."""
    found = []
    low, _ = span_extents(path.spans)
    moving = np.isin(path.spans.kind, MOVING)
    for name, (box, _) in _boxes(job).items():
        if name not in path.offset_names:
            continue
        mine = moving & (path.offset == path.offset_names.index(name))
        deep = mine & (low[:, 2] < box.low[2] - 1e-6)
        over = deep & _over(path, box, _radii(path, job))
        for span in _runs(deep & ~np.isin(path.spans.tool, path.spans.tool[over]), path.spans.tool):
            found.append(
                told(
                    path,
                    int(span),
                    kind="below the underside",
                    text=f"T{path.spans.tool[span]} goes to Z{_shown(low[span, 2], job)}, "
                    f"{_shown(box.low[2] - low[span, 2], job)} {job.units} below the stock's underside, "
                    "beside the stock",
                    remedy="check what lies there: table, vice, parallels",
                )
            )
    return found


def _change_inside(path: TimedPath, job: Job) -> list[Caution]:
    found = []
    place = path.spans.begin
    changes = path.spans.kind == SpanKind.TOOL_CHANGE
    for name, (box, _) in _boxes(job).items():
        if name not in path.offset_names:
            continue
        mine = changes & (path.offset == path.offset_names.index(name)) & (place[:, 2] < box.high[2])
        inside = mine & _over(path, box, np.full(len(path.spans), 25.0))
        found += [
            told(
                path,
                int(span),
                kind="tool change inside the work",
                text=f"the tool is changed at Z{_shown(place[span, 2], job)}, below the top of the stock",
                remedy="draw the tool out and away before M6",
            )
            for span in np.flatnonzero(inside)[:1]
        ]
    return found


def _units(path: TimedPath, job: Job) -> list[Caution]:
    """A program many times larger or smaller than its stock is in the other unit."""
    boxes = list(_boxes(job).values())
    feeding = np.flatnonzero(_feeding(path) & np.isfinite(path.spans.end).all(axis=1))
    if not boxes or not feeding.size:
        return []
    stock = max(max(b.high[i] - b.low[i] for i in (0, 1)) for b, _ in boxes)
    ends = path.spans.end[feeding]
    reach = float((ends[:, :2].max(axis=0) - ends[:, :2].min(axis=0)).max())
    share = reach / stock
    small = 0.3 <= 25.4 * share <= 1.7 and _all_small(ends, [box for box, _ in boxes])
    if not (share > 8.0 or small):
        return []
    return [
        told(
            path,
            int(feeding[0]),
            kind="units",
            text=f"the program feeds over {_shown(reach, job)} {job.units}, "
            f"the stock is {_shown(stock, job)} {job.units} wide: "
            f"{'inch taken for mm' if small else 'mm taken for inch'}?",
            remedy="do not run this; check G20 and G21, and the units of the job",
        )
    ]


def _all_small(ends: NDArray[np.float64], boxes: list[Box]) -> bool:
    """Whether the feeds stay as near to zero as inches taken for mm would, sideways and down.

    One hole in the middle of a plate reaches no farther than itself, but lies where the plate is.
    """
    corners = np.abs([corner for box in boxes for corner in (box.low, box.high)]).max(axis=0)
    heights = max(box.high[2] - box.low[2] for box in boxes)
    aside = float(np.abs(ends[:, :2]).max() / corners[:2].max())
    down = float((ends[:, 2].max() - ends[:, 2].min()) / heights)
    return max(aside, down) <= 1.7 / 25.4


JOB_CHECKS: tuple[Callable[[TimedPath, Job], list[Caution]], ...] = (
    _too_fast,
    _wrong_length,
    _tapping_feed,
    _beside_and_below,
    _change_inside,
    _units,
    keep_out_cautions,
)
