"""What is known of override and hold while the run goes on: the feed clock.

Conventions
-----------
Times are seconds since the stream opened.
"""

from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray

from listen.marks import Mark, MarkKind
from listen.timeline import Timeline

Floats = NDArray[np.float64]
UNMARKED = 0.07  # who states the override marks most holds
TOLD_PER_S, UNTOLD_PER_S = 1.0, 1e-5  # a stop inside a cut, while a hold is told, and while none is
UNTOLD_PER_GAP, UNTOLD_IN_AIR_PER_S = 1e-4, 1e-6  # the same in air


class FeedClock:
    """Time less known holds, and the known override, averaged over any stretch.

    Attributes
    ----------
    feed_known : bool
        The feed override is known: stated as steady, or told by marks.
    holds_known : bool
        Every hold is told: the control itself reports.
    held : bool
        The program is known to be held now.
    is_marked : bool
        Somebody has marked something in this run; set by the owner.
    """

    def __init__(self, timeline: Timeline) -> None:
        stated = timeline.override_steady and timeline.feed_override > 0.0
        self.feed_known = stated
        self.holds_known = False
        self.held = False
        self.told_by_control = False
        self.is_marked = False
        self.rapid: float | None = None  # told rapid override
        self._times = [0.0]
        self._rates = [timeline.feed_override / 100.0 if stated else 1.0]
        self._logs = np.empty(0)
        self._knots = [0.0]
        self._moving = [0.0]
        self._fed = [0.0]

    def tell(self, mark: Mark, at: float) -> None:
        """Take a mark of hold, resume or feed override; other marks change nothing."""
        if mark.source == "controller":
            self.told_by_control = True
        if mark.kind == MarkKind.FEED_OVERRIDE and np.isfinite(mark.value):
            self._set_override(at, mark.value / 100.0)
            self.holds_known |= mark.source == "controller"
        elif mark.kind == MarkKind.RAPID_OVERRIDE and mark.value > 0.0:
            self.rapid = mark.value / 100.0
        elif mark.kind in (MarkKind.HOLD, MarkKind.RESUME):
            self._turn(at, self._rates[-1])
            self.held = mark.kind == MarkKind.HOLD
            self.holds_known |= mark.source == "controller"

    def _set_override(self, at: float, rate: float) -> None:
        if not self.feed_known:
            self.feed_known = True
            self._rates, self._logs = [max(rate, 1e-3)] * len(self._rates), self._logs[:0]
            self._fed = [moving * max(rate, 1e-3) for moving in self._moving]
        self._turn(at, rate)

    def _turn(self, at: float, rate: float) -> None:
        at = max(at, self._knots[-1])
        moving, fed = self._progress(np.array([at]))
        self._knots.append(at)
        self._moving.append(float(moving[0]))
        self._fed.append(float(fed[0]))
        self._rates.append(rate)
        self._trim()

    def _trim(self) -> None:
        if len(self._knots) > 512:  # memory stays flat; what is older is not asked for
            for series in (self._knots, self._moving, self._fed, self._rates):
                del series[:256]

    def _progress(self, at: Floats) -> tuple[Floats, Floats]:
        """Unheld time and known feed progress at each time; the last stretch runs on."""
        last = self._knots[-1]
        inside_moving = np.interp(at, self._knots, self._moving)
        inside_fed = np.interp(at, self._knots, self._fed)
        beyond = np.maximum(at - last, 0.0) * (0.0 if self.held else 1.0)
        return inside_moving + beyond, inside_fed + beyond * self._rates[-1]

    def between(self, start: Floats, stop: float) -> tuple[Floats, Floats]:
        """Unheld time from each start to `stop` [s], and log of the mean known override."""
        if len(self._knots) == 1 and not self.held:
            return stop - start, self._steady(start.size)
        moving_stop, fed_stop = self._progress(np.array([stop]))
        moving, fed = self._progress(start)
        elapsed = moving_stop[0] - moving
        mean = np.where(elapsed > 1e-6, (fed_stop[0] - fed) / np.maximum(elapsed, 1e-6), self.rate)
        return elapsed, np.log(np.maximum(mean, 1e-3))

    def _steady(self, size: int) -> Floats:
        """Log of an override that nobody turned; part of one array, not to be changed."""
        if self._logs.size < size:
            self._logs = np.full(size, np.log(max(self._rates[0], 1e-3)))
            self._logs.flags.writeable = False
        return self._logs[:size]

    @property
    def rate(self) -> float:
        """Known override now; 1 where it is not known."""
        return self._rates[-1]

    def holds_in_air(self, per_gap: Floats | float, per_s: float) -> tuple[Floats | float, float]:
        """Holds in a gap, and in each of its seconds: as believed, or by what has been told."""
        if self.holds_known:
            return UNTOLD_PER_GAP, UNTOLD_IN_AIR_PER_S
        unmarked = UNMARKED if self.feed_known else 1.0
        return unmarked * per_gap, unmarked * per_s

    @property
    def marks_holds(self) -> bool:
        """Whether a hold in air would mostly be told: somebody marks, and the override is known."""
        return self.feed_known and (self.is_marked or self.holds_known)

    def hold_rate(self, unknown_per_s: float) -> float:
        """Rate of holds inside a cut [1/s]: as believed, or by what has been told."""
        if self.held:
            return TOLD_PER_S
        if self.holds_known:
            return UNTOLD_PER_S
        return UNMARKED * unknown_per_s if self.feed_known else unknown_per_s

    def held_share(self, start: float, stop: float) -> float:
        """Share of a stretch in which the program is known to have been held."""
        if stop <= start:
            return 0.0
        elapsed, _ = self.between(np.array([start]), stop)
        return float(1.0 - elapsed[0] / (stop - start))

    def index(self, at: float) -> int:
        """Number of changes told up to a time (used to notice news)."""
        return bisect_right(self._knots, at)
