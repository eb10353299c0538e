"""Words while it happens: contact, before its line, cutting stopped, still cutting."""

import math
from dataclasses import replace

import numpy as np

from listen.follow.hypotheses import Phase
from listen.follow.lost_cut import Fall, LostCut
from listen.follow.surprise import SURE, Early, Stop, Surprises
from listen.follow.tracking import Tracking
from listen.lengths import length_text
from listen.states import Event, Standing, State, StateLikelihoods
from listen.told import Cue


class Cues:
    """Gives cues from the guesses as they stand before an event, and from its boundary.

    Parameters
    ----------
    tracking : Tracking
        Read only.
    """

    def __init__(self, tracking: Tracking) -> None:
        self._tracking = tracking
        self._rate = tracking.rate
        self._surprises = Surprises(tracking)
        self._said_onset = -1  # a provisional start that was already said
        self._early_is_said = False  # of that start
        self._is_plain = False  # whether what waits need not be looked at again
        self._again = -1  # a provisional start inside a contact: what stopped before it goes on
        self._still_said: int | None = None
        self._waiting: Cue | None = None  # said at its `at`, if nothing has changed by then
        self._lost = LostCut(
            tracking.rate, dropouts_per_s=tracking.priors.dropout_per_s, runs_on=self._surprises.runs_on
        )
        self._looked_at = -1  # a fall of the belief that was said to be a stop, or is none
        self._said_stop = False

    def before(self, event: Event) -> tuple[Cue, ...]:
        """Cues of an event, by the guesses before it is taken in."""
        if event.standing == Standing.WITHDRAWN:
            return self._withdraw(event)
        if event.state == State.AIR:  # an exit may only have begun, and take long
            return self._stopped(event)
        if event.state == State.ENTRY:
            return self._contact(event)
        return ()

    def listen(self, heard: StateLikelihoods) -> None:
        """Take what the live ear believes of the next frames."""
        self._lost.take(heard)

    def hear_until(self, now: int) -> tuple[Cue, ...]:
        """What the live ear's belief up to `now` says, before anything is settled."""
        if not self._lost.has_news(now):
            return ()
        in_contact = self._tracking.boundaries.in_contact
        falls = self._lost.until(now, in_contact=in_contact)
        return tuple(cue for fall in falls for cue in self._fallen(fall))

    def _fallen(self, fall: Fall) -> tuple[Cue, ...]:
        """Belief in a running cut has fallen, or come back."""
        if fall.is_over:
            was_said, self._said_stop = self._said_stop, False
            return (
                (Cue(at=fall.at, kind="cutting goes on", contact=None, text="Cutting goes on."),)
                if was_said
                else ()
            )
        if self._looked_at == fall.began or not self._surprises.is_seldom(fall):
            return ()
        self._looked_at = fall.began
        stop = self._surprises.stopped_by(fall)
        if stop is None:
            return ()
        self._said_stop, self._waiting = True, None
        return (self._stop_cue(stop, fall.at),)

    def until(self, now: int) -> tuple[Cue, ...]:
        """What waited to see whether it lasts, and has lasted by `now`."""
        waiting = self._waiting
        if waiting is None or waiting.at > now:
            return ()
        self._waiting = None
        if waiting.kind == "before its line":
            index = self._tracking.space.index_of(waiting.contact)
            self._early_is_said = self._is_plain or self._surprises.is_early_still(index, waiting.at)
            return (waiting,) if self._early_is_said else ()
        return (waiting,)

    def _withdraw(self, event: Event) -> tuple[Cue, ...]:
        if event.state in (State.ENTRY, State.EXIT, State.AIR):
            self._waiting = None
        was_said, self._said_onset = self._said_onset >= 0, -1
        if event.state != State.ENTRY:
            return ()
        self._again = -1
        if not was_said or self._tracking.boundaries.in_contact:
            return ()
        return (Cue(at=event.decided_at, kind="no contact", contact=None, text="No contact after all."),)

    def _contact(self, event: Event) -> tuple[Cue, ...]:
        if self._tracking.boundaries.in_contact:
            self._again = event.at
            return ()
        if self._said_onset >= 0:
            return self._early_after_all(event)
        self._said_onset = event.at
        self._waiting, self._early_is_said = None, False
        place = self._surprises.next()
        contact = None if place is None else self._tracking.space.timeline.contacts[place[0]].id
        touch = Cue(at=event.decided_at, kind="contact", contact=contact, text="Contact.")
        return (touch, *self._early(event))

    def _early_after_all(self, event: Event) -> tuple[Cue, ...]:
        """A start that was said when it was only supposed is settled: now it is surer whether it is early."""
        if event.standing != Standing.CONFIRMED or self._early_is_said:
            return ()
        self._waiting = None
        return self._early(event)

    def _early(self, event: Event) -> tuple[Cue, ...]:
        early = self._surprises.early(event)
        if early is None:
            return ()
        cue = self._before_line(early, event.decided_at)
        wait = self._surprises.wait_for_early(early, event)
        self._is_plain = wait == 0
        # a burst that is settled late is settled together with its end
        said = self._after(cue, max(wait, 1) if event.standing == Standing.CONFIRMED else wait)
        self._early_is_said = bool(said)
        return said

    def _after(self, cue: Cue, wait: int) -> tuple[Cue, ...]:
        """Say it now, or once it has lasted."""
        if wait == 0:
            return (cue,)
        self._waiting = replace(cue, at=cue.at + wait)
        return ()

    def _before_line(self, early: Early, at: int) -> Cue:
        contact = self._tracking.space.timeline.contacts[early.contact]
        why = "" if self._tracking.clock.feed_known else " Early, or the override was raised."
        text = f"Contact {early.early_s:.1f} s too soon for {contact.where}: hold, and look.{why}"
        return Cue(at=at, kind="before its line", contact=contact.id, text=text)

    def _stopped(self, event: Event) -> tuple[Cue, ...]:
        """Cutting stopped well before the contact's end; a start that waited to be said was none.

        What the ear only supposes is no stop yet: it often loses a running cut for a moment.
        """
        if not self._tracking.boundaries.in_contact:
            return ()
        self._waiting = None
        if event.standing != Standing.CONFIRMED or self._again > event.at or self._said_stop:
            return ()
        stop = self._surprises.stopped(event)
        wait = None if stop is None else self._surprises.wait_for_stop(event, times=self._times_lost)
        if stop is None or wait is None:
            return ()
        # a break that is settled late is settled together with the start that follows it
        return self._after(self._stop_cue(stop, event.decided_at), max(wait, 1))

    @property
    def _times_lost(self) -> float | None:
        """How many times as often as stated the live ear loses a cut; None where it tells no belief."""
        return self._lost.times_long if self._lost.is_told else None

    def _stop_cue(self, stop: Stop, at: int) -> Cue:
        timeline = self._tracking.space.timeline
        contact = timeline.contacts[stop.contact]
        left = length_text(stop.left_mm, timeline.shown_in, 0)
        text = (
            f"Cutting stopped about {left} before the end of {contact.where}. "
            "If you did not press hold, hold now."
        )
        return Cue(at=at, kind="cutting stopped", contact=contact.id, text=text)

    def after(self) -> None:
        """A boundary is confirmed and taken in."""
        self._said_onset = self._again = -1
        self._said_stop = False
        self._still_said = None

    def tick(self, at: int) -> tuple[Cue, ...]:
        """Cues that come with time; without the feed clock no time is known by which a cut must end."""
        tracking, engine = self._tracking, self._tracking.engine
        if not (tracking.boundaries.in_contact and tracking.clock.feed_known) or tracking.clock.held:
            return ()
        if self._lost.has_fallen:  # it has mostly ended, and the ear has not settled it yet
            return ()
        running = engine.core["phase"] == Phase.IN
        if not running.any():
            return ()
        row = int(np.argmax(np.where(running, engine.weights, -1.0)))
        k = int(engine.core["k"][row])
        if float(engine.weights[running & (engine.core["k"] == k)].sum()) < SURE:
            return ()
        return self._by_time(row, k, at)

    def _by_time(self, row: int, k: int, at: int) -> tuple[Cue, ...]:
        tracking = self._tracking
        space = tracking.space
        one = tracking.engine.core[row : row + 1]
        amounts = np.maximum(space.at_stop[k] - space.amounts_until(one["u0"]), 0.0)
        forecast = tracking.engine.model.forecast(
            one, amounts, at / self._rate, boundary_s=tracking.priors.offset_s, is_gap=False
        )
        behind = float(forecast.behind[0])
        spread = math.sqrt(float(forecast.variance[0]))
        late = max(5.0 * spread, 0.5, 0.25 * float(forecast.mean[0]))
        if behind > late and self._still_said != k and self._is_believed_since(at, behind):
            self._still_said = k
            contact = space.timeline.contacts[k]
            text = (
                f"STILL CUTTING {behind:.1f} s after the cut of {contact.where} should have ended: "
                "do not stop the spindle."
            )
            return (Cue(at=at, kind="still cutting", contact=contact.id, text=text),)
        return ()

    def _is_believed_since(self, at: int, behind_s: float) -> bool:
        """Whether what was believed since the cut should have ended is rather of a cut than of air."""
        at_s = at / self._rate
        return self._tracking.quiet.for_half_heard(at_s - behind_s, at_s) <= 1.0
