"""Cutting stopped inside a contact, and the next one does not come either: held, or the tool is gone."""

from listen.real_clock import RealClock
from listen.states import Event, Standing, State
from listen.timeline import Contact, Cue, Mark, MarkKind, Position, Timeline

LATE_SHARE, LATE_S = 0.1, 1.0  # how much later than due a contact may be
LAST_S = 3.0  # after the last contact


class SilenceCue:
    """Reminds once when the silence after "cutting stopped" outlasts the way to the next contact.

    By sound alone a hold inside a cut and a lost tool are the same; who did not press hold must look.

    Parameters
    ----------
    timeline : Timeline
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, timeline: Timeline, rate: int) -> None:
        self._rate = rate
        self._contacts = timeline.contacts
        self._index = {contact.id: i for i, contact in enumerate(timeline.contacts)}
        self._clock = RealClock(timeline)
        self._place = 0.0
        self._stopped: tuple[Contact, int, float] | None = (
            None  # contact, when, when the next is due [samples]
        )

    def stopped(self, cue: Cue) -> None:
        """Take "cutting stopped"."""
        index = self._index.get(cue.contact or -1)
        if index is None:
            return
        following = self._contacts[index + 1 : index + 2]
        due_s = self._clock.seconds(self._place, following[0].start) if following else LAST_S
        due_s = max(due_s, 0.0) * (1.0 + LATE_SHARE) + LATE_S
        self._stopped = (self._contacts[index], cue.at, cue.at + due_s * self._rate)

    def sounds(self) -> None:
        """Contact is heard, or the cut goes on after all."""
        self._stopped = None

    def position(self, position: Position) -> tuple[Cue, ...]:
        """Take where the program is, and the time that passes."""
        self._clock.follow(position)
        self._place = position.program_time
        if self._stopped is None or position.at < self._stopped[2]:
            return ()
        contact, at, _ = self._stopped
        self._stopped = None
        text = (
            f"Nothing heard since cutting stopped in contact {contact.id} ({contact.block}) at "
            f"{at / self._rate:.1f} s. If the feed is not held: hold, and look at the tool."
        )
        return (Cue(at=position.at, kind="nothing since", contact=contact.id, text=text),)

    def event(self, event: Event) -> None:
        """Sound ends the silence."""
        if event.state is not State.AIR and event.standing is Standing.CONFIRMED:
            self.sounds()

    def mark(self, mark: Mark) -> None:
        """A hold explains it."""
        self._clock.mark(mark)
        if mark.kind in (MarkKind.HOLD, MarkKind.PROGRAM_END):
            self._stopped = None
