"""Whether tool or holder pass through a vice jaw or a clamp.

The tool is an upright cylinder from its tip up; a keep-out is a box. So it is met where
the tip is below the box's top while the tool's circle touches the box seen from above.
"""

import itertools
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from listen.job import Job, KeepOut, Tool
from listen.program.facts import span_extents
from listen.program.frame import plane_axes
from listen.program.path import TimedPath
from listen.timeline import Caution, Place, SpanKind

CHORD_MM = 0.01  # how far a chord may be from its arc
Floats = NDArray[np.float64]


def keep_out_cautions(path: TimedPath, job: Job) -> list[Caution]:
    """The first meeting of each tool and kind of move with each keep-out."""
    if not job.keep_outs:
        return []
    low, high = _shared_places(path, job)
    found: dict[tuple[str, int, str], Caution] = {}
    for keep_out in job.keep_outs:
        for number in np.unique(path.spans.tool):
            tool = job.tool(int(number))
            for part, radius, above in _parts(tool):
                for span in _near(path, low, high, keep_out, int(number), radius, above):
                    key = (keep_out.name, int(number), part)
                    if key not in found and _meets(path, job, int(span), keep_out, radius, above):
                        found[key] = _caution(path, int(span), keep_out, int(number), part)
    return list(found.values())


def _parts(tool: Tool | None) -> list[tuple[str, float, float]]:
    """What may meet a keep-out: name, radius, height above the tip where it begins."""
    if tool is None:
        return [("tool", 0.0, 0.0)]
    parts = [("tool", tool.diameter / 2.0, 0.0)]
    if tool.holder_diameter is not None and tool.stick_out is not None:
        parts.append(("holder", tool.holder_diameter / 2.0, tool.stick_out))
    return parts


def _zero(path: TimedPath, job: Job, offset: int) -> Place:
    """Where an offset's zero lies in the coordinates of the first set-up; NaN where not known."""
    name = path.offset_names[offset]
    zeros = {setup.offset: setup.zero for setup in job.setups}
    if name in zeros:
        return zeros[name]
    return (math.nan,) * 3


def _shared_places(path: TimedPath, job: Job) -> tuple[Floats, Floats]:
    low, high = span_extents(path.spans)
    for offset in np.unique(path.offset):
        mine = path.offset == offset
        zero = np.array(_zero(path, job, int(offset)))
        low[mine] += zero
        high[mine] += zero
    return low, high


def _near(
    path: TimedPath, low: Floats, high: Floats, keep_out: KeepOut, tool: int, radius: float, above: float
) -> NDArray[np.int64]:
    """Spans whose boxes come near: all that can meet it."""
    box = keep_out.box
    moving = np.isin(path.spans.kind, (SpanKind.RAPID, SpanKind.FEED, SpanKind.RIGID))
    near = moving & (path.spans.tool == tool) & (low[:, 2] + above < box.high[2])
    for axis in (0, 1):
        near &= (low[:, axis] - radius < box.high[axis]) & (high[:, axis] + radius > box.low[axis])
    return np.flatnonzero(near)


def _meets(path: TimedPath, job: Job, span: int, keep_out: KeepOut, radius: float, above: float) -> bool:
    zero = _zero(path, job, int(path.offset[span]))
    top = keep_out.box.high[2] - above - zero[2]
    low = (keep_out.box.low[0] - zero[0], keep_out.box.low[1] - zero[1])
    high = (keep_out.box.high[0] - zero[0], keep_out.box.high[1] - zero[1])
    bent = job.machine.rapid_path != "straight"
    for begin, end in _chords(path, span, bent=bent):
        below = _below(begin, end, top)
        if below is not None and _distance(below[0], below[1], low, high) < radius - 1e-9:
            return True
        if below is not None and radius == 0.0 and _distance(below[0], below[1], low, high) == 0.0:
            return True
    return False


def _chords(path: TimedPath, span: int, *, bent: bool) -> Iterator[tuple[Floats, Floats]]:
    spans = path.spans
    begin, end = spans.begin[span], spans.end[span]
    if not np.isfinite(begin).all():
        begin = end
    if spans.sweep[span] != 0.0:
        places = _arc_places(begin, end, spans.centre[span], float(spans.sweep[span]), int(spans.axis[span]))
        yield from itertools.pairwise(places)
        return
    yield begin, end
    if bent and spans.kind[span] == SpanKind.RAPID:
        yield from _bent(begin, end)


def _bent(begin: Floats, end: Floats) -> Iterator[tuple[Floats, Floats]]:
    """The same rapid with each axis at its own speed."""
    step = end - begin
    at = begin
    for way in sorted({float(abs(s)) for s in step if s != 0.0}):
        to = begin + np.sign(step) * np.minimum(np.abs(step), way)
        yield at, to
        at = to


def _arc_places(begin: Floats, end: Floats, centre: Floats, sweep: float, axis: int) -> Floats:
    a, b = plane_axes(axis)
    radius = math.hypot(begin[a] - centre[a], begin[b] - centre[b])
    step = 2.0 * math.acos(max(1.0 - CHORD_MM / max(radius, CHORD_MM), -1.0)) or 0.1
    n = min(max(math.ceil(abs(sweep) / step), 1), 10_000)
    share = np.linspace(0.0, 1.0, n + 1)
    angle = math.atan2(begin[b] - centre[b], begin[a] - centre[a]) + share * sweep
    places = np.empty((n + 1, 3))
    places[:, a] = centre[a] + radius * np.cos(angle)
    places[:, b] = centre[b] + radius * np.sin(angle)
    places[:, axis] = begin[axis] + share * (end[axis] - begin[axis])
    return places


def _below(begin: Floats, end: Floats, top: float) -> tuple[Floats, Floats] | None:
    """The part of a straight move below a height."""
    z0, z1 = float(begin[2]), float(end[2])
    if min(z0, z1) >= top - 1e-9:
        return None
    if max(z0, z1) <= top:
        return begin, end
    cut = begin + (end - begin) * ((top - z0) / (z1 - z0))
    return (begin, cut) if z0 < z1 else (cut, end)


def _distance(begin: Floats, end: Floats, low: tuple[float, float], high: tuple[float, float]) -> float:
    """From a segment to a rectangle, seen from above [mm]."""
    p, q = (float(begin[0]), float(begin[1])), (float(end[0]), float(end[1]))
    if _crosses(p, q, low, high):
        return 0.0
    corners = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
    near = [_to_box(point, low, high) for point in (p, q)]
    near += [_to_segment(corner, p, q) for corner in corners]
    return min(near)


def _crosses(
    p: tuple[float, float], q: tuple[float, float], low: tuple[float, float], high: tuple[float, float]
) -> bool:
    first, last = 0.0, 1.0
    for axis in (0, 1):
        step = q[axis] - p[axis]
        if step == 0.0:
            if not low[axis] <= p[axis] <= high[axis]:
                return False
            continue
        a, b = sorted(((low[axis] - p[axis]) / step, (high[axis] - p[axis]) / step))
        first, last = max(first, a), min(last, b)
    return first <= last


def _to_box(at: tuple[float, float], low: tuple[float, float], high: tuple[float, float]) -> float:
    return math.hypot(*(max(low[i] - at[i], 0.0, at[i] - high[i]) for i in (0, 1)))


def _to_segment(at: tuple[float, float], p: tuple[float, float], q: tuple[float, float]) -> float:
    step = (q[0] - p[0], q[1] - p[1])
    square = step[0] ** 2 + step[1] ** 2
    share = 0.0
    if square > 0.0:
        share = min(max(((at[0] - p[0]) * step[0] + (at[1] - p[1]) * step[1]) / square, 0.0), 1.0)
    return math.dist(at, (p[0] + share * step[0], p[1] + share * step[1]))


def _caution(path: TimedPath, span: int, keep_out: KeepOut, tool: int, part: str) -> Caution:
    how = "rapid" if path.spans.kind[span] == SpanKind.RAPID else "feed"
    name = f"T{tool}" if part == "tool" else f"the holder of T{tool}"
    file = int(path.file[span])
    where = f" (in {path.files[file]})" if file else ""
    return Caution(
        kind=f"{how} into a keep-out",
        line=int(path.spans.line[span]),
        text=f"{name} passes through {keep_out.name} on this line{where}",
        remedy="do not run this; move the clamp, raise the clearance, or correct the keep-out in the job",
    )
