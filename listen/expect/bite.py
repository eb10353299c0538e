"""Feeds that no tool takes: a digit too many in F, or one missing in S."""

import numpy as np
from numpy.typing import NDArray

from listen.expect.contacts import Cut
from listen.expect.materials import find_material
from listen.expect.segments import Segments
from listen.job import Job
from listen.lengths import length_text
from listen.program.path import TimedPath
from listen.program.tell import told
from listen.spans import SpanKind
from listen.timeline import Caution

# Most a tooth takes, as a share of the diameter: a hundredth is usual in metal, six in wood
# (common practice, no source).
IN_METAL, ELSEWHERE = (20, "a twentieth"), (12, "a twelfth")
UNLIKE = ("reamer", "tap", "thread mill", "probe", "other")  # of other feeds than these shares


def check_bite(path: TimedPath, job: Job, segments: Segments, cuts: list[Cut]) -> list[Caution]:
    """One caution a tool: the first line in which it cuts with more a tooth than any takes."""
    part, said = _most(job)
    spans = np.unique(segments.span[segments.judged])
    spans = spans[path.spans.kind[spans] == SpanKind.FEED]
    spans = spans[_share_in_contact(path, spans, cuts) >= 0.5]  # a fast way in or out is no cut
    found = []
    for number in np.unique(path.spans.tool[spans]).tolist():
        tool = job.tool(number)
        if tool is None or not tool.flutes or tool.kind in UNLIKE:
            continue
        mine = spans[path.spans.tool[spans] == number]
        mine = mine[path.spindle_rpm[mine] != 0.0]
        bites = path.feed_mm_per_min[mine] / (np.abs(path.spindle_rpm[mine]) * tool.flutes)
        over = np.flatnonzero(bites > tool.diameter / part)
        if over.size:
            found.append(_told(path, job, int(mine[over[0]]), float(bites[over[0]]), said))
    return found


def _most(job: Job) -> tuple[int, str]:
    material = find_material(job.material)
    return ELSEWHERE if material is None or material.group.startswith("no group") else IN_METAL


def _told(path: TimedPath, job: Job, span: int, bite_mm: float, most: str) -> Caution:
    return told(
        path,
        span,
        kind="feed too great for the tool",
        text=f"T{int(path.spans.tool[span])} takes {length_text(bite_mm, job.units, 3)} a tooth at 100 %, "
        f"more than {most} of its diameter",
        remedy="do not run this before F, S and flutes are checked: a digit too many in F, one missing in S?",
    )


def _share_in_contact(path: TimedPath, spans: NDArray[np.int64], cuts: list[Cut]) -> NDArray[np.float64]:
    """How much of the time of each span is in a contact [0 to 1]."""
    if not cuts:
        return np.zeros(spans.size)
    edges = np.array([(cut.contact.start, cut.contact.stop) for cut in cuts]).ravel()
    edges = np.maximum.accumulate(edges)
    lasts = np.diff(edges, prepend=edges[0])
    lasts[::2] = 0.0  # from one contact to the next
    in_contact = np.cumsum(lasts)
    begin, end = path.spans.start_s[spans], path.spans.stop_s[spans]
    share: NDArray[np.float64] = np.interp(end, edges, in_contact) - np.interp(begin, edges, in_contact)
    return share / np.maximum(end - begin, 1e-12)
