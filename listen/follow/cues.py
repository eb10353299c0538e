"""Words while it happens: contact, before its line, cutting stopped, still cutting."""

import math

import numpy as np

from listen.follow.hypotheses import Phase
from listen.follow.tracking import Tracking
from listen.states import Event, Standing, State
from listen.timeline import Cue

SURE = 0.7  # belief in the next contact below which only "contact" is said
EARLY_SPREADS = 3.0  # before its line by more than this many spreads
EARLY_S = 0.3
LEFT_SHARE = 0.12  # cutting stopped: at least this share of the contact is still to come
SLIP_S = 0.4  # dropouts of the ear are mostly over by then


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
        self._said_onset = -1  # a provisional start that was already said
        self._said_stop = -1
        self._still_said: int | None = None
        self._waiting: Cue | None = None

    def before(self, event: Event) -> tuple[Cue, ...]:
        """Cues of an event, by the guesses before it is taken in."""
        if event.standing == Standing.WITHDRAWN:
            return self._withdraw(event)
        if event.state == State.AIR or event.state == State.EXIT:
            return self._stopped(event)
        if event.state == State.ENTRY:
            return self._contact(event)
        return ()

    def _withdraw(self, event: Event) -> tuple[Cue, ...]:
        if event.state == State.ENTRY:
            self._said_onset = -1
        elif event.state in (State.EXIT, State.AIR):
            self._said_stop = -1
        return ()

    def _contact(self, event: Event) -> tuple[Cue, ...]:
        if self._tracking.boundaries.in_contact or self._said_onset >= 0:
            return ()
        self._said_onset = event.at
        self._said_stop = -1
        self._waiting = None
        place = self._next()
        contact = None if place is None else self._tracking.space.timeline.contacts[place[0]].id
        cues = [Cue(at=event.decided_at, kind="contact", contact=contact, text="Contact.")]
        early = self._before_line(event)
        if early is not None:
            cues.append(early)
        return tuple(cues)

    def _next(self) -> tuple[int, float] | None:
        """Index of the likeliest next contact and the belief in it."""
        engine, n = self._tracking.engine, self._tracking.space.n
        if not engine.is_started:
            return None
        chance = np.bincount(engine.core["k"], weights=engine.weights)
        index = int(np.argmax(chance))
        return (index, float(chance[index])) if index < n else None

    def _before_line(self, event: Event) -> Cue | None:
        """Contact well before its place, by the guesses as they stand."""
        tracking = self._tracking
        engine, space = tracking.engine, tracking.space
        place = self._next()
        if place is None or place[1] < SURE or self._follows_a_slip(event):
            return None
        core = engine.core
        mine = (core["k"] == place[0]) & (core["phase"] == Phase.AIR)
        if not mine.any():
            return None
        row = int(np.argmax(np.where(mine, engine.weights, -1.0)))
        one = core[row : row + 1]
        amounts = np.maximum(space.at_start[place[0]] - space.amounts_until(one["u0"]), 0.0)
        spread_s = max(event.spread / self._rate, tracking.priors.onset_s)
        forecast = engine.model.forecast(
            one, amounts, event.at / self._rate, boundary_s=spread_s, is_gap=True
        )
        early = -float(forecast.behind[0])
        if early < max(EARLY_SPREADS * math.sqrt(float(forecast.variance[0])), EARLY_S):
            return None
        contact = space.timeline.contacts[place[0]]
        known = tracking.clock.feed_known
        why = "early" if known else "early, or override raised"
        text = f"Contact {early:.1f} s before line {contact.line}: {why}."
        return Cue(at=event.decided_at, kind="before its line", contact=contact.id, text=text)

    def _follows_a_slip(self, event: Event) -> bool:
        """Whether the sound had stopped for a moment only."""
        engine = self._tracking.engine
        last = float(engine.offsets[engine.slot]) if engine.n_stretches else -1.0
        return 0.0 <= event.at / self._rate - last < SLIP_S

    def _stopped(self, event: Event) -> tuple[Cue, ...]:
        """Cutting stopped well before the contact's end."""
        tracking = self._tracking
        engine, space = tracking.engine, tracking.space
        if not tracking.boundaries.in_contact or self._said_stop >= 0:
            return ()
        running = engine.core["phase"] == Phase.IN
        if not running.any():
            return ()
        row = int(np.argmax(np.where(running, engine.weights, -1.0)))
        k = int(engine.core["k"][row])
        sure = float(engine.weights[running & (engine.core["k"] == k)].sum())
        one = engine.core[row : row + 1]
        amounts = np.maximum(space.at_stop[k] - space.amounts_until(one["u0"]), 0.0)
        at_s = event.at / self._rate
        forecast = engine.model.forecast(
            one, amounts, at_s, boundary_s=tracking.priors.offset_s, is_gap=False
        )
        left_s = -float(forecast.behind[0])
        limit = max(2.5 * math.sqrt(float(forecast.variance[0])), LEFT_SHARE * float(forecast.mean[0]), 0.15)
        if sure < SURE or left_s < limit or tracking.clock.held:
            return ()
        self._said_stop = event.at
        contact = space.timeline.contacts[k]
        left_mm = left_s * float(np.exp(one["m"][0])) * tracking.clock.rate * space.speed[k]
        text = (
            f"Cutting stopped about {left_mm:.0f} mm before its end in line {contact.line}: "
            "if you did not press hold, hold now."
        )
        cue = Cue(at=event.decided_at, kind="cutting stopped", contact=contact.id, text=text)
        if self._is_likely_real(float(forecast.mean[0])):
            return (cue,)
        self._waiting = cue  # the ear may have lost it for a moment: said if the silence lasts
        return ()

    def _is_likely_real(self, length_s: float) -> bool:
        """Whether a stop inside a cut is rather a hold or a lost tool than a slip of the ear."""
        priors, clock = self._tracking.priors, self._tracking.clock
        real_per_s = clock.hold_rate(priors.hold_per_s) + priors.gone / max(length_s, 0.2)
        return real_per_s > priors.dropout_per_s

    def after(self) -> None:
        """A boundary is confirmed and taken in."""
        self._said_onset = -1
        self._still_said = None

    def tick(self, at: int) -> tuple[Cue, ...]:
        """Cues that come with time."""
        engine = self._tracking.engine
        if not self._tracking.boundaries.in_contact:
            return self._lasting(at)
        running = engine.core["phase"] == Phase.IN
        if not running.any() or self._tracking.clock.held:
            return ()
        row = int(np.argmax(np.where(running, engine.weights, -1.0)))
        k = int(engine.core["k"][row])
        if float(engine.weights[running & (engine.core["k"] == k)].sum()) < SURE:
            return ()
        return self._by_time(row, k, at)

    def _lasting(self, at: int) -> tuple[Cue, ...]:
        """A stop that has lasted longer than slips of the ear do."""
        waiting = self._waiting
        if waiting is None or at - waiting.at < SLIP_S * self._rate:
            return ()
        self._waiting = None
        return (Cue(at=at, kind=waiting.kind, contact=waiting.contact, text=waiting.text),)

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
        if tracking.clock.feed_known and behind > late and self._still_said != k:
            self._still_said = k
            contact = space.timeline.contacts[k]
            text = (
                f"STILL CUTTING {behind:.1f} s after {contact.block} should have ended: "
                "do not stop the spindle."
            )
            return (Cue(at=at, kind="still cutting", contact=contact.id, text=text),)
        return ()
