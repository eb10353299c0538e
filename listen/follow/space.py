"""The program as a clock: how much feed, rapid, fixed and loose time lies between two places.

Conventions
-----------
A place along the program is its time at 100 % override [s]. Amounts are columns: feed time,
rapid time, fixed time (dwell, rigid cycles), loose time (spindle and tool changes), and the
number of waits without a limit (program stops, doors).
"""

import numpy as np
from numpy.typing import NDArray

from listen.contact import Audible, Reveals
from listen.lengths import Place
from listen.spans import SpanKind
from listen.timeline import Timeline

Floats = NDArray[np.float64]
FEED, RAPID, FIXED, LOOSE = range(4)
NEAR_MM = 0.5
BEFORE_S, LEAST_LEFT_S = 1e-6, 0.05
DOWN = ("plunge", "ramp", "drilling", "spot drilling", "reaming", "tapping")  # a wrong length shows in time
COLUMN = {
    SpanKind.RAPID: RAPID,
    SpanKind.FEED: FEED,
    SpanKind.RIGID: FIXED,
    SpanKind.DWELL: FIXED,
    SpanKind.SPINDLE: LOOSE,
    SpanKind.TOOL_CHANGE: LOOSE,
    SpanKind.WAIT: LOOSE,
    SpanKind.UNKNOWN: LOOSE,
}


class Space:
    """Contacts and the amounts of time between them, ready for look-up.

    Parameters
    ----------
    timeline : Timeline
        What is expected. A timeline without spans is taken as feed from start to end.

    Attributes
    ----------
    n : int
        Number of contacts.
    start, stop, ramp_in, ramp_out : ndarray, shape (n_contacts,)
        From the contacts [s].
    speed : ndarray, shape (n_contacts,)
        Feed at 100 % [mm/s].
    deaf : ndarray, shape (n_contacts,)
        True where the contact is not expected to be heard.
    is_first : ndarray, shape (n_contacts,)
        True for the first two contacts of each tool.
    block_ends : ndarray, shape (n_block_ends,)
        Where lines of moves end inside a contact [s].
    """

    def __init__(self, timeline: Timeline) -> None:
        contacts = timeline.contacts
        self.timeline = timeline
        self.n = len(contacts)
        self._indices = {c.id: index for index, c in enumerate(contacts)}
        self.start = np.array([c.start for c in contacts])
        self.stop = np.array([c.stop for c in contacts])
        self.ramp_in = np.array([c.ramp_in for c in contacts])
        self.ramp_out = np.array([c.ramp_out for c in contacts])
        self.speed = np.array([max(c.feed_mm_per_min, 1.0) / 60.0 for c in contacts])
        self.down = np.array([c.way in DOWN for c in contacts], dtype=bool)
        self.deaf = np.array([c.audible == Audible.NOT_BY_EAR for c in contacts], dtype=bool)
        self.faint = np.array([c.audible == Audible.FAINT for c in contacts], dtype=bool)
        self.timed = np.array([c.reveals != Reveals.NOT_BY_EAR for c in contacts], dtype=bool)
        tools = np.array([c.tool for c in contacts])
        changed = np.append(True, tools[1:] != tools[:-1])[: self.n]
        self.is_first = changed | np.append(False, changed[:-1])[: self.n]
        self.end = max(timeline.duration, float(self.stop[-1]) if self.n else 0.0)
        self._tabulate(timeline)
        self.at_start = self.amounts_until(self.start)
        self.at_stop = self.amounts_until(self.stop)
        self.waits_at_start = self.waits_until(self.start)
        self.heads = self._heads(timeline)

    def _tabulate(self, timeline: Timeline) -> None:
        spans = timeline.spans
        if len(spans) == 0:
            self._edges = np.array([0.0, max(self.end, 1e-9)])
            self._table = np.zeros((2, 4))
            self._table[1, FEED] = self._edges[1]
            self._waits = self.block_ends = np.empty(0)
            self._measure()
            return
        length = spans.stop_s - spans.start_s
        column = np.array([COLUMN[SpanKind(kind)] for kind in range(8)])[spans.kind]
        parts = np.zeros((len(spans) + 1, 4))
        parts[np.arange(1, len(spans) + 1), column] = length
        self._edges = np.concatenate([spans.start_s[:1], spans.stop_s])
        self._table = np.cumsum(parts, axis=0)
        unbounded = (spans.kind == SpanKind.WAIT) | (spans.kind == SpanKind.UNKNOWN)
        ends = self._block_ends(timeline)
        inside = np.searchsorted(self.start + LEAST_LEFT_S, ends) > np.searchsorted(
            self.stop - LEAST_LEFT_S, ends
        )
        self.block_ends = ends[inside]
        waits = [spans.start_s[unbounded]]
        if timeline.single_block:  # each block waits for a press, just before the next begins
            waits.append(ends - BEFORE_S)
        self._waits = np.sort(np.concatenate(waits))
        self._measure()

    @staticmethod
    def _block_ends(timeline: Timeline) -> Floats:
        """Where one line of moves ends and the next begins [s]."""
        spans = timeline.spans
        moves = np.isin(spans.kind, (SpanKind.FEED, SpanKind.RAPID, SpanKind.RIGID))
        last = np.append(spans.line[1:] != spans.line[:-1], True)
        result: Floats = spans.stop_s[moves & last & (spans.stop_s > spans.start_s)]
        return result

    def _measure(self) -> None:
        """Length of each span, and what each second of it adds."""
        self._long = np.diff(self._edges)
        self._slope = np.diff(self._table, axis=0) / np.maximum(self._long, 1e-12)[:, None]

    def amounts_until(self, place: Floats) -> Floats:
        """Amounts from the program's start, shape (n_places, 4) [s]."""
        place = np.asarray(place)
        after = np.searchsorted(self._edges, place, side="right")
        after = np.minimum(np.maximum(after, 1), self._edges.size - 1)
        into = np.minimum(np.maximum(place - self._edges[after - 1], 0.0), self._long[after - 1])
        result: Floats = self._table[after - 1] + self._slope[after - 1] * into[..., None]
        return result

    def waits_until(self, place: Floats) -> NDArray[np.int64]:
        """Number of unbounded waits before each place."""
        return np.searchsorted(self._waits, place, side="left")

    def index_of(self, contact: int | None) -> int:
        """Index of the contact with this id; −1 where there is none."""
        return self._indices.get(contact or 0, -1)

    def from_block_end(self, place: Floats) -> Floats:
        """How far each place is past the block end nearest to it [s]; infinite where there is none."""
        if self.block_ends.size == 0:
            return np.full(place.shape, np.inf)
        after = np.minimum(np.searchsorted(self.block_ends, place), self.block_ends.size - 1)
        before = np.maximum(after - 1, 0)
        ahead, behind = place - self.block_ends[after], place - self.block_ends[before]
        result: Floats = np.where(np.abs(ahead) < np.abs(behind), ahead, behind)
        return result

    def line_at(self, place: float) -> int:
        """Program line at a place along the program; 1 where nothing is known."""
        spans = self.timeline.spans
        if len(spans) == 0:
            return self._line_by_contact(place)
        index = int(np.searchsorted(spans.stop_s, place, side="right"))
        return int(spans.line[min(index, len(spans) - 1)])

    def _line_by_contact(self, place: float) -> int:
        index = int(np.searchsorted(self.stop, place, side="left"))
        return self.timeline.contacts[min(index, self.n - 1)].line if self.n else 1

    def places_of_line(self, line: int) -> tuple[Floats, Floats]:
        """Where a line begins and ends along the program, once for each time it is run [s]."""
        spans = self.timeline.spans
        on_line = np.concatenate([[False], spans.line == line, [False]])
        change = np.flatnonzero(np.diff(on_line.astype(np.int8)))
        return spans.start_s[change[::2]], spans.stop_s[change[1::2] - 1]

    def nearest(self, place: Place, near: float, window: float) -> float:
        """Point of the path nearest to a place, within `window` of `near` [s]; NaN where none is."""
        spans = self.timeline.spans
        asked = np.array(place)
        axes = np.isfinite(asked)
        if len(spans) == 0 or not axes.any():
            return float("nan")
        low = int(np.searchsorted(spans.stop_s, near - window))
        high = int(np.searchsorted(spans.start_s, near + window, side="right"))
        begin, end = spans.begin[low:high][:, axes], spans.end[low:high][:, axes]
        along = end - begin
        length = np.maximum((along**2).sum(axis=1), 1e-12)
        share = np.clip(((asked[axes] - begin) * along).sum(axis=1) / length, 0.0, 1.0)
        off = np.sqrt(((begin + share[:, None] * along - asked[axes]) ** 2).sum(axis=1))
        times = spans.start_s[low:high] + share * (spans.stop_s - spans.start_s)[low:high]
        close = np.flatnonzero(np.nan_to_num(off, nan=np.inf) < NEAR_MM)
        if close.size == 0:
            return float("nan")
        return float(times[close[np.argmin(np.abs(times[close] - near))]])

    @staticmethod
    def _heads(timeline: Timeline) -> NDArray[np.int64]:
        """Contacts from which a program is likely to be started again: heads of tools and passes."""
        heads = {0} if timeline.contacts else set()
        for index in range(1, len(timeline.contacts)):
            before, here = timeline.contacts[index - 1], timeline.contacts[index]
            if here.tool != before.tool or here.pass_id != before.pass_id:
                heads.add(index)
        return np.array(sorted(heads)[:24], dtype=np.int64)
