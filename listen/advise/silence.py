"""Silence that outlasts the way to the next contact: held, slower than it was, or the tool is gone.

Conventions
-----------
By sound alone a hold and a lost tool are the same, and so are a pass left out and a slower feed: who
did not press hold must look. It is no verdict, and said once for each silence.
"""

from dataclasses import dataclass

import numpy as np

from listen.contact import Contact
from listen.followed import Position
from listen.marks import Mark, MarkKind
from listen.real_clock import RealClock
from listen.spans import SpanKind
from listen.states import Event, Standing, State
from listen.timeline import Timeline
from listen.told import Cue
from listen.where import said_block

LATE_SHARE, LATE_S = 0.1, 1.0  # how much later than due a contact may be
LAST_S = 3.0  # after the last contact
SLOW_RAPIDS = 0.25  # of what is known of them: the dial mostly has 25 % (common practice, no source)
OPEN_ENDED = (SpanKind.SPINDLE, SpanKind.TOOL_CHANGE, SpanKind.WAIT, SpanKind.UNKNOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """What is waited for.

    Attributes
    ----------
    since : Contact
        What was cut before it.
    at : int
        When that ended [samples].
    late : float
        When the next contact is overdue [samples].
    following : Contact or None
        None where the cut stopped inside `since`, and that was said.
    """

    since: Contact
    at: int
    late: float
    following: Contact | None


class SilenceCue:
    """Reminds once when the silence after a cut outlasts the way to the next contact.

    Parameters
    ----------
    timeline : Timeline
    rate : int
        Sample rate [Hz].
    sure : float
        Belief in the next contact below which it is not waited for.
    """

    def __init__(self, timeline: Timeline, rate: int, *, sure: float) -> None:
        self._rate = rate
        self._sure = sure
        self._contacts = timeline.contacts
        self._spans = timeline.spans
        self._index = {contact.id: i for i, contact in enumerate(timeline.contacts)}
        self._clock = RealClock(timeline, is_as_stated=False)  # a dial that stands lower is soon heard
        self._place = 0.0
        self._ended: int | None = None  # when a cut ended of which the next one is not known yet
        self._silence: Silence | None = None
        self._is_supposed = False  # a start that is not settled yet: "contact" is said already

    def stopped(self, cue: Cue) -> None:
        """Take "cutting stopped"."""
        index = self._index.get(cue.contact or -1)
        if index is None:
            return
        following = self._contacts[index + 1 : index + 2]
        way_s = self._clock.seconds(self._place, following[0].start) if following else LAST_S
        late = cue.at + self._late_s(way_s) * self._rate
        self._ended = None
        self._silence = Silence(since=self._contacts[index], at=cue.at, late=late, following=None)

    def sounds(self) -> None:
        """Contact is heard, or the cut goes on after all."""
        self._silence = self._ended = None

    def position(self, position: Position) -> tuple[Cue, ...]:
        """Take where the program is, and the time that passes."""
        self._clock.follow(position)
        self._place = position.program_time
        if self._ended is not None:
            self._wait(position, self._ended)
        silence = self._silence
        if silence is None or position.at < silence.late or self._is_supposed:
            return ()
        self._silence = None
        return (self._overdue(silence, position.at),)

    def event(self, event: Event) -> None:
        """Sound ends the silence, and its end begins one; while a start is only supposed it is not said."""
        if event.state is State.ENTRY:
            self._is_supposed = event.standing is Standing.PROVISIONAL
        if event.standing is not Standing.CONFIRMED:
            return
        if event.state is not State.AIR:
            self.sounds()
        elif self._silence is None:  # else it was said already that the cut stopped
            self._ended = event.at

    def mark(self, mark: Mark) -> None:
        """A hold explains it, another override changes what is left of it."""
        self._clock.mark(mark)
        is_override = mark.kind in (MarkKind.FEED_OVERRIDE, MarkKind.RAPID_OVERRIDE)
        if mark.kind in (MarkKind.HOLD, MarkKind.PROGRAM_END) or (is_override and mark.value <= 0.0):
            self.sounds()
        elif is_override and self._silence is not None and self._silence.following is not None:
            self._ended, self._silence = self._silence.at, None

    def _wait(self, position: Position, ended: int) -> None:
        """Once it is known which contact comes next, and where none need wait for a person."""
        index = self._index.get(position.next_contact or -1)
        if index is None or position.probability < self._sure:
            return
        self._ended = None
        index += position.program_time > self._contacts[index].start  # stopped inside this one
        if not 0 < index < len(self._contacts):
            return
        following = self._contacts[index]
        if self._is_open_ended(position.program_time, following.start):
            return
        way_s = self._clock.seconds(position.program_time, following.start, rapids=SLOW_RAPIDS)
        late = position.at + self._late_s(way_s) * self._rate
        self._silence = Silence(since=self._contacts[index - 1], at=ended, late=late, following=following)

    @staticmethod
    def _late_s(way_s: float) -> float:
        return max(way_s, 0.0) * (1.0 + LATE_SHARE) + LATE_S

    def _is_open_ended(self, start_s: float, stop_s: float) -> bool:
        spans = self._spans
        between = (spans.stop_s > start_s) & (spans.start_s < stop_s)
        return bool(np.isin(spans.kind[between], OPEN_ENDED).any())

    def _overdue(self, silence: Silence, at: int) -> Cue:
        since, following, ended_s = silence.since, silence.following, silence.at / self._rate
        if following is None:
            text = (
                f"Nothing heard since cutting stopped in contact {since.id} ({since.block}) at "
                f"{ended_s:.1f} s. If the feed is not held: hold, and look at the tool."
            )
            return Cue(at=at, kind="nothing since", contact=since.id, text=text)
        text = (
            f"Contact {following.id} is overdue, {said_block(following.block, following.line)}: nothing "
            f"heard since {ended_s:.1f} s. If the feed is not held or slower: hold, and look at the tool."
        )
        return Cue(at=at, kind="overdue", contact=following.id, text=text)
