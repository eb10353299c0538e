"""When to hold: "exit soon" by prediction, "hold now" once the exit is heard, or that there is no room.

Conventions
-----------
An exit that is heard where it was predicted is told at once, before the ear has confirmed it; any
other only when it is confirmed and followed. Times to press are those that are left when it is told.
"""

from dataclasses import replace

from listen.contact import Contact
from listen.followed import Position
from listen.lengths import length_text
from listen.marks import Mark, MarkKind
from listen.real_clock import RealClock
from listen.states import Event, Standing, State
from listen.timeline import HoldPoint, StopWay, Timeline
from listen.told import Cue
from listen.where import said_block

GRID_S = 0.5  # positions come this often
PAGE_S = 0.15  # from the decision to the drawn word, by its budget
LEAST_PRESS_S = 1.0  # with the tables' own reaction, see listen/expect/holds.py
USUAL_REACTION_S = 0.5
NEAR_S = 0.3  # an exit this near its prediction is where it was predicted
NEAR_SPREADS = 3.0


class HoldCue:
    """Follows positions and events, and gives the words about holding.

    Parameters
    ----------
    timeline : Timeline
    rate : int
        Sample rate [Hz].
    sure : float
        Belief in the contact below which nothing is said.
    """

    def __init__(self, timeline: Timeline, rate: int, *, sure: float) -> None:
        self._rate = rate
        self._sure = sure
        self._unit = timeline.shown_in
        self._contacts = timeline.contacts
        self._index = {contact.id: i for i, contact in enumerate(timeline.contacts)}
        self._holds = {hold.contact: hold for hold in timeline.holds}
        self._lead_s = timeline.surprise_s + GRID_S
        self._least_s = LEAST_PRESS_S + timeline.reaction_s - USUAL_REACTION_S
        self._reaction_s = timeline.reaction_s
        self._clock = RealClock(timeline)
        self._position: Position | None = None
        self._in_contact = False
        self._confirmed: Event | None = None  # an exit whose contact is not known yet
        self._soon: int | None = None  # contact for which "exit soon" was said
        self._told: int | None = None  # contact whose exit was told
        self._taken_back: Cue | None = None  # said unless the same exit comes again at once
        self._was_wrong = False  # a supposed exit was none: the next word waits for certainty
        self._inside = 0  # index of the contact that runs, as last followed
        self._to_open: HoldPoint | None = None  # told, and the tool is not clear yet

    def position(self, position: Position) -> tuple[Cue, ...]:
        """Words that come with a place: an exit that is near, a window that opens."""
        self._position = position
        self._clock.follow(position)
        if self._taken_back is not None:
            back, self._taken_back = self._taken_back, None
            return (replace(back, at=position.at), *self.position(position))
        if self._confirmed is not None:
            if position.at < self._confirmed.decided_at:
                return ()
            event, self._confirmed = self._confirmed, None
            return self._after_exit(event, position)
        if self._to_open is not None:
            return self._opened(position)
        if not self._in_contact:
            return ()
        self._inside = self._index.get(position.next_contact or -1, 0)
        return self._exit_soon(position)

    def event(self, event: Event) -> tuple[Cue, ...]:
        """Words that come with a sound."""
        if event.state is not State.AIR:
            self._touched(event)
            return ()
        if event.standing is Standing.CONFIRMED:
            self._in_contact = False
            if self._taken_back is not None:  # the ear only dates it anew
                self._told, self._taken_back = self._taken_back.contact, None
            self._confirmed = None if self._told is not None else event
            return ()
        if event.standing is Standing.WITHDRAWN:
            self._not_out(event)
            return ()
        return self._provisional(event)

    def mark(self, mark: Mark) -> None:
        """A hold or another override changes what is left."""
        self._clock.mark(mark)
        if mark.kind in (MarkKind.HOLD, MarkKind.RESUME, MarkKind.CYCLE_START):
            self._to_open = None

    def _touched(self, event: Event) -> None:
        if event.standing is Standing.CONFIRMED and not self._in_contact:
            self._in_contact = True
            self._confirmed = self._to_open = None
            self._soon = self._told = None
            self._was_wrong = False

    def _running(self, position: Position) -> tuple[Contact, HoldPoint] | None:
        index = self._index.get(position.next_contact or -1)
        if index is None or position.probability < self._sure or position.rate <= 0.0:
            return None
        contact = self._contacts[index]
        hold = self._holds.get(contact.id)
        return None if hold is None or not hold.cue else (contact, hold)

    def _exit_soon(self, position: Position) -> tuple[Cue, ...]:
        running = self._running(position)
        if running is None or self._soon == running[0].id:
            return ()
        contact, hold = running
        left_s = self._clock.seconds(position.program_time, contact.stop)
        is_sharp = position.spread / position.rate < 0.5 * self._lead_s
        if not (0.0 < left_s < self._lead_s + GRID_S and is_sharp):
            return ()
        self._soon = contact.id
        if not hold.has_room:
            return (self._cue(position.at, "no room to hold here", hold, self._no_room(hold)),)
        return (self._cue(position.at, "exit soon", hold, f"Exit soon. {self._how(hold)}"),)

    def _how(self, hold: HoldPoint) -> str:
        if hold.how is StopWay.PROGRAM_STOP:
            only = ", only with optional stop on" if "optional stop" in hold.note else ""
            return f"The program stops in {said_block(hold.block, hold.line)}{only}."
        if hold.time_to_press_s >= self._least_s:
            return "Hand on feed hold."
        return f"No time for feed hold: single block on before {said_block(hold.block, hold.line)}."

    def _provisional(self, event: Event) -> tuple[Cue, ...]:
        """Heard where it was predicted: two that agree."""
        position = self._position
        running = None if position is None else self._running(position)
        if position is None or running is None or not self._in_contact or self._was_wrong:
            return ()
        contact, hold = running
        place = position.program_time + (event.at - position.at) / self._rate * position.rate
        off_s = abs(contact.stop - place) / position.rate
        near_s = max(NEAR_S, NEAR_SPREADS * position.spread / position.rate)
        if self._told == contact.id or off_s > min(near_s, 0.5 * self._lead_s):
            return ()
        return self._hold_now(event, contact, hold)

    def _not_out(self, event: Event) -> None:
        if self._told is None or not self._in_contact:
            return
        told, self._told, self._to_open = self._told, None, None
        self._was_wrong = True
        text = "Not out after all: still in the cut."
        self._taken_back = Cue(at=event.decided_at, kind="still in the cut", contact=told, text=text)

    def _after_exit(self, event: Event, position: Position) -> tuple[Cue, ...]:
        """The exit is confirmed, and the place says which contact it ended."""
        following = self._index.get(position.next_contact or -1, len(self._contacts))
        stopped_inside = following <= self._inside
        if stopped_inside or following == 0 or position.probability < self._sure:
            return ()
        contact = self._contacts[following - 1]
        hold = self._holds.get(contact.id)
        if hold is None or not hold.cue or self._told == contact.id:
            return ()
        return self._hold_now(event, contact, hold)

    def _hold_now(self, event: Event, contact: Contact, hold: HoldPoint) -> tuple[Cue, ...]:
        """Word of the exit, with the time that is left."""
        self._told = contact.id
        at = event.decided_at
        if not hold.has_room or hold.time_to_press_s < self._least_s:
            return ()  # said before the exit: no room, or another way to stop
        since_s = (at - event.at) / self._rate + PAGE_S
        now = self._clock.after(contact.stop, since_s)
        left_s = self._clock.seconds(now, hold.until_s)
        if left_s < self._least_s:
            text = f"Too late to hold here.{self._next_place(contact.id)}"
            return (self._cue(at, "no room to hold here", hold, text),)
        wait_s = self._clock.seconds(now, hold.from_s)
        if wait_s > self._reaction_s:
            self._to_open = hold
            return (self._cue(at, "exit heard", hold, f"Exit heard. Clear in {wait_s:.0f} s: hold then."),)
        return (self._cue(at, "hold now", hold, self._hold_words(hold, left_s)),)

    def _opened(self, position: Position) -> tuple[Cue, ...]:
        hold = self._to_open
        assert hold is not None
        wait_s = self._clock.seconds(position.program_time, hold.from_s)
        left_s = self._clock.seconds(position.program_time, hold.until_s) - PAGE_S
        if wait_s > self._reaction_s:
            return ()
        self._to_open = None
        if left_s < self._least_s or position.probability < self._sure:
            return ()
        return (self._cue(position.at, "hold now", hold, self._hold_words(hold, left_s)),)

    def _no_room(self, hold: HoldPoint) -> str:
        return f"No room to hold after this cut.{self._next_place(hold.contact)}"

    def _next_place(self, contact: int) -> str:
        for later in self._contacts[self._index[contact] + 1 :]:
            hold = self._holds.get(later.id)
            if hold is not None and hold.cue and hold.has_room:
                return f" Next place: after contact {later.id} ({later.block})."
        return " No other place follows."

    def _hold_words(self, hold: HoldPoint, left_s: float) -> str:
        clear = length_text(hold.clear_mm, self._unit, 0)
        return f"Hold now: {left_s:.1f} s to press, tool then {clear} clear."

    @staticmethod
    def _cue(at: int, kind: str, hold: HoldPoint, text: str) -> Cue:
        return Cue(at=at, kind=kind, contact=hold.contact, text=text)
