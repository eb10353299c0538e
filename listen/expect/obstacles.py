"""What tool and holder meet besides the cut: stock under the holder, stock beside a bent rapid move."""

import itertools

import numpy as np
from numpy.typing import NDArray

from listen.expect.clearance import Replay
from listen.expect.segments import Segments
from listen.expect.stock import Stock
from listen.job import Box, Job, Setup, Tool
from listen.lengths import length_text
from listen.program.near import each_axis_places, holder_of, nearest
from listen.program.path import TimedPath
from listen.program.tell import told
from listen.spans import SpanKind
from listen.timeline import Caution

SAMPLE_MM = 0.5
Floats = NDArray[np.float64]


def check_obstacles(
    path: TimedPath,
    job: Job,
    segments: Segments,
    uncut: dict[str, Stock],
    chosen: dict[str, NDArray[np.bool_]],
) -> tuple[Caution, ...]:
    """Cautions for the holder and for rapid moves in which each axis goes by itself."""
    found: list[Caution] = []
    for setup in job.setups:
        stock = uncut[setup.offset]
        for tool in job.tools:
            found += _holder(path, job, setup, stock, tool)
        found += _each_axis(path, job, segments, stock, chosen[setup.offset])
    return tuple(found)


def sampled(rows: Floats, keep: NDArray[np.intp], spacing: float) -> tuple[Floats, NDArray[np.intp]]:
    """Places along some segments [mm], shape (n, 3), and the segment of each."""
    lengths = np.linalg.norm(rows[keep, 3:6] - rows[keep, 0:3], axis=1)
    n_places = np.maximum(2, np.ceil(lengths / spacing).astype(np.int64) + 1)
    which = np.repeat(np.arange(keep.size), n_places)
    nth = np.arange(which.size) - np.repeat(np.cumsum(n_places) - n_places, n_places)
    share = nth / (n_places[which] - 1.0)
    begin, end = rows[keep[which], 0:3], rows[keep[which], 3:6]
    return begin + (end - begin) * share[:, None], keep[which]


def _holder(path: TimedPath, job: Job, setup: Setup, stock: Stock, tool: Tool) -> list[Caution]:
    """Holder lower than the stock's top over the stock: it may touch what is not cut yet."""
    holder = holder_of(tool)
    if holder is None:
        return []
    (west, south), (east, north) = stock.grid[:2], stock.east_north
    box = Box(low=(float(west), float(south), stock.floor), high=(east, north, stock.top))
    mine = _under(path, setup.offset) & (path.spans.tool == tool.number)
    near = nearest(path, mine, box, holder, within=0.0, bent=job.machine.rapid_path != "straight")
    if near is None:
        return []
    below = length_text(stock.top - near.lowest - holder.above, job.units, 2)
    return [
        told(
            path,
            near.span,
            kind="holder below the top",
            text=f"the holder of T{tool.number} goes {below} below the top of the uncut stock",
            remedy="check that all it meets is cut away before, or use more stick-out",
        )
    ]


def _under(path: TimedPath, offset: str) -> NDArray[np.bool_]:
    """Spans under a work offset."""
    names = np.array([name.upper() == offset.upper() for name in path.offset_names], dtype=np.bool_)
    return np.asarray(names[path.offset])


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
            found.append(
                told(
                    path,
                    int(segments.span[k]),
                    kind="rapid into stock, each axis by itself",
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
    return any(touches) and not any(
        replay.distance(tool, (p[0], p[1], p[2]), ()) <= 0.0 for p in plain[1:-1].tolist()
    )
