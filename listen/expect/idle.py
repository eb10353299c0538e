"""Tools that feed and meet nothing, or do so in places: a length, a zero or a sign may be wrong."""

import numpy as np
from numpy.typing import NDArray

from listen.expect.contacts import Cut
from listen.expect.segments import Segments
from listen.job import Job
from listen.lengths import length_text
from listen.program.path import TimedPath
from listen.program.tell import told
from listen.spans import SpanKind
from listen.timeline import Caution

KIND = "tool touches nothing"


def check_idle(
    path: TimedPath, job: Job, segments: Segments, cuts: list[Cut], *, seen_mm: float
) -> list[Caution]:
    """One caution a tool: that it touches nothing at all, or where it does not beside what it cuts.

    What is taken off no deeper than `seen_mm` may go unseen.
    """
    touching = {cut.contact.tool for cut in cuts}
    spans = np.unique(segments.span[segments.judged])
    feeding = spans[path.feed_mm_per_min[spans] > 0.0]
    found: list[Caution] = []
    for number in np.unique(path.spans.tool[feeding]).tolist() if touching else ():
        mine = feeding[path.spans.tool[feeding] == number]
        if number not in touching:
            found.append(_idle_tool(path, number, int(mine[0])))
        elif idle := _idle_stretches(path, mine, cuts, job):
            found.append(_idle_stretch(path, number, idle, length_text(seen_mm, job.units, 2)))
    return found


def _idle_tool(path: TimedPath, number: int, span: int) -> Caution:
    return told(
        path,
        span,
        kind=KIND,
        text=f"T{number} feeds, but never touches the stock of this job",
        remedy="is that meant? else check stock and zero in the job (does the raw top stand above Z0?), "
        "and the tool's size",
    )


def _idle_stretch(path: TimedPath, number: int, idle: list[tuple[int, int]], seen: str) -> Caution:
    first, last = idle[0]
    end = path.where(int(path.file[last]), int(path.spans.line[last]))
    others = f", nor in {len(idle) - 1} more of its feed moves between two rapids" if len(idle) > 1 else ""
    return told(
        path,
        first,
        kind=KIND,
        text=f"T{number} feeds from here to {end} and touches nothing there{others}; elsewhere it does",
        remedy=f"is that meant (once more over a cut, a way in, less than {seen} off)? "
        "else check its depth, sign and place",
    )


def _idle_stretches(
    path: TimedPath, feeding: NDArray[np.int64], cuts: list[Cut], job: Job
) -> list[tuple[int, int]]:
    """First and last span of each stretch without a rapid that feeds somewhere and touches nothing."""
    spans = path.spans
    firsts = np.flatnonzero(np.append(True, ~_go_on(path, feeding)))
    lasts = np.append(firsts[1:], feeding.size) - 1
    begins, ends = spans.start_s[feeding[firsts]], spans.stop_s[feeding[lasts]]
    tool = job.tool(int(spans.tool[feeding[0]]))
    least_mm = tool.diameter if tool is not None else 0.0
    cuts_work = np.add.reduceat(_sideways(path, feeding), firsts) > least_mm
    cuts_work |= np.add.reduceat(path.cycle[feeding] != 0, firsts) > 0
    idle = np.flatnonzero(cuts_work & ~_met(begins, ends, cuts))
    return [(int(feeding[firsts[i]]), int(feeding[lasts[i]])) for i in idle]


def _go_on(path: TimedPath, feeding: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether each move but the first goes on from the one before: no rapid between, or the same hole."""
    spans = path.spans
    n_rapids = np.cumsum(spans.kind == SpanKind.RAPID)[feeding]
    same = np.diff(spans.line[feeding]) == 0
    same &= (np.abs(np.diff(spans.end[feeding, :2], axis=0)) < 1e-9).all(axis=1)
    return np.asarray((np.diff(n_rapids) == 0) | (same & (path.cycle[feeding][1:] != 0)))


def _sideways(path: TimedPath, at: NDArray[np.int64]) -> NDArray[np.float64]:
    """Way in the plane of the table [mm], arcs along themselves."""
    spans = path.spans
    way: NDArray[np.float64] = np.linalg.norm((spans.end[at] - spans.begin[at])[:, :2], axis=1)
    turns = spans.sweep[at] != 0.0
    arm = (spans.begin[at] - spans.centre[at])[turns]
    arm[np.arange(len(arm)), spans.axis[at][turns]] = 0.0
    way[turns] = np.linalg.norm(arm, axis=1) * np.abs(spans.sweep[at][turns])
    return way


def _met(begins: NDArray[np.float64], ends: NDArray[np.float64], cuts: list[Cut]) -> NDArray[np.bool_]:
    """Whether a contact lies in each stretch of time."""
    starts = np.array([cut.contact.start for cut in cuts])
    stops = np.maximum.accumulate([cut.contact.stop for cut in cuts])
    before = np.searchsorted(starts, ends)
    return np.asarray((before > 0) & (stops[np.maximum(before - 1, 0)] > begins))
