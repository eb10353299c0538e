"""Following a program by ear while it runs."""

import math

import numpy as np
from numpy.typing import NDArray

from listen.errors import ListenError
from listen.follow.closing import Closing
from listen.follow.cues import Cues
from listen.follow.hypotheses import Floats, Phase
from listen.follow.outcomes import ENDED_EARLY, NOT_HEARD, STARTED_EARLY, Outcome, Reading
from listen.follow.priors import Priors
from listen.follow.strength import Strengths
from listen.follow.tracking import Item, Tracking
from listen.follow.unexpected import Unexpected
from listen.follow.verdicts import Wording
from listen.followed import Position, Verdict
from listen.marks import Mark
from listen.states import ContactSound, EarRates, Event, Finding, StateLikelihoods
from listen.timeline import Timeline
from listen.told import Cue

N_SLOTS = 16
WIDTH = 200
MOST = 32  # guesses that positions and verdicts are read from
TICK_S = 0.25
POSITION_TICKS = 2  # positions come this often
SETTLE_TICKS = 4  # verdicts that come with silence are looked for this often
CLEAR = 0.93  # share of the settled belief in one kind from which it is called
LIKELY = 0.75  # the same for an early start by the feed clock, once the next contact has begun
SETTLED, LEAST_SETTLED = 0.9, 0.5  # share of the belief that waits for nothing more: live, and at the end
NEW_S = 1.5  # a contact that began less than this ago is looked at in every tick
HARDLY_A_HOLD = 1.282  # spreads above the median, below which nine in ten of a normal lie
OLD = 3  # contacts later, no more evidence will come
QUANTILES = np.array([0.16, 0.5, 0.84])
Output = Position | Verdict | Cue


class Follower:
    """Says where the program is, and what became of each contact, as soon as it is known.

    Parameters
    ----------
    timeline : Timeline
        What is expected.
    rate : int
        Sample rate [Hz].
    ear : EarRates
        How often the ear errs, as measured.
    priors : Priors
        What is believed of operator, machine and faults; by default what fits timeline and ear.
    """

    def __init__(self, timeline: Timeline, *, rate: int, ear: EarRates, priors: Priors | None = None) -> None:
        self._tracking = Tracking(
            timeline, rate=rate, ear=ear, n_slots=N_SLOTS, width=WIDTH, most=MOST, priors=priors
        )
        self._rate = rate
        self._tick = max(int(TICK_S * rate), 1)
        self._next_tick = self._tick
        self._wording = Wording(self._tracking.engine.model, rate, readings=self._tracking.readings)
        self._strengths = Strengths(timeline)
        self._unexpected = Unexpected(self._tracking)
        self._cues = Cues(self._tracking)
        self._next = 0  # first contact without a verdict
        self._called: set[int] = set()
        self._unsettled_at: int | None = (
            None  # when a boundary became known that no verdict was sought by yet
        )
        self._seen: Floats | None = None  # beliefs that verdicts were looked for in,
        self._summed: Floats | None = None  # and that were summed up
        self._likeliest = (0, 0.0, 0.0)
        self._closed = False

    @property
    def latency(self) -> int:
        """Positions come on a fixed grid; longest wait for one [samples]."""
        return self._tick

    def listen(self, heard: StateLikelihoods) -> None:
        """Take what the ear believes of the next frames: a contact that it misses is mostly half heard."""
        self._tracking.quiet.take(heard)
        self._cues.listen(heard)

    def push(self, items: tuple[Item, ...], now: int) -> tuple[Output, ...]:
        """Take what was decided up to `now` [samples], give positions, cues and verdicts."""
        if self._closed:
            raise ListenError("push() after close(): make a new Follower per run")
        found: list[Output] = []
        for item in items:
            found.extend(self._settle_before(_known_at(item)))
            found.extend(self._ticks_until(_known_at(item) - 1))
            found.extend(self._cues.hear_until(_known_at(item)))
            found.extend(self._take(item))
        found.extend(self._settle_before(now))
        found.extend(self._ticks_until(now))
        return tuple(found)

    def close(self, now: int) -> tuple[Output, ...]:
        """End the run at `now`; what is still open is settled as far as the evidence goes."""
        if self._closed:
            return ()
        found = [*self._settle_before(now + 1), *self._ticks_until(now)]
        self._closed = True
        found.extend(self._settle_rest(now))
        found.extend(self._unexpected.all(now))
        return tuple(found)

    def _take(self, item: Item) -> list[Output]:
        known_at = _known_at(item)
        if isinstance(item, ContactSound):
            self._strengths.take(item)
            return []
        found: list[Output] = list(self._cues.before(item)) if isinstance(item, Event) else []
        boundary = self._tracking.take(item)
        if boundary is None:
            return found
        self._unexpected.heard(boundary.is_onset)
        found.append(self._position(known_at))
        self._cues.after()
        self._unsettled_at = known_at
        return found

    def _settle_before(self, now: int) -> list[Output]:
        """Verdicts by the newest boundary, once all is taken that became known with it.

        Where the air is short, an end is often known at the same moment as the start that tells what it was.
        """
        at = self._unsettled_at
        if at is None or now <= at:
            return []
        self._unsettled_at = None
        return self._settle(at)

    def _ticks_until(self, now: int) -> list[Output]:
        found: list[Output] = []
        while self._next_tick <= now:
            found.extend(self._cues.hear_until(self._next_tick - 1))
            found.extend(self._cues.until(self._next_tick - 1))
            found.extend(self._one_tick(self._next_tick))
            self._next_tick += self._tick
        found.extend(self._cues.hear_until(now))
        found.extend(self._cues.until(now))
        return found

    def _one_tick(self, at: int) -> list[Output]:
        found: list[Output] = [self._position(at)] if at // self._tick % POSITION_TICKS == 0 else []
        found.extend(self._cues.tick(at))
        is_due = at // self._tick % SETTLE_TICKS == 0 or self._has_just_begun(at)
        if is_due and self._unsettled_at != at:
            found.extend(self._settle(at))
        found.extend(self._unexpected.settle(at / self._rate, at))
        return found

    def _has_just_begun(self, at: int) -> bool:
        """A contact is new: each moment that it lasts makes a burst of the ear less likely."""
        engine = self._tracking.engine
        new = self._tracking.boundaries.in_contact and self._tracking.clock.feed_known
        return new and at / self._rate - float(engine.onsets[engine.slot]) < NEW_S

    def _position(self, at: int) -> Position:
        tracking = self._tracking
        view, space = tracking.view(), tracking.space
        at_s = at / self._rate
        weights, _ = tracking.beliefs(at_s)
        place, inner = view.places(at_s)
        low, middle, high = _quantiles(place, weights)
        spread = math.sqrt(float(weights @ inner**2) + 0.25 * float(high - low) ** 2)
        if self._summed is not weights:
            self._summed, self._likeliest = weights, _likeliest(view.core, weights)
        likeliest, chance, rate = self._likeliest
        held = tracking.clock.held or rate == 0.0
        started = view.is_started
        return Position(
            at=at,
            program_time=middle,
            line=space.line_at(middle),
            spread=spread if started else max(space.end, 1.0),
            rate=0.0 if held or not started else rate * tracking.clock.rate,
            next_contact=space.timeline.contacts[likeliest].id if likeliest < space.n else None,
            probability=min(chance, 1.0) * view.share if started else 0.0,
            witness=self._witness(likeliest),
        )

    def _witness(self, likeliest: int) -> str:
        """What ties the program to a place now; nothing in the first approach of a tool."""
        contacts = self._tracking.space.timeline.contacts
        following = contacts[likeliest : likeliest + 1]
        before = contacts[max(likeliest - 1, 0) : likeliest]
        is_tied = bool(before) and (not following or following[0].tool == before[0].tool)
        is_tied &= self._tracking.engine.n_stretches > 0
        return self._tracking.read_by or (
            "earlier contact" if is_tied or self._tracking.boundaries.in_contact else ""
        )

    def _settle_rest(self, end: int) -> list[Output]:
        """Verdicts on what was still open when the sound ended, as far as the evidence goes."""
        closing = Closing(self._tracking, end / self._rate)
        found: list[Output] = []
        for index in range(self._next, self._tracking.space.n):
            outcome = closing.outcome(index)
            if index not in self._called and outcome.settled >= LEAST_SETTLED:
                found.append(self._call(index, outcome, end))
        return found

    def _call(self, index: int, outcome: Outcome, at: int) -> Verdict:
        strength, louder = self._strengths.of(index, outcome, self._rate)
        self._called.add(index)
        return self._wording.verdict(index, outcome, at, strength=strength, louder_db=louder)

    def _settle(self, at: int) -> list[Output]:
        """Verdicts on contacts whose evidence is in."""
        tracking = self._tracking
        view = tracking.view()
        if not view.is_started or tracking.space.n == 0:
            return []
        weights, absent = tracking.beliefs(at / self._rate)
        if self._seen is weights:  # the same contact goes on: nothing has been learnt
            return []
        self._seen = weights
        reached = int(view.core["k"][int(np.argmax(weights))])
        found: list[Output] = []
        for index in range(self._next, min(reached + 1, tracking.space.n)):
            if index in self._called or view.waits_for(index, weights, absent) > 1.0 - SETTLED:
                continue
            reading = Reading(view, weights, index, absent)
            if reading.settled < SETTLED:
                if reading.untold > SETTLED and reached >= index + OLD:
                    self._called.add(index)  # it will never be told: not looked at again
                continue
            is_told = self._is_clear(reading, reached > index, at) or reached >= index + OLD
            if is_told and not self._may_be_held(reading, at):
                found.append(self._call(index, reading.outcome(), at))
        while self._next in self._called:
            self._called.discard(self._next)
            self._next += 1
        return found

    def _may_be_held(self, reading: Reading, at: int) -> bool:
        """Whether nothing has begun since a cut stopped, or one was due and did not come, and nobody marks.

        A hold is the same then; what begins next tells, the end of the sound, or after a cut that stopped
        that hardly a hold is so long.
        """
        best = int(np.argmax(reading.beliefs[:6]))
        if self._tracking.clock.marks_holds or best not in (NOT_HEARD, ENDED_EARLY):
            return False
        engine, outcome = self._tracking.engine, reading.outcome()
        begun_s = float(engine.onsets[engine.slot])
        if best == NOT_HEARD:
            return begun_s < outcome.expected_onset_s
        return begun_s < outcome.offset_s and at / self._rate - outcome.offset_s < self._longest_hold_s

    @property
    def _longest_hold_s(self) -> float:
        """Nine in ten holds are over by then [s]."""
        priors = self._tracking.priors
        return priors.hold_median_s * math.exp(HARDLY_A_HOLD * priors.hold_log_spread)

    def _is_clear(self, reading: Reading, is_past: bool, at: int) -> bool:
        """Whether hardly anything but one kind is believed of a contact."""
        best = int(np.argmax(reading.beliefs[:6]))
        belief = float(reading.beliefs[best]) / reading.settled
        if best == STARTED_EARLY and is_past and self._tracking.clock.feed_known:
            return belief > LIKELY
        if best == NOT_HEARD and belief > CLEAR:
            outcome = reading.outcome()
            belief = self._wording.surely_over(reading.contact, outcome, at)
            if belief > CLEAR and self._wording.may_still_be_told(reading.contact, outcome, at):
                return False
        return belief > CLEAR


def _likeliest(core: NDArray[np.void], weights: Floats) -> tuple[int, float, float]:
    """Likeliest next contact, belief in it, its rate over the known override; 0 where most say it stands."""
    k = core["k"]
    chance = np.bincount(k, weights=weights, minlength=1)
    likeliest = int(np.argmax(chance))
    believed = float(chance[likeliest])
    if float(weights[core["phase"] == Phase.STOPPED].sum()) > 0.5:
        return likeliest, believed, 0.0
    log_rate = float((weights * (k == likeliest)) @ core["m"]) / max(believed, 1e-12)
    return likeliest, believed, math.exp(log_rate)


def _quantiles(place: Floats, weights: Floats) -> Floats:
    """Place below which 16, 50 and 84 % of the belief lie; a few odd guesses do not move them."""
    order = place.argsort(kind="stable")  # methods: the functions of the same names cost as much again
    below = weights[order].cumsum()
    index = np.minimum(below.searchsorted(QUANTILES * below[-1]), place.size - 1)
    result: Floats = place[order[index]]
    return result


def _known_at(item: Item) -> int:
    """When an item is known [samples]."""
    if isinstance(item, (Event, Finding, ContactSound)):
        return item.decided_at
    return item.at if isinstance(item, Mark) else item.stop
