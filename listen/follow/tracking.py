"""What following live and judging afterwards share: events, marks and gaps into the filter."""

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Gap
from listen.follow.boundaries import Boundaries, Boundary
from listen.follow.doubt import doubts_of_ends, doubts_of_starts
from listen.follow.engine import Engine
from listen.follow.feed_clock import FeedClock
from listen.follow.hypotheses import Floats, Phase
from listen.follow.priors import Priors, priors_for
from listen.follow.quiet import Quiet
from listen.follow.read_ahead import ReadAhead
from listen.follow.space import Space
from listen.follow.supposed import Supposed
from listen.follow.view import View
from listen.lengths import Place
from listen.marks import Mark, MarkKind
from listen.states import ContactSound, EarRates, Event, Finding, Standing, State
from listen.timeline import Timeline

Core = NDArray[np.void]
KEPT_READINGS = 256
LIKELY_SLIP = 0.5
LEAST_SPREAD_S = 0.005
SAME_PLACE_S, SURE_PLACE = 0.4, 0.8  # a place is known well where this share of the belief lies this near
FIRST_LINE = 12.0  # nats
Item = Event | Mark | Gap | Finding | ContactSound


class Tracking:
    """An engine with its ears: takes items in order, keeps the guesses.

    Attributes
    ----------
    engine : Engine
    now_s : float
        Time of the last item [s].
    probabilities : dict
        The ear's belief in each stretch, by its number; only the newest are kept.
    quiet : Quiet
        What the ear believes, as far as it is told.
    readings : deque of (onset_s, source)
        Starts of contact [s] before which a place was told since the contact before, and by whom.
    """

    def __init__(
        self,
        timeline: Timeline,
        *,
        rate: int,
        ear: EarRates,
        n_slots: int,
        width: int,
        most: int,
        priors: Priors | None = None,
        quiet: Quiet | None = None,
    ) -> None:
        self.rate = rate
        self.space = Space(timeline)
        self.clock = FeedClock(timeline)
        self.read_ahead = ReadAhead(timeline)
        self.priors = priors or priors_for(timeline, ear)
        self.quiet = quiet or Quiet(rate)
        self.engine = Engine(self.space, self.priors, self.clock, self.quiet, n_slots=n_slots, width=width)
        self.boundaries = Boundaries(rate)
        self.now_s = 0.0
        self.ended_s: float | None = None
        self.probabilities: dict[int, float] = {}
        self.read_by = ""  # who told the place since the last boundary
        self.readings: deque[tuple[float, str]] = deque(maxlen=KEPT_READINGS)
        self._most = most
        self._place_told = False  # by a cycle start or a line
        self._starts, self._ends = doubts_of_starts(), doubts_of_ends()
        self._supposed = Supposed()
        self._view: View | None = None
        self._seen = -1
        self._asked = (-1, 0.0, False)
        self._answer = (np.empty(0), np.empty(0))

    def take(self, item: Item) -> Boundary | None:
        """Take one item; gives the boundary that it made, if any."""
        if isinstance(item, Event):
            return self._hear(item)
        if isinstance(item, Mark):
            self._mark(item)
        elif isinstance(item, Gap):
            self._lose(item)
        return None

    def _hear(self, event: Event) -> Boundary | None:
        boundary = self.boundaries.take(event)
        if boundary is None:
            self._take_back(event)
            return None
        self.now_s = max(self.now_s, boundary.decided_s)
        if boundary.is_onset and self.read_by:
            self.readings.append((boundary.at_s, self.read_by))
        self.read_by = ""
        if boundary.is_onset:
            spread = self._spread_s(boundary.spread_s, self.priors.onset_s)
            self.engine.hear_onset(
                boundary.at_s,
                spread_s=spread,
                is_open=boundary.is_open,
                doubt=self._starts.learn(boundary.probability),
            )
            self._supposed.touches(boundary.at_s)
            if self.engine.slipped > LIKELY_SLIP:
                self._ends.forget()
            self.probabilities[self.engine.n_stretches - 1] = boundary.probability
            self.probabilities.pop(self.engine.n_stretches - 1 - self.engine.n_slots, None)
        else:
            spread = self._spread_s(boundary.spread_s, self.priors.offset_s)
            doubt = self._ends.learn(boundary.probability)
            self.engine.hear_offset(boundary.at_s, spread_s=spread, doubt=doubt, way_out_s=boundary.way_out_s)
            self._supposed.leaves(boundary.at_s)
            self.quiet.hear(float(self.engine.onsets[self.engine.slot]), boundary.at_s)
        return boundary

    def _take_back(self, event: Event) -> None:
        """A start in air that was supposed is none."""
        is_start = event.standing == Standing.WITHDRAWN and event.state == State.ENTRY
        if is_start and not self.boundaries.in_contact:
            self._supposed.taken_back()

    def _spread_s(self, told_s: float, stated_s: float) -> float:
        """Spread of a date, by what the event tells, the ear as stated, and as it does in this run [s]."""
        wider = math.sqrt(self.engine.model.ear.wider)
        return math.hypot(wider * max(told_s, stated_s), LEAST_SPREAD_S)

    def suppose_onset(self, event: Event) -> Core:
        """What the guesses would become if this start were taken in; nothing is changed."""
        spread = self._spread_s(event.spread / self.rate, self.priors.onset_s)
        doubt = self.doubt_of(event)
        return self.engine.suppose_onset(event.at / self.rate, spread_s=spread, doubt=doubt)

    def suppose_offset(self, event: Event) -> Core:
        """What the guesses would become if this end were taken in; nothing is changed."""
        spread = self._spread_s(event.spread / self.rate, self.priors.offset_s)
        doubt = self.doubt_of(event)
        return self.engine.suppose_offset(event.at / self.rate, spread_s=spread, doubt=doubt)

    def doubt_of(self, event: Event) -> float:
        """How much likelier than usual the ear is wrong about this start or end; 1 for what only may end."""
        if event.standing != Standing.CONFIRMED:
            return self._doubt_of_supposed(event) if event.state == State.ENTRY else 1.0
        return (self._ends if event.state == State.AIR else self._starts).of(event.probability)

    def _doubt_of_supposed(self, event: Event) -> float:
        """How many times as often as the ear has bursts it supposes a start in air that it takes back."""
        bursts_per_s = self.priors.burst_per_s * self.engine.model.ear.times
        return 1.0 + self._supposed.per_s(event.decided_at / self.rate) / bursts_per_s

    def share_as_sure(self, event: Event) -> float:
        """Share of the breaks of the ear that it is as sure of as of this end; 1 for what is not firm."""
        if event.standing != Standing.CONFIRMED:
            return 1.0
        return self._ends.share_as_sure(event.probability)

    def _mark(self, mark: Mark) -> None:
        at = mark.at / self.rate
        self.now_s = max(self.now_s, at)
        self.clock.is_marked = True
        if mark.kind in (MarkKind.POSITION, MarkKind.LINE):
            self.read_by = mark.source
        if mark.kind == MarkKind.CYCLE_START:
            self._cycle_start(at)
        elif mark.kind == MarkKind.FEED_OVERRIDE:
            was_known = self.clock.feed_known
            self.clock.tell(mark, at)
            if not was_known:
                self.engine.know_override()
        elif mark.kind in (MarkKind.HOLD, MarkKind.RESUME):
            was = self.clock.hold_rate(self.priors.hold_per_s)
            self.clock.tell(mark, at)
            if mark.kind == MarkKind.HOLD:
                self.engine.tell_hold(at, gain=self.clock.hold_rate(1.0) / was)
        elif mark.kind == MarkKind.RAPID_OVERRIDE and mark.value > 0.0:
            self.clock.tell(mark, at)
            self.engine.know_rapid(np.log(mark.value / 100.0))
        elif mark.kind == MarkKind.LINE:
            self._see_line(int(mark.value), at)
        elif mark.kind == MarkKind.POSITION:
            self._see_place(mark.place, at)
        elif mark.kind == MarkKind.PROGRAM_END:
            self.ended_s = at

    @property
    def start_told(self) -> bool:
        """Whether anybody told that the program runs: a cycle start, a line, or all that a control tells."""
        return self._place_told or self.clock.told_by_control

    def _cycle_start(self, at: float) -> None:
        """Cycle start after a hold is a resume; else the program starts from the top."""
        self._place_told = True
        if self.clock.held:
            self.clock.tell(Mark(at=int(at * self.rate), kind=MarkKind.RESUME, source="operator"), at)
        elif not self.engine.is_started:
            self.engine.start_cycle(at)

    def _lose(self, gap: Gap) -> None:
        start, stop = gap.start / self.rate, gap.stop / self.rate
        self.engine.lose_sound(start, stop, in_contact=self.boundaries.in_contact)
        self.boundaries.in_contact = False
        self.boundaries.lose(gap.stop)
        self.now_s = max(self.now_s, stop)

    def view(self) -> View:
        """The likeliest guesses as they stand now."""
        if self._view is None or self._seen != self.engine.version:
            self._view, self._seen = View(self.engine, most=self._most), self.engine.version
        return self._view

    def beliefs(self, at_s: float) -> tuple[Floats, Floats]:
        """Belief in each guess of the view at `at_s`, and the share that misses its contact."""
        asked = (self.engine.version, at_s, self.boundaries.in_contact)
        if asked != self._asked:
            self._asked, self._answer = asked, self._beliefs(at_s)
        return self._answer

    def _beliefs(self, at_s: float) -> tuple[Floats, Floats]:
        view = self.view()
        if not self.engine.is_started:
            return view.weights, np.zeros(view.core.size)
        if self.boundaries.in_contact:
            return view.sounding(at_s), np.zeros(view.core.size)
        return view.silence(at_s)

    def _see_line(self, line: int, at: float) -> None:
        """The control told a line: the one that the tool is in, or one that was read ahead."""
        view = View(self.engine, most=self.engine.core.size)
        place, spread = view.places(at)
        if self.engine.is_started and place.size:
            best = int(np.argmax(view.weights))
            share = view.weights[np.abs(place - place[best]) <= SAME_PLACE_S].sum() / view.weights.sum()
            if share > SURE_PLACE and spread[best] < SAME_PLACE_S:
                self.read_ahead.vote(line, float(place[best]))
        if not self._place_told:  # heard from the middle: the first line is taken for the one that runs
            nearest = _inside(place, *self.space.places_of_line(line))
            if np.isfinite(nearest).any():
                self.engine.tell_place(nearest, place, spread, at, cap=FIRST_LINE, moves=False)
        self._place_told = True
        nearest = _inside(place, *self.read_ahead.places(line))
        if np.isfinite(nearest).any():
            self.engine.tell_place(nearest, place, spread, at, cap=20.0, moves=self.read_ahead.is_known)

    def _see_place(self, where: Place, at: float) -> None:
        """The place was read off in a hold."""
        place, spread = View(self.engine, most=self.engine.core.size).places(at)
        nearest = np.array([self.space.nearest(where, float(guess), 30.0) for guess in place])
        if np.isfinite(nearest).any():
            self.engine.tell_place(nearest, place, spread, at, cap=12.0)

    def is_after_end(self, at_s: float) -> bool:
        """Whether the program is over by then, by most of the guesses."""
        core = self.engine.core
        over = core["k"] >= self.space.n
        if not over.any():
            return False
        over &= (core["phase"] == Phase.AIR) | (core["phase"] == Phase.EXTRA)
        left = self.space.end - core["u0"]
        over &= at_s - core["t0"] > left * np.exp(-core["m"]) / self.clock.rate + 0.5
        return bool(self.engine.weights[over].sum() > 0.5)


def _inside(place: Floats, starts: Floats, stops: Floats) -> Floats:
    """Of each place the nearest inside any of the stretches; NaN where there are none."""
    if starts.size == 0:
        return np.full(place.size, np.nan)
    inside = np.clip(place[:, None], starts[None, :], stops[None, :])
    nearest: Floats = inside[np.arange(place.size), np.argmin(np.abs(inside - place[:, None]), axis=1)]
    return nearest
