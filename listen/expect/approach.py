"""Each tool's first approach under each work offset, in holds that halve what is left."""

import math
from dataclasses import replace

import numpy as np

from listen.approach import Approach, Rung
from listen.expect import kernels
from listen.expect.contacts import Cut
from listen.expect.segments import Segments
from listen.expect.stopping import (
    FEED_DETENTS,
    PANEL_S,
    RAPID_DETENTS,
    SERVO_LAG_S,
    stopping_distance,
)
from listen.job import Job
from listen.program.path import TimedPath
from listen.spans import SpanKind

LONGEST_MM = 200.0
LAST_RUNG_MM = 0.75
COMPARE_MM = 25.0  # near this height the gap is compared with a rule or a block


def halvings(way: float, *, last: float = LAST_RUNG_MM) -> tuple[float, ...]:
    """Half of what is left, again and again.

    Examples
    --------
    >>> halvings(200.0)[:4]
    (100.0, 50.0, 25.0, 12.5)
    """
    found = []
    left = way / 2.0
    while left >= last:
        found.append(left)
        left /= 2.0
    return tuple(found)


def approaches(path: TimedPath, job: Job, segments: Segments, cuts: list[Cut]) -> tuple[Approach, ...]:
    """One approach for each tool and work offset, in the order of their first contacts.

    A tool that came well to its first touch under one offset says nothing of the next one's zero.
    """
    found: dict[tuple[int, str], Approach] = {}
    for cut in cuts:
        if (cut.contact.tool, cut.offset) not in found:
            found[cut.contact.tool, cut.offset] = _approach(path, job, segments, cut)
    return tuple(found.values())


def _approach(path: TimedPath, job: Job, segments: Segments, cut: Cut) -> Approach:
    contact = cut.contact
    rows = segments.rows
    k_touch = max(int(np.searchsorted(rows[:, kernels.T0], contact.start, side="right")) - 1, 0)
    touch_s = _path_at(rows[k_touch], contact.start)
    first = _first_under_offset(path, segments, k_touch)
    way = min(LONGEST_MM, touch_s - float(rows[first, kernels.S0]))
    starts = rows[:, kernels.S0]
    rungs = []
    for left in halvings(way):
        k = max(int(np.searchsorted(starts, touch_s - left, side="right")) - 1, 0)
        if path.spans.kind[segments.span[k]] != SpanKind.RIGID:  # a hold may not be obeyed there
            rungs.append(_rung(path, job, segments, k, touch_s - left, left))
    if rungs:
        nearest = min(range(len(rungs)), key=lambda i: abs(rungs[i].left_mm - COMPARE_MM))
        rungs[nearest] = replace(rungs[nearest], compare=True)
    row = rows[k_touch]
    downwards = bool(row[2] - row[5] > 0.5 * kernels.seg_length(row))
    return Approach(
        tool=contact.tool,
        contact=contact.id,
        touch=contact.place,
        downwards=downwards,
        rungs=tuple(rungs),
        offset=cut.offset,
    )


def _first_under_offset(path: TimedPath, segments: Segments, k_touch: int) -> int:
    """First segment since the tool came into the spindle and the work offset into force."""
    spans = segments.span[: k_touch + 1]
    tools, offsets = path.spans.tool[spans], path.offset[spans]
    other = np.flatnonzero((tools != tools[-1]) | (offsets != offsets[-1]))
    if not other.size:
        return 0
    first = int(other[-1]) + 1
    if offsets[other[-1]] == offsets[-1]:
        return first
    return first + _once_each_axis_moved(segments.rows[first : k_touch + 1])


def _once_each_axis_moved(rows: np.ndarray) -> int:
    """First segment by which each axis has moved that moves at all: before, a new offset hides its place."""
    moves = np.abs(rows[:, 3:6] - rows[:, 0:3]) > 1e-9
    return max((int(np.argmax(moves[:, axis])) for axis in range(3) if moves[:, axis].any()), default=0)


def _path_at(row: np.ndarray, time: float) -> float:
    lasts = row[kernels.T1] - row[kernels.T0]
    share = min(1.0, max(0.0, (time - row[kernels.T0]) / lasts)) if lasts > 0.0 else 0.0
    return float(row[kernels.S0] + share * kernels.seg_length(row))


def _rung(path: TimedPath, job: Job, segments: Segments, k: int, s: float, left: float) -> Rung:
    row = segments.rows[k]
    length = kernels.seg_length(row)
    share = min(1.0, max(0.0, (s - row[kernels.S0]) / length)) if length > 0.0 else 0.0
    x, y, z = (float(v) for v in row[0:3] + share * (row[3:6] - row[0:3]))
    span = int(segments.span[k])
    end = path.spans.end[span]
    rapid = bool(path.spans.kind[span] == SpanKind.RAPID)
    lasts = float(row[kernels.T1] - row[kernels.T0])
    return Rung(
        left_mm=left,
        place=(x, y, z),
        to_go_mm=(float(end[0]) - x, float(end[1]) - y, float(end[2]) - z),
        line=int(path.spans.line[span]),
        rapid=rapid,
        highest_override=catchable(length / lasts, left, job, rapid=rapid),
        block=path.block_name(span),
    )


def catchable(speed: float, left_mm: float, job: Job, *, rapid: bool) -> float | None:
    """Highest override at which a press at a rung stops within half of what is left [percent].

    `speed` is that of the move at 100 % [mm/s].
    """
    best = None
    for percent in RAPID_DETENTS if rapid else FEED_DETENTS:
        real = speed * percent / 100.0
        over = real * (job.operator.expected_s + PANEL_S + SERVO_LAG_S) + stopping_distance(real, job.machine)
        if over <= left_mm / 2.0:
            best = percent
    return best


def least_override(cuts: list[Cut], job: Job, number: int) -> float | None:
    """Least override at which every contact of a tool still makes a chip [percent], None if not known.

    Below about 0.3 of the edge radius the edge rubs. An edge radius not given is taken as 0.01 mm.
    """
    tool = job.tool(number)
    chips = [cut.contact.mean_chip_mm for cut in cuts if cut.contact.tool == number]
    known = [chip for chip in chips if math.isfinite(chip) and chip > 0.0]
    if tool is None or not known:
        return None
    edge = tool.edge_radius if tool.edge_radius is not None else EDGE_RADIUS_MM
    return 100.0 * RUBS_BELOW * edge / min(known)


EDGE_RADIUS_MM = 0.01  # sharp carbide 5 to 10 µm, honed 20 to 50 µm; from memory
RUBS_BELOW = 0.3  # of the edge radius; published estimates run from 0.14 to 0.43 and above
