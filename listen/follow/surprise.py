"""What comes as a surprise while it happens: a contact before its place, a cut that stops too soon.

How long to wait before it is said follows from how often the ear errs in just that way: a start may be
a burst of noise, a stop may be a moment that the ear lost. Both are mostly short, so what lasts is real.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import Floats, Off, On, Phase
from listen.follow.lost_cut import SETTLED_S, Fall, break_lasts
from listen.follow.priors import dropout_lasts
from listen.follow.tracking import Tracking
from listen.states import Event, Standing, State

SURE = 0.7  # belief in the contact below which nothing is said of it
MAYBE = 0.1  # belief from which an early start is looked at again once it has lasted
LIKELY = 0.45  # belief from which one is said that has lasted, where the feed clock is known
CLEAR = 0.8  # belief from which an early start is said although it may be a burst
HARDLY_BURSTS = 0.2  # share of what lasts at a settled start that no line explains
EARLY_S = 0.15
LEFT_SHARE = 0.12  # at least this share of the contact must be still to come
LEFT_S = 0.2
LEFT_SPREADS = 3.5
MOST_FADED = 0.5  # of a contact is its way out, where it fades
# How often a wrong word is borne: with the feed clock 0.2 in a run of a quarter of an hour or so.
FALSE_EARLY_PER_S = 2.0e-4  # of air
# Of cutting: stops that the ear is sure of, and all others.
FALSE_AT_ONCE_PER_S, FALSE_STOP_PER_S = 1.0e-4, 0.7e-4
# Where the live ear tells its belief: before an end is settled, and what is left to settled ends. By
# `tools/bench follow --only "made stops"`, fewer falls than that are false, and more settled ends.
FALSE_FALL_PER_S, LEFT_TO_SETTLED = 1.1e-3, 0.6
LOOK_AGAIN_S = 0.08  # what is believed less than that is looked at again after this
STEP_S = 0.02
LASTED_S, STOPPED_S = np.arange(0.0, 1.31, STEP_S), np.arange(0.0, 4.01, STEP_S)
SLIP_S = 0.4  # a start so soon after a stop goes on with what was heard before


@dataclass(frozen=True, slots=True, kw_only=True)
class Early:
    """A contact that began before its place.

    Attributes
    ----------
    contact : int
        Index from 0.
    early_s : float
        How much before its forecast [s].
    belief : float
        That it is this contact, and early (or the feed faster, where nobody told it).
    """

    contact: int
    early_s: float
    belief: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A cut that stopped before its end; index from 0, and how much of it was still to come."""

    contact: int
    left_s: float
    left_mm: float


class Surprises:
    """Finds both kinds by the guesses as they stand before an event is taken in.

    Parameters
    ----------
    tracking : Tracking
        Read only.
    """

    def __init__(self, tracking: Tracking) -> None:
        self._tracking = tracking

    def next(self) -> tuple[int, float] | None:
        """Index of the likeliest next contact and the belief in it."""
        engine, n = self._tracking.engine, self._tracking.space.n
        if not engine.is_started:
            return None
        chance = np.bincount(engine.core["k"], weights=engine.weights)
        index = int(np.argmax(chance))
        return (index, float(chance[index])) if index < n else None

    def early(self, event: Event) -> Early | None:
        """What a start says by what the guesses would make of it."""
        tracking = self._tracking
        place = self.next()
        if place is None or self._follows_a_slip(event):
            return None
        early_s = self._before_s(place[0], event.at / tracking.rate)
        if early_s < EARLY_S:
            return None
        belief = self._early_belief(event, place[0])
        return Early(contact=place[0], early_s=early_s, belief=belief) if belief >= MAYBE else None

    def _early_belief(self, event: Event, k: int) -> float:
        """Belief that contact `k` began early, by how long the start has lasted until it was decided.

        Where hardly a burst lasts so long, what touches where no line has it is as much worth the word.
        """
        children = self._tracking.suppose_onset(event)
        weights = np.exp(children["logw"] - children["logw"].max())
        extra, early = children["code"] == On.EXTRA, self._says_early(children, k)
        burst, real = (share * float(weights[extra].sum()) for share in self._lasting(event))
        told = float(weights[early].sum()) + (real if burst < HARDLY_BURSTS * (burst + real) else 0.0)
        return told / float(weights[~extra].sum() + burst + real)

    def _lasting(self, event: Event) -> tuple[float, float]:
        """Of starts that no line explains, shares that are bursts, and real, and have lasted until decided.

        Bursts are mostly over by then, and those that last are hardly believed in, as far as the ear tells.
        """
        tracking, priors = self._tracking, self._tracking.priors
        at_s, decided_s = event.at / tracking.rate, event.decided_at / tracking.rate
        bursts, lasted = priors.burst_per_s * self._times(event), np.array(decided_s - at_s)
        share = bursts / (bursts + priors.unexpected_per_s)
        burst = share * tracking.quiet.for_half_heard(at_s, decided_s) * float(priors.burst_lasts(lasted))
        return burst, (1.0 - share) * float(priors.unexpected_lasts(lasted))

    def is_early_still(self, contact: int, at: int) -> bool:
        """Whether it is believed by now, a burst of the ear being over sooner."""
        weights, _ = self._tracking.beliefs(at / self._tracking.rate)
        return float(weights[self._says_early(self._tracking.view().core, contact)].sum()) >= self._least

    @property
    def _least(self) -> float:
        """Belief from which an early start is said."""
        return LIKELY if self._tracking.clock.feed_known else SURE

    def _says_early(self, core: NDArray[np.void], k: int) -> NDArray[np.bool_]:
        """Guesses that contact `k` began early; where nobody told the feed, perhaps only faster."""
        early = core["code"] == On.EARLY
        if not self._tracking.clock.feed_known:
            early |= core["code"] == On.STEPPED
        result: NDArray[np.bool_] = early & (core["k"] == k)
        return result

    def _before_s(self, k: int, at_s: float) -> float:
        """How much earlier than forecast a start of contact `k` would be, by the likeliest guess."""
        engine, space = self._tracking.engine, self._tracking.space
        mine = (engine.core["k"] == k) & (engine.core["phase"] == Phase.AIR)
        if not mine.any():
            return -math.inf
        row = int(np.argmax(np.where(mine, engine.weights, -1.0)))
        one = engine.core[row : row + 1]
        amounts = np.maximum(space.at_start[k] - space.amounts_until(one["u0"]), 0.0)
        forecast = engine.model.forecast(
            one, amounts, at_s, boundary_s=self._tracking.priors.onset_s, is_gap=True
        )
        early_s = -float(forecast.behind[0])
        if not space.down[k] or one["early_mm"][0] <= 0.0:
            return early_s
        speed = float(space.speed[k] * np.exp(one["m"][0] + forecast.known[0]))
        return early_s - float(one["early_mm"][0]) / speed  # the length that was wrong before is no news

    def _follows_a_slip(self, event: Event) -> bool:
        """Whether the sound had stopped inside a cut for a moment only."""
        engine = self._tracking.engine
        last = float(engine.offsets[engine.slot]) if engine.n_stretches else -1.0
        phase = engine.core["phase"]
        inside = (phase == Phase.DROPPED) | (phase == Phase.STOPPED)
        stopped = float(engine.weights[inside].sum())
        return stopped > 0.1 and 0.0 <= event.at / self._tracking.rate - last < SLIP_S

    def runs_on(self, at: int) -> bool:
        """Whether the running contact has well more to come at a time [samples]."""
        return self._left(at) is not None

    def stopped(self, event: Event) -> Stop | None:
        """What an end says by how much of the running contact is left."""
        stop = None if self._tracking.clock.held else self._left(event.at)
        if stop is None or self._stop_belief(event, stop.contact) < SURE:
            return None
        return stop

    def _left(self, at: int) -> Stop | None:
        """What is left of the running contact at a time [samples], by the likeliest guess; None if little."""
        tracking = self._tracking
        engine, space = tracking.engine, tracking.space
        running = engine.core["phase"] == Phase.IN
        if not running.any():
            return None
        row = int(np.argmax(np.where(running, engine.weights, -1.0)))
        k, one = int(engine.core["k"][row]), engine.core[row : row + 1]
        amounts = np.maximum(space.at_stop[k] - space.amounts_until(one["u0"]), 0.0)
        forecast = engine.model.forecast(
            one, amounts, at / tracking.rate, boundary_s=tracking.priors.offset_s, is_gap=False
        )
        left_s = -float(forecast.behind[0])
        spread = math.sqrt(float(forecast.variance[0]))
        least_s = max(LEFT_SPREADS * spread, LEFT_SHARE * float(forecast.mean[0]), LEFT_S)
        fades_s = float(engine.model.way_out_s(np.array([k]), one["m"])[0])  # there the ear may lose it
        if left_s - min(fades_s, MOST_FADED * float(forecast.mean[0])) < least_s:
            return None
        left_mm = left_s * float(np.exp(one["m"][0])) * tracking.clock.rate * space.speed[k]
        return Stop(contact=k, left_s=left_s, left_mm=left_mm)

    def is_seldom(self, fall: Fall) -> bool:
        """Whether the belief in a cut that goes on falls so deep and so long seldom enough to say a stop."""
        return fall.per_s * self._tracking.engine.model.ear.times <= FALSE_FALL_PER_S

    def stopped_by(self, fall: Fall) -> Stop | None:
        """The same as `stopped`, before the ear has confirmed an end."""
        spread = round(self._tracking.priors.offset_s * self._tracking.rate)
        return self.stopped(
            Event(
                state=State.AIR,
                at=fall.began,
                decided_at=fall.at,
                probability=0.5,
                spread=spread,
                standing=Standing.PROVISIONAL,
            )
        )

    def _stop_belief(self, event: Event, k: int) -> float:
        """Belief that contact `k` has stopped before its end, by what the guesses would become."""
        children = self._tracking.suppose_offset(event)
        if children.size == 0:
            return 0.0
        weights = np.exp(children["logw"] - children["logw"].max())
        stopped = np.isin(children["code"], (Off.STOPPED, Off.DROPPED, Off.GONE)) & (children["k"] == k)
        gone = (children["code"] == Off.GONE) & (children["k"] == k + 1)
        return float(weights[stopped | gone].sum() / weights.sum())

    def wait_for_early(self, found: Early, event: Event) -> int:
        """How long after it was decided an early start must still last before it is said [samples]."""
        if found.belief >= CLEAR:
            return 0
        priors, times = self._tracking.priors, self._times(event)
        least = 0 if found.belief >= self._least else round(LOOK_AGAIN_S * self._tracking.rate)
        bursts = times * priors.burst_per_s * priors.burst_lasts(LASTED_S)
        wait = self._wait(bursts, FALSE_EARLY_PER_S, event)
        return max(least, round(LASTED_S[-1] * self._tracking.rate) if wait is None else wait)

    def wait_for_stop(self, event: Event, *, times: float | None) -> int | None:
        """How long after it was decided a stop must still last before it is said [samples]; None for never.

        `times`: how many times as often as stated cuts are lost, by the live ear's belief. None where it
        tells none: such an ear's breaks are short, while what two ears agree on lasts.
        Said at once is what few breaks are as sure as and last as long as; all else once none lasts so long.
        What took long to be settled is not said: the cut was half heard on, and mostly went on.
        """
        tracking = self._tracking
        if event.decided_at - event.at > SETTLED_S * tracking.rate:
            return None
        lasts, borne = (dropout_lasts, 1.0) if times is None else (break_lasts, LEFT_TO_SETTLED)
        breaks = tracking.engine.model.ear.times * tracking.priors.dropout_per_s * lasts(STOPPED_S)
        breaks *= (times or 1.0) * tracking.quiet.for_a_break(
            event.at / tracking.rate, event.decided_at / tracking.rate
        )
        doubt = tracking.doubt_of(event)
        at_once = self._wait(
            breaks * tracking.share_as_sure(event) * max(doubt, 1.0), borne * FALSE_AT_ONCE_PER_S, event
        )
        if at_once is not None and at_once <= LOOK_AGAIN_S * tracking.rate:
            return at_once
        return self._wait(breaks * doubt, borne * FALSE_STOP_PER_S, event)

    def _times(self, event: Event) -> float:
        """How many times as often as stated the ear is wrong where it believes as much as here."""
        return self._tracking.engine.model.ear.times * self._tracking.doubt_of(event)

    def _wait(self, false_per_s: Floats, borne_per_s: float, event: Event) -> int | None:
        """Until it has lasted so long since it happened that a false word is rare enough; None for never."""
        good = np.flatnonzero(false_per_s <= borne_per_s)
        if good.size == 0:
            return None
        lasted = round(STEP_S * int(good[0]) * self._tracking.rate)
        return max(lasted - (event.decided_at - event.at), 0)
