"""Is the spindle heard while the program is held: yes, no, or unsure; when in doubt, unsure."""

from collections import deque
from enum import StrEnum

from listen.followed import Position
from listen.marks import Mark, MarkKind
from listen.states import AirSound, Event, Standing, State
from listen.timeline import Timeline
from listen.told import Cue

LEAST_RANGE_DB = 4.0  # between the run's air and its quietest: less tells nothing
GONE_SHARE = 0.6  # of that range: as much below the air, and the spindle does not turn
ALIKE_DB = 3.0  # as loud as the air of the run to within this
APART_DB = 6.0  # above the run's quietest by this much: something turns
NO_LOUDER_DB = -1.0  # nothing came up that could drown the lines of the spindle
LEAST_LINES = 2  # on the comb of the spindle
ON_COMB_HZ = 5.0  # a window of 100 ms tells lines 10 Hz apart
OLD_S = 2.0
LATEST = 4  # half seconds that a word rests on
LEAST_YES, LEAST_NO = 2, 3
HELD_POSITIONS = 3  # the follower says so this often before it counts as a hold


class Heard(StrEnum):
    """Whether the spindle is heard; the words are the cues' kinds."""

    YES = "spindle heard"
    NO = "spindle not heard"
    UNSURE = "spindle unsure"


WORDS = {
    Heard.YES: "Spindle heard. Look all the same before cycle start.",
    Heard.NO: "SPINDLE NOT HEARD. Is it turning? Look before cycle start.",
    Heard.UNSURE: "Spindle: cannot tell by ear. Look before cycle start.",
}


def spindle_heard(air: AirSound, *, rpm: float) -> Heard:
    """Whether the spindle turns, by half a second of air.

    "Yes" needs the run's own air and lines of the spindle's speed in it: coolant or a pump alone can be
    as loud. "No" needs that most of the air, or the lines of the spindle, are gone and no such line is left.

    Parameters
    ----------
    air : AirSound
    rpm : float
        Speed that the program asks for; 0 where not known, which leaves "yes" out.

    Examples
    --------
    >>> spindle_heard(AirSound(at=0, below_db=14.0, over_quiet_db=1.0), rpm=6000.0).value
    'spindle not heard'
    >>> turning = AirSound(at=0, below_db=0.5, over_quiet_db=12.0, lines_hz=(300.0, 900.0))
    >>> spindle_heard(turning, rpm=6000.0).value
    'spindle heard'
    """
    lines = sum(_on_comb(hz, rpm / 60.0) for hz in air.lines_hz) if rpm > 0.0 else 0
    gone = sum(_on_comb(hz, rpm / 60.0) for hz in air.gone_hz) if rpm > 0.0 else 0
    range_db = air.below_db + air.over_quiet_db
    is_less = range_db >= LEAST_RANGE_DB and air.below_db >= GONE_SHARE * range_db
    has_lost = air.below_db >= NO_LOUDER_DB and gone >= LEAST_LINES
    if lines == 0 and (is_less or has_lost):
        return Heard.NO
    alike = abs(air.below_db) <= ALIKE_DB and air.over_quiet_db >= APART_DB
    return Heard.YES if alike and lines >= LEAST_LINES else Heard.UNSURE


def _on_comb(hz: float, turns_hz: float) -> bool:
    """Near a multiple of the spindle's turning; where those lie too close together nothing is."""
    if turns_hz < 6.0 * ON_COMB_HZ:
        return False
    return abs(hz - max(round(hz / turns_hz), 1) * turns_hz) <= ON_COMB_HZ


class SpindleCue:
    """Says in a hold what is heard of the spindle, and asks when the program goes on without it.

    Parameters
    ----------
    timeline : Timeline | None
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, timeline: Timeline | None, rate: int) -> None:
        self._rate = rate
        self._rpm = {c.id: abs(c.spindle_rpm) for c in timeline.contacts} if timeline else {}
        self._position: Position | None = None
        self._latest: deque[tuple[int, Heard]] = deque(maxlen=LATEST)
        self._told_hold = False  # by a mark
        self._still = 0  # positions in a row without progress
        self._said: Heard | None = None
        self._was_stopped = False

    def event(self, event: Event) -> None:
        """A contact that is heard ends a hold, whoever told of it."""
        if event.state is State.ENTRY and event.standing is Standing.CONFIRMED:
            self._let_go()
            self._was_stopped = False

    def air(self, air: AirSound) -> tuple[Cue, ...]:
        """Take half a second of air."""
        following = None if self._position is None else self._position.next_contact
        heard = spindle_heard(air, rpm=self._rpm.get(following or -1, 0.0))
        self._latest.append((air.at, heard))
        return self._say(air.at)

    def follow(self, position: Position) -> tuple[Cue, ...]:
        """Take where the program is: standing still for a while is a hold, too."""
        self._position = position
        stands = position.rate == 0.0 and position.probability > 0.0
        self._still = self._still + 1 if stands else 0
        if not self._is_held:
            self._said = None
        return self._say(position.at)

    def mark(self, mark: Mark) -> tuple[Cue, ...]:
        """Take a mark; going on without a spindle is told at once."""
        if mark.kind is MarkKind.SPINDLE_OFF:
            self._was_stopped = True
        elif mark.kind is MarkKind.SPINDLE_ON:
            self._was_stopped = False
        elif mark.kind is MarkKind.HOLD:
            self._told_hold = True
            return self._say(mark.at)
        elif mark.kind in (MarkKind.RESUME, MarkKind.CYCLE_START):
            return self._goes_on(mark)
        return ()

    @property
    def _is_held(self) -> bool:
        return self._told_hold or self._still >= HELD_POSITIONS

    def _heard(self, at: int) -> Heard:
        fresh = [heard for told, heard in self._latest if at - told <= (OLD_S + 0.5 * LATEST) * self._rate]
        if not fresh or at - self._latest[-1][0] > OLD_S * self._rate:
            return Heard.UNSURE
        n_yes, n_no = fresh.count(Heard.YES), fresh.count(Heard.NO)
        if n_no >= LEAST_NO:
            return Heard.NO
        is_yes = n_yes >= LEAST_YES and not n_no
        return Heard.YES if is_yes else Heard.UNSURE

    def _say(self, at: int) -> tuple[Cue, ...]:
        if not self._is_held:
            return ()
        heard = self._heard(at)
        is_guess = not self._told_hold and heard is not Heard.NO  # nobody said that it is held
        if heard is self._said or is_guess:
            return ()
        self._said = heard
        return (Cue(at=at, kind=heard.value, contact=None, text=WORDS[heard]),)

    def _goes_on(self, mark: Mark) -> tuple[Cue, ...]:
        was_held, heard = self._is_held, self._heard(mark.at)
        self._let_go()
        if heard is Heard.NO and was_held:
            text = "SPINDLE NOT HEARD, and the program goes on: hold."
        elif self._was_stopped and heard is not Heard.YES:
            text = "The spindle was stopped in this hold. Is it turning again? If not, hold."
        else:
            return ()
        return (Cue(at=mark.at, kind=Heard.NO.value, contact=None, text=text),)

    def _let_go(self) -> None:
        self._told_hold, self._still, self._said = False, 0, None
