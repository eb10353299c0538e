"""Where a stop leaves the tool clear of the work, and how long there is to press.

Conventions
-----------
A window is in program time. It opens when the tool's whole body is `CLEAR_MM` from stock and
keep-outs and the cue can be on the page; it ends where a press could no longer bring the axes
to a standstill before the tool comes that near again.
"""

import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.expect import kernels
from listen.expect.clearance import Replay
from listen.expect.contacts import Cut
from listen.expect.segments import Segments
from listen.expect.stock import Stock
from listen.expect.stopping import (
    DECISION_S,
    LEAST_PRESS_S,
    PAGE_S,
    SOUND_PATH_S,
    RealClock,
    override_of,
    travel_after_press,
    travel_after_sound,
)
from listen.job import REACTION_S, Job
from listen.program.path import TimedPath
from listen.spans import SpanKind
from listen.timeline import HoldPoint, StopWay

SWITCH_ON = "switch on"  # single block: so the note of such a stop goes on to its end
CLEAR_MM = 2.0
MOST_SAMPLES, FEW_SAMPLES = 48, 8
MANY_GAPS = 200
MOST_REPLAYED = 4000
_M1 = re.compile(r"M\s*0*1(?![\d.])")
_NO_CUE_WAYS = {
    "tapping": "no hold in tapping: it may not be obeyed",
    "drilling": "no cue in drilling and pecking",
    "spot drilling": "no cue in drilling and pecking",
    "reaming": "no cue in reaming and boring",
    "ramp": "no cue in a ramp",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gap:
    """The air after one contact."""

    cut: Cut
    after: Cut | None
    start: float
    stop: float


class _Holds:
    """Works out hold points for the gaps of one path."""

    def __init__(
        self,
        path: TimedPath,
        job: Job,
        segments: Segments,
        replays: dict[str, Replay],
        left: dict[str, Stock],
    ) -> None:
        self.path = path
        self.job = job
        self.segments = segments
        self.replays = replays
        self.left = left
        self.keep_outs = {offset: job.keep_outs_under(offset) or () for offset in replays}
        self.many = False
        machine = job.machine
        self.least_press_s = LEAST_PRESS_S + job.operator.expected_s - REACTION_S
        self.least_block_s = self.least_press_s + job.operator.surprise_s
        self.clock = RealClock(path, feed=machine.feed_override / 100.0, rapid=machine.rapid_override / 100.0)

    def point(self, gap: _Gap) -> HoldPoint:
        """The hold point of one gap."""
        opens, closes = self._clear_window(gap)
        heard = self._later(gap.start, SOUND_PATH_S + DECISION_S + PAGE_S)
        start = min(max(opens, heard), gap.stop)
        stop = max(start, min(self._last_press(start, closes), gap.stop))
        to_press = self.clock.between(start, stop)
        speed = self._speed_at(0.5 * (gap.start + start))
        how, span, way_note = self._way(gap, opens, closes)
        cue_note = self._no_cue(gap, start, stop)
        has_room = to_press >= self.least_press_s or how != StopWay.FEED_HOLD
        notes = [note for note in (cue_note, way_note) if note]
        return HoldPoint(
            contact=gap.cut.contact.id,
            line=int(self.path.spans.line[span]),
            block=self.path.block_name(span),
            how=how,
            from_s=start,
            until_s=stop,
            travel_mm=travel_after_sound(speed, self.job.machine, reaction_s=self.job.operator.expected_s),
            clear_mm=self._least_clear(gap, self._standing(how, span, start, closes)),
            time_to_press_s=to_press,
            has_room=has_room,
            cue=not cue_note,
            note="; ".join(notes),
        )

    def _clear_window(self, gap: _Gap) -> tuple[float, float]:
        """First time the tool is clear, and last time before it no longer is."""
        if not self._may_have_room(gap):
            return gap.stop, gap.stop
        times, distances = self._distances(gap)
        clear = distances >= CLEAR_MM
        if not clear.any():
            return gap.stop, gap.stop
        first = int(np.argmax(clear))
        until = first + int(np.argmin(np.append(clear[first:], False)))
        opens, closes = float(times[first]), float(times[until - 1])
        if first > 0:
            opens = self._edge(gap, inside=opens, outside=float(times[first - 1]))
        if until < times.size:
            closes = self._edge(gap, inside=closes, outside=float(times[until]))
        return opens, closes

    def _standing(self, how: StopWay, span: int, start: float, closes: float) -> tuple[float, float]:
        """From when to when a stop may leave the tool standing: in single block a feed hold may too."""
        if how is StopWay.FEED_HOLD:
            return start, closes
        spans = self.path.spans
        if how is StopWay.PROGRAM_STOP:
            return float(spans.start_s[span]), float(spans.start_s[span])
        ends = float(spans.stop_s[span - 1])
        return min(ends, start), max(ends, closes)

    def _least_clear(self, gap: _Gap, standing: tuple[float, float]) -> float:
        """Least distance of the tool where it may stand [mm]; 0 where there is no room for it."""
        start, stop = standing
        if stop < start or start >= gap.stop:
            return 0.0
        times = self._sample_times(gap)
        between = times[(times > start) & (times < stop)]
        return min(self._distance_at(gap, float(time)) for time in (start, *between, stop))

    def _distance_at(self, gap: _Gap, time: float) -> float:
        """Least distance of the tool from stock and keep-outs at a time of a gap that was replayed [mm]."""
        tool, replay = self.job.tool(gap.cut.contact.tool), self.replays[gap.cut.offset]
        assert tool is not None
        k = int(np.searchsorted(self.segments.rows[:, kernels.T0], time, side="right")) - 1
        return replay.distance(tool, self._place(k, time), self.keep_outs[gap.cut.offset])

    def _may_have_room(self, gap: _Gap) -> bool:
        """Whether a gap is long enough to press in, or ends a block long enough for single block."""
        if self.clock.between(gap.start, gap.stop) >= self.least_press_s:
            return True
        a, b = self._span_at(gap.start), self._span_at(gap.stop)
        spans = self.path.spans
        if (spans.kind[a : b + 1] == SpanKind.WAIT).any():
            return True
        first = self._first_span_of_block(a)
        return self.clock.between(spans.start_s[first], spans.stop_s[b]) >= self.least_block_s

    def _edge(self, gap: _Gap, *, inside: float, outside: float) -> float:
        """Where, between a time that is clear and one that is not, clear ends."""
        for _ in range(8):
            middle = 0.5 * (inside + outside)
            far = self._distance_at(gap, middle) >= CLEAR_MM
            inside, outside = (middle, outside) if far else (inside, middle)
        return inside

    def _distances(self, gap: _Gap) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        rows = self.segments.rows
        tool = self.job.tool(gap.cut.contact.tool)
        replay = self.replays.get(gap.cut.offset)
        times = self._sample_times(gap)
        if tool is None or replay is None or not times.size:
            return np.array([gap.stop]), np.array([0.0])
        index = np.searchsorted(rows[:, kernels.T0], times, side="right") - 1
        same = gap.after is not None and index[0] == index[-1]
        if gap.after is None:
            replay.finish(self.left[gap.cut.offset])
        else:
            replay.advance(int(index[0]) if same else int(index[0]) + 1)
        distances = [
            replay.distance(tool, self._place(int(k), float(t)), self.keep_outs[gap.cut.offset])
            for k, t in zip(index, times, strict=True)
        ]
        return times, np.array(distances)

    def _place(self, k: int, time: float) -> tuple[float, float, float]:
        row = self.segments.rows[k]
        lasts = row[kernels.T1] - row[kernels.T0]
        share = min(1.0, max(0.0, (time - row[kernels.T0]) / lasts)) if lasts > 0.0 else 1.0
        x, y, z = (float(v) for v in row[0:3] + share * (row[3:6] - row[0:3]))
        return x, y, z

    def _sample_times(self, gap: _Gap) -> NDArray[np.float64]:
        """Times between two contacts at which the tool's distance is looked at."""
        rows = self.segments.rows
        end = gap.stop
        changes = np.flatnonzero(self.path.spans.kind == SpanKind.TOOL_CHANGE)
        times = self.path.spans.start_s[changes]
        next_change = times[(times >= gap.start) & (times < end)]
        if next_change.size:
            end = float(next_change[0])
        a = int(np.searchsorted(rows[:, kernels.T1], gap.start))
        b = int(np.searchsorted(rows[:, kernels.T0], end))
        knots = np.unique(np.concatenate([[gap.start, end], rows[a:b, kernels.T1].clip(gap.start, end)]))
        short = self.clock.between(gap.start, end) < self.least_press_s
        most = FEW_SAMPLES if short or self.many else MOST_SAMPLES
        each = max(1, most // max(1, knots.size - 1))
        places = np.linspace(0.0, knots.size - 1.0, (knots.size - 1) * each + 1)
        fine = np.interp(places, np.arange(knots.size), knots)
        thinned = fine if fine.size <= 3 * most else fine[:: fine.size // (2 * most)]
        return np.asarray(thinned)

    def _later(self, program_time: float, seconds: float) -> float:
        return self.clock.program_time(self.clock.at(program_time) + seconds)

    def _span_at(self, time: float) -> int:
        found = int(np.searchsorted(self.path.spans.start_s, time, side="right")) - 1
        return max(found, 0)

    def _speed_at(self, time: float) -> float:
        """Real speed along the path [mm/s] at the overrides in force."""
        rows = self.segments.rows
        k = max(int(np.searchsorted(rows[:, kernels.T0], time, side="right")) - 1, 0)
        row = rows[k]
        lasts = row[kernels.T1] - row[kernels.T0]
        if not lasts > 0.0 or time > row[kernels.T1]:
            return 0.0
        kind = int(self.path.spans.kind[self.segments.span[k]])
        return float(kernels.seg_length(row) / lasts) * override_of(kind, self.job.machine)

    def _last_press(self, start: float, closes: float) -> float:
        """Latest press that still brings the axes to rest before `closes`."""
        if closes <= start:
            return start
        low, high = start, closes
        for _ in range(30):
            middle = 0.5 * (low + high)
            left = self._way_between(middle, closes)
            if left >= travel_after_press(self._fastest(middle, closes), self.job.machine):
                low = middle
            else:
                high = middle
        return low

    def _way_between(self, start: float, stop: float) -> float:
        rows = self.segments.rows
        a = int(np.searchsorted(rows[:, kernels.T1], start))
        b = int(np.searchsorted(rows[:, kernels.T0], stop))
        part = rows[a:b]
        lasts = np.maximum(part[:, kernels.T1] - part[:, kernels.T0], 1e-12)
        share = (part[:, kernels.T1].clip(start, stop) - part[:, kernels.T0].clip(start, stop)) / lasts
        return float((np.linalg.norm(part[:, 3:6] - part[:, 0:3], axis=1) * share).sum())

    def _fastest(self, start: float, stop: float) -> float:
        """Highest real speed just after a press: the moves of the next half second."""
        soon = min(stop, self._later(start, 0.5))
        return max(self._speed_at(start), self._speed_at(0.5 * (start + soon)), self._speed_at(soon - 1e-9))

    def _way(self, gap: _Gap, opens: float, closes: float) -> tuple[StopWay, int, str]:
        """Way to stop, the span in which it happens or before which it is switched on, and what to know."""
        spans = self.path.spans
        a, b = self._span_at(gap.start), self._span_at(min(gap.stop, spans.stop_s[-1] - 1e-9))
        waits = [k for k in range(a, b + 1) if spans.kind[k] == SpanKind.WAIT and spans.start_s[k] >= opens]
        if waits:
            return StopWay.PROGRAM_STOP, waits[0], f"the program stops here{self._only_if(waits[0])}"
        ends = [k for k in range(a, b) if opens <= spans.stop_s[k] <= closes and self._ends_block(k)]
        for k in ends:
            block = self._first_span_of_block(k)
            runs_s = self.clock.between(spans.start_s[block], spans.stop_s[k])
            if self.path.cycle[k] == 0 and runs_s >= self.least_block_s:
                note = f"{SWITCH_ON} while {self.path.block_name(k)} runs; it ends clear of the work"
                return StopWay.SINGLE_BLOCK, k + 1, note
        return StopWay.FEED_HOLD, self._span_at(max(opens, gap.start)), ""

    def _only_if(self, span: int) -> str:
        """M1 stops only where the switch is on."""
        line, listing = int(self.path.spans.line[span]), self.path.listing
        text = listing[line - 1] if self.path.file[span] == 0 and line <= len(listing) else ""
        return ", only with optional stop on" if _M1.search(text.upper()) else ""

    def _ends_block(self, k: int) -> bool:
        spans = self.path.spans
        return k + 1 < len(spans) and bool(
            spans.line[k + 1] != spans.line[k] or self.path.file[k + 1] != self.path.file[k]
        )

    def _first_span_of_block(self, k: int) -> int:
        spans = self.path.spans
        while k > 0 and spans.line[k - 1] == spans.line[k] and self.path.file[k - 1] == self.path.file[k]:
            k -= 1
        return k

    def _no_cue(self, gap: _Gap, start: float, stop: float) -> str:
        a, b = self._span_at(gap.start), self._span_at(max(stop - 1e-9, start))
        kinds = self.path.spans.kind[a : b + 1]
        if gap.cut.contact.way in _NO_CUE_WAYS:
            return _NO_CUE_WAYS[gap.cut.contact.way]
        if (kinds == SpanKind.RIGID).any():
            return "a hold may not be obeyed here (M49 or tapping)"
        if (self.path.cycle[a : b + 1] != 0).any():
            return "no cue inside a cycle"
        compensated = self.path.compensated[a : b + 1]
        if compensated.any() and not compensated.all():
            return "no cue in a compensation lead-in"
        return ""


def hold_points(
    path: TimedPath,
    job: Job,
    segments: Segments,
    cuts: list[Cut],
    replays: dict[str, Replay],
    left: dict[str, Stock],
) -> tuple[HoldPoint, ...]:
    """One hold point after each exit; where there is no room, the next contact that has some is named.

    Parameters
    ----------
    replays : dict
        By work offset, each before the first move; they are used up.
    left : dict
        What is left of each stock after the program.
    """
    gaps = _gaps(path, cuts)
    maker = _Holds(path, job, segments, replays, left)
    maker.many = len(gaps) > MANY_GAPS
    if len(gaps) > MOST_REPLAYED:
        gaps = gaps[:: len(gaps) // MOST_REPLAYED + 1]
    return _naming_next([maker.point(gap) for gap in gaps])


def _gaps(path: TimedPath, cuts: list[Cut]) -> list[_Gap]:
    found = []
    for number, cut in enumerate(cuts):
        after = cuts[number + 1] if number + 1 < len(cuts) else None
        stop = after.contact.start if after is not None else float(path.spans.stop_s[-1])
        start = min(cut.contact.stop, stop)
        found.append(_Gap(cut=cut, after=after, start=start, stop=stop))
    return found


def _naming_next(points: list[HoldPoint]) -> tuple[HoldPoint, ...]:
    named: list[HoldPoint] = []
    following: int | None = None
    for point in reversed(points):
        if point.has_room:
            named.append(point)
            following = point.contact
        else:
            where = f"next room after contact {following}" if following else "none follows"
            note = "; ".join(part for part in (f"no room to hold here: {where}", point.note) if part)
            named.append(replace(point, next_contact=following, note=note))
    return tuple(reversed(named))
