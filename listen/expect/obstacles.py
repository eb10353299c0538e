"""What tool and holder come near besides the cut: keep-outs, stock under the holder, bent rapid moves."""

import itertools

import numpy as np
from numpy.typing import NDArray

from listen.expect.clearance import Replay
from listen.expect.segments import Segments
from listen.expect.stock import Stock
from listen.job import Box, Job, KeepOut, Tool
from listen.lengths import length_text, place_text
from listen.program.path import TimedPath
from listen.timeline import Caution, Place, SpanKind

NEAR_MM = 1.0
SAMPLE_MM = 0.5
Floats = NDArray[np.float64]


def check_obstacles(
    path: TimedPath,
    job: Job,
    segments: Segments,
    uncut: dict[str, Stock],
    chosen: dict[str, NDArray[np.bool_]],
) -> tuple[Caution, ...]:
    """Cautions for keep-outs, holder and rapid moves in which each axis goes by itself."""
    found: list[Caution] = []
    for setup in job.setups:
        here, stock = chosen[setup.offset], uncut[setup.offset]
        kept = [_seen_from(keep_out, setup.zero) for keep_out in job.keep_outs]
        for tool in job.tools:
            mine = here & (path.spans.tool[segments.span] == tool.number)
            if not mine.any():
                continue
            for keep_out in kept:
                found += _keep_out(path, job, segments, mine, tool, keep_out)
            found += _holder(path, job, segments, mine, tool, stock)
        found += _each_axis(path, job, segments, stock, here)
    return tuple(found)


def _seen_from(keep_out: KeepOut, zero: Place) -> KeepOut:
    """A keep-out of the first set-up in the coordinates of another."""
    low, high = keep_out.box.low, keep_out.box.high
    return KeepOut(
        name=keep_out.name,
        box=Box(
            low=(low[0] - zero[0], low[1] - zero[1], low[2] - zero[2]),
            high=(high[0] - zero[0], high[1] - zero[1], high[2] - zero[2]),
        ),
    )


def sampled(rows: Floats, keep: NDArray[np.intp], spacing: float) -> tuple[Floats, NDArray[np.intp]]:
    """Places along some segments [mm], shape (n, 3), and the segment of each."""
    lengths = np.linalg.norm(rows[keep, 3:6] - rows[keep, 0:3], axis=1)
    n_places = np.maximum(2, np.ceil(lengths / spacing).astype(np.int64) + 1)
    which = np.repeat(np.arange(keep.size), n_places)
    nth = np.arange(which.size) - np.repeat(np.cumsum(n_places) - n_places, n_places)
    share = nth / (n_places[which] - 1.0)
    begin, end = rows[keep[which], 0:3], rows[keep[which], 3:6]
    return begin + (end - begin) * share[:, None], keep[which]


def distances_to_box(places: Floats, keep_out: KeepOut, *, radius: float) -> Floats:
    """Distance of an upright cylinder standing on each place from a keep-out [mm]; 0 inside."""
    low, high = np.array(keep_out.box.low), np.array(keep_out.box.high)
    beside = np.maximum(np.maximum(low - places, places - high), 0.0)[:, :2]
    aside = np.maximum(np.hypot(beside[:, 0], beside[:, 1]) - radius, 0.0)
    return np.asarray(np.hypot(aside, np.maximum(places[:, 2] - high[2], 0.0)))


def _keep_out(
    path: TimedPath, job: Job, segments: Segments, mine: NDArray[np.bool_], tool: Tool, keep_out: KeepOut
) -> list[Caution]:
    bodies = [("tool", tool.diameter / 2.0, 0.0)]
    if tool.stick_out is not None and tool.holder_diameter is not None:
        bodies.append(("holder", tool.holder_diameter / 2.0, tool.stick_out))
    found = []
    for name, radius, up in bodies:
        keep = _over_box(segments.rows, mine, keep_out, radius + NEAR_MM, up)
        if not keep.size:
            continue
        places, segment = sampled(segments.rows, keep, SAMPLE_MM)
        distances = distances_to_box(places + np.array([0.0, 0.0, up]), keep_out, radius=radius)
        if distances.min() < NEAR_MM:
            first = (
                int(np.argmax(distances < NEAR_MM))
                if distances.min() > 0.0
                else int(np.argmax(distances <= 0.0))
            )
            x, y, z = places[first].tolist()
            where = f"{keep_out.name!r}, near {place_text((x, y, z), job.units)}"
            line = int(path.spans.line[segments.span[segment[first]]])
            subject = f"T{tool.number}" if name == "tool" else f"the holder of T{tool.number}"
            found.append(_into(subject, where, line, float(distances.min()), job.units))
    return found


def _over_box(
    rows: Floats, mine: NDArray[np.bool_], keep_out: KeepOut, reach: float, up: float
) -> NDArray[np.intp]:
    """Segments whose bounding box comes near a keep-out."""
    low, high = keep_out.box.low, keep_out.box.high
    least, most = np.minimum(rows[:, 0:3], rows[:, 3:6]), np.maximum(rows[:, 0:3], rows[:, 3:6])
    near = mine & (least[:, 2] + up < high[2] + NEAR_MM)
    for axis in (0, 1):
        near &= (least[:, axis] < high[axis] + reach) & (most[:, axis] > low[axis] - reach)
    return np.flatnonzero(near)


def _into(subject: str, where: str, line: int, nearest: float, unit: str) -> Caution:
    touches = nearest <= 0.0
    what = "goes into" if touches else f"comes within {length_text(nearest, unit, 2)} of"
    return Caution(
        kind="into a keep-out" if touches else "near a keep-out",
        line=line,
        text=f"{subject} {what} {where}",
        remedy="do not run this; move the clamp or change the path" if touches else "measure the clamp again",
    )


def _holder(
    path: TimedPath, job: Job, segments: Segments, mine: NDArray[np.bool_], tool: Tool, stock: Stock
) -> list[Caution]:
    """Holder lower than the stock's top over the stock: it may touch what is not cut yet."""
    if tool.stick_out is None or tool.holder_diameter is None:
        return []
    east, north = stock.east_north
    box = KeepOut(
        name="the stock",
        box=Box(low=(float(stock.grid[0]), float(stock.grid[1]), stock.floor), high=(east, north, stock.top)),
    )
    radius = tool.holder_diameter / 2.0
    keep = _over_box(segments.rows, mine, box, radius, tool.stick_out)
    if not keep.size:
        return []
    places, segment = sampled(segments.rows, keep, SAMPLE_MM)
    distances = distances_to_box(places + np.array([0.0, 0.0, tool.stick_out]), box, radius=radius)
    if distances.min() > 0.0:
        return []
    first = int(np.argmax(distances <= 0.0))
    below = stock.top - float(places[distances <= 0.0, 2].min()) - tool.stick_out
    return [
        Caution(
            kind="holder below the top",
            line=int(path.spans.line[segments.span[segment[first]]]),
            text=f"the holder of T{tool.number} goes {length_text(below, job.units, 2)} "
            "below the top of the uncut stock",
            remedy="check that all it meets is cut away before, or use more stick-out",
        )
    ]


def each_axis_places(begin: Place, end: Place) -> list[Place]:
    """Corners of a rapid move in which every axis goes at full speed until it is there.

    Examples
    --------
    >>> each_axis_places((0.0, 0.0, 0.0), (30.0, 10.0, 0.0))
    [(0.0, 0.0, 0.0), (10.0, 10.0, 0.0), (30.0, 10.0, 0.0)]
    """
    ways = [b - a for a, b in zip(begin, end, strict=True)]
    corners = [begin]
    for gone in sorted({abs(way) for way in ways if way != 0.0}):
        x, y, z = (a + np.sign(way) * min(abs(way), gone) for a, way in zip(begin, ways, strict=True))
        corners.append((float(x), float(y), float(z)))
    return corners


def _each_axis(
    path: TimedPath, job: Job, segments: Segments, stock: Stock, chosen: NDArray[np.bool_]
) -> list[Caution]:
    """Rapid moves that are clear in a straight line, but not where each axis goes by itself."""
    if job.machine.rapid_path == "straight":
        return []
    rows, spans = segments.rows, path.spans
    rapid = chosen & segments.judged & (spans.kind[segments.span] == SpanKind.RAPID)
    bent = (np.abs(rows[:, 3:6] - rows[:, 0:3]) > 1e-6).sum(axis=1) >= 2
    low = np.minimum(rows[:, 2], rows[:, 5]) < stock.top
    replay: Replay | None = None
    found = []
    for k in np.flatnonzero(rapid & bent & low):
        replay = replay or Replay.of(stock, segments, chosen)
        replay.advance(int(k))
        tool = job.tool(int(spans.tool[segments.span[k]]))
        if tool is not None and _bent_touches(rows[k], replay, tool):
            line = int(spans.line[segments.span[k]])
            found.append(
                Caution(
                    kind="rapid into stock, each axis by itself",
                    line=line,
                    text=f"T{tool.number}'s rapid move is clear in a straight line, "
                    "but meets the stock where each axis goes at its own full speed",
                    remedy="find out how this machine moves in G0 (machine rapid_path), "
                    "or move one axis at a time",
                )
            )
    return found


def _bent_touches(row: Floats, replay: Replay, tool: Tool) -> bool:
    x0, y0, z0, x1, y1, z1 = (float(v) for v in row[0:6])
    straight = np.array([row[0:6]])
    corners = each_axis_places((x0, y0, z0), (x1, y1, z1))
    legs = np.array([[*a, *b] for a, b in itertools.pairwise(corners)])
    bent, _ = sampled(legs, np.arange(len(legs)), 2.0 * SAMPLE_MM)
    plain, _ = sampled(straight, np.arange(1), 2.0 * SAMPLE_MM)
    # both ends are shared with other moves, which are judged by themselves
    touches = [replay.distance(tool, (p[0], p[1], p[2]), ()) <= 0.0 for p in bent[1:-1].tolist()]
    return any(touches) and not all(
        replay.distance(tool, (p[0], p[1], p[2]), ()) <= 0.0 for p in plain[1:-1].tolist()
    )
