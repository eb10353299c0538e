"""A tool's first approach is silent: which height comes next, and how far it is once a place was read.

Conventions
-----------
Without a place that was read there is no countdown: only what the control should show at the next hold.
"""

import numpy as np
from numpy.typing import NDArray

from listen.approach import Approach, Rung
from listen.followed import Position
from listen.lengths import Place, length_number, length_text
from listen.marks import Mark, MarkKind
from listen.spans import SpanKind
from listen.states import Event, Standing, State
from listen.timeline import Timeline
from listen.told import Cue
from listen.where import said_block

NEAR_MM = 0.1  # a place that was read lies this near the path
AMBIGUOUS_MM = 0.5  # least and most way to the touch differ by more: the reading does not tell
PASSED_MM = 0.05
Floats = NDArray[np.float64]


class ApproachCue:
    """Gives the next rung of an approach, and the way to the touch by what was read.

    Parameters
    ----------
    timeline : Timeline
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, timeline: Timeline, rate: int) -> None:
        self._rate = rate
        self._timeline = timeline
        self._unit = timeline.shown_in
        self._approaches = {approach.contact: approach for approach in timeline.approaches}
        self._touched: set[int] = set()
        self._now: Approach | None = None  # the approach that is on
        self._passed_mm = float("inf")  # way left at the last rung that was told

    def event(self, event: Event) -> None:
        """A contact ends the approach."""
        if event.state is State.ENTRY and event.standing is Standing.CONFIRMED and self._now is not None:
            self._touched.add(self._now.contact)
            self._now = None

    def position(self, position: Position) -> tuple[Cue, ...]:
        """Take what comes next; a new approach begins with its first rung."""
        approach = self._approaches.get(position.next_contact or -1)
        if approach is None or approach is self._now or approach.contact in self._touched:
            return ()
        self._now, self._passed_mm = approach, float("inf")
        if not approach.rungs:
            return ()
        text = (
            f"First approach of T{approach.tool}{self._under(approach)}, nothing to hear. "
            f"{self._hold_at(approach.rungs[0])} "
            f"First touch at {' '.join(self._shown(approach.touch, axis) for axis in range(3))}."
        )
        return (self._cue(position.at, "next rung", text),)

    def _under(self, approach: Approach) -> str:
        """The work offset, where the tool has a first touch under more than one."""
        touches = sum(other.tool == approach.tool for other in self._timeline.approaches)
        return f" under {approach.offset}" if touches > 1 else ""

    def mark(self, mark: Mark) -> tuple[Cue, ...]:
        """Take a hold, or a place that was read off the control."""
        if self._now is None:
            return ()
        if mark.kind is MarkKind.HOLD and mark.source == "operator":
            text = "Held in a silent approach. Type the Z you read: then the way to the touch can be told."
            return (self._cue(mark.at, "next rung", text),)
        return self._read(self._now, mark) if mark.kind is MarkKind.POSITION else ()

    def _read(self, approach: Approach, mark: Mark) -> tuple[Cue, ...]:
        found = way_left(self._timeline, approach, mark.place)
        if found is None:
            return ()
        least, most = found
        following = next((r for r in approach.rungs if r.left_mm < least - PASSED_MM), None)
        is_new = following is None or following.left_mm < self._passed_mm
        if mark.source != "operator" and not is_new:
            return ()  # the control tells where it is all the time: said once a rung
        self._passed_mm = 0.0 if following is None else following.left_mm
        after = self._at_touch(approach) if following is None else self._hold_at(following)
        if most - least > AMBIGUOUS_MM:
            between = f"{length_number(least, self._unit, 0)} and {length_text(most, self._unit, 0)}"
            text = f"Between {between} to first touch: Z alone does not tell. {after}"
        else:
            text = f"{length_text(least, self._unit, 1)} to first touch, by the place read. {after}"
        return (self._cue(mark.at, "distance", text),)

    def _at_touch(self, approach: Approach) -> str:
        """What comes after the last rung; in tapping and under M49 a hold may not be obeyed."""
        touch_s = next(c.start for c in self._timeline.contacts if c.id == approach.contact)
        spans = self._timeline.spans
        index = min(int(np.searchsorted(spans.stop_s, touch_s, side="right")), len(spans) - 1)
        if spans.kind[index] == SpanKind.RIGID:
            return "No hold follows: from here it may not be obeyed."
        return "Next hold is the touch itself."

    def _hold_at(self, rung: Rung) -> str:
        at_most = ""
        if rung.highest_override is not None and rung.highest_override < 100.0:
            at_most = f", {'rapid' if rung.rapid else 'feed'} at {rung.highest_override:.0f} % or less"
        look = " Stop the spindle there and compare the gap with a rule or block." if rung.compare else ""
        where = said_block(rung.block, rung.line)
        return f"Hold at {self._shown(rung.place, _axis(rung))} in {where}{at_most}.{look}"

    def _shown(self, place: Place, axis: int) -> str:
        return f"{'XYZ'[axis]} {length_number(place[axis], self._unit, 2)}"

    def _cue(self, at: int, kind: str, text: str) -> Cue:
        return Cue(at=at, kind=kind, contact=None if self._now is None else self._now.contact, text=text)


def way_left(timeline: Timeline, approach: Approach, read: Place) -> tuple[float, float] | None:
    """Least and most way along the path from a place that was read to the first touch [mm].

    Parameters
    ----------
    read : (x, y, z)
        NaN for an axis that was not read.

    Returns
    -------
    (float, float) or None
        None where the path does not come by such a place.
    """
    points = _path(timeline, approach)
    lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
    to_end = np.concatenate([np.cumsum(lengths[::-1])[::-1], [0.0]])
    seen = np.isfinite(np.array(read))
    target = np.array(read)[seen]
    for i in reversed(range(lengths.size)):
        begin, step = points[i][seen], (points[i + 1] - points[i])[seen]
        moves = float(step @ step)
        share = min(max(float(step @ (target - begin)) / moves, 0.0), 1.0) if moves > 1e-9 else 1.0
        if seen.any() and np.abs(begin + share * step - target).max() <= NEAR_MM:
            least = float(to_end[i + 1] + (1.0 - share) * lengths[i])
            return least, least if moves > 1e-9 else float(to_end[i])
    return None


def _path(timeline: Timeline, approach: Approach) -> Floats:
    """Corner points from where the tool came into the spindle to the first touch, shape (n_points, 3)."""
    spans = timeline.spans
    touch_s = next(c.start for c in timeline.contacts if c.id == approach.contact)
    last = int(np.searchsorted(spans.start_s, touch_s, side="right"))
    other = np.flatnonzero((spans.tool[:last] != approach.tool) | (spans.kind[:last] == SpanKind.TOOL_CHANGE))
    first = int(other[-1]) + 1 if other.size else 0
    places = [*spans.begin[first:last], np.array(approach.touch)]
    known = [place for place in places if np.isfinite(place).all()]
    return np.array(known).reshape(-1, 3)


def _axis(rung: Rung) -> int:
    """The axis that moves most there."""
    return int(np.argmax(np.abs(rung.to_go_mm)))
