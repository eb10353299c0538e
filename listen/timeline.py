"""All that is expected of a program, before it runs: contacts, passes, holds, cautions.

Conventions
-----------
Time along the program is in seconds at 100 % override from program start. Lengths are in
millimetres, places in work coordinates.
"""

from bisect import bisect_right
from dataclasses import dataclass
from enum import StrEnum

from listen.approach import Approach
from listen.contact import Contact, Pass
from listen.errors import InputError
from listen.lengths import MM_PER
from listen.spans import Spans


class StopWay(StrEnum):
    """Ways to stop, best first."""

    PROGRAM_STOP = "program stop"
    SINGLE_BLOCK = "single block"
    FEED_HOLD = "feed hold"


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldPoint:
    """A place where a stop leaves the tool clear of the work, or the news that there is none.

    Attributes
    ----------
    contact : int
        The contact whose exit it follows.
    line : int
        Line in which the stop happens (feed hold), or before which single block is switched on.
    how : StopWay
    from_s, until_s : float
        Window for the press [s, program time]; equal where there is no room.
    travel_mm : float
        How far the tool goes from the sound of the exit to a standstill.
    clear_mm : float
        Least distance of the whole tool from stock and keep-outs inside the window.
    time_to_press_s : float
        ``until_s - from_s`` at the override in force.
    has_room : bool
        False means "no room to hold here"; `next_contact` then names the next place.
    cue : bool
        Whether a spoken or shown cue is allowed here at all.
    note : str
        Why not, or what to know.
    block : str
        N word of the line, "line 12" or "" where it has none.
    """

    contact: int
    line: int
    how: StopWay
    from_s: float
    until_s: float
    travel_mm: float
    clear_mm: float
    time_to_press_s: float
    has_room: bool
    cue: bool
    next_contact: int | None = None
    note: str = ""
    block: str = ""

    def __post_init__(self) -> None:
        if not 0.0 <= self.from_s <= self.until_s:
            raise InputError(
                f"hold after contact {self.contact}: needs 0 <= from_s <= until_s, "
                f"got {self.from_s} and {self.until_s}"
            )


NOTE_KINDS = (
    "not checked",
    "not judged",
    "word passed over",
    "block delete",
    "cycle not run",
    "set-up guessed",
    "tool touches nothing",
)
"""Kinds of caution that say that something was left unchecked, not that something is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """Something about the program or the set-up that a person should look at before the run."""

    kind: str
    line: int | None
    text: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """A stretch whose lines are those of another file than the first: a subprogram, or the next program.

    Attributes
    ----------
    start, stop : float
        [s, program time at 100 %], half-open.
    file : str
        Name of that file.
    """

    start: float
    stop: float
    file: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """All that is expected of a program.

    Attributes
    ----------
    program : str
        Name of the program file.
    spans : Spans
    contacts, passes, holds, cautions : tuple
        In program order.
    duration : float
        Length of the program [s] at 100 %, waits counted as 0.
    override_steady : bool
        True where the person said that the override will not be changed without a mark.
    feed_override, rapid_override : float
        In force when the run starts [percent].
    kind : str
        "raised dry run", "first cut" or "repeat".
    approaches : tuple of Approach
        One for each tool, in the order of their first contacts.
    reaction_s, surprise_s : float
        What is reckoned with for the person, sound expected and by surprise [s].
    shown_in : str
        Unit in which the person reads lengths, "mm" or "inch"; here all is in mm.
    files : tuple of str
        Names of the program files that were read, the main one first.
    elsewhere : tuple of Elsewhere
        The stretches that run in another file than the first, in order.
    """

    program: str
    spans: Spans
    contacts: tuple[Contact, ...]
    duration: float
    passes: tuple[Pass, ...] = ()
    holds: tuple[HoldPoint, ...] = ()
    cautions: tuple[Caution, ...] = ()
    feed_override: float = 100.0
    rapid_override: float = 100.0
    override_steady: bool = False
    single_block: bool = False
    kind: str = "first cut"
    approaches: tuple[Approach, ...] = ()
    reaction_s: float = 0.5
    surprise_s: float = 1.0
    shown_in: str = "mm"
    files: tuple[str, ...] = ()
    elsewhere: tuple[Elsewhere, ...] = ()

    def file_at(self, program_time: float) -> str:
        """Name of the file whose line runs at a program time, "" for the main one."""
        index = bisect_right(self.elsewhere, program_time, key=lambda stretch: stretch.stop)
        if index == len(self.elsewhere):  # the last line holds on when the program has ended
            ended = index > 0 and self.elsewhere[-1].stop >= self.duration
            return self.elsewhere[-1].file if ended else ""
        stretch = self.elsewhere[index]
        return stretch.file if stretch.start <= program_time else ""

    def __post_init__(self) -> None:
        starts = [contact.start for contact in self.contacts]
        if starts != sorted(starts):
            raise InputError("contacts must be in the order of their start")
        if not 0.0 <= self.duration < float("inf"):
            raise InputError(f"duration must be finite and not negative, got {self.duration}")
        for name, value in (("feed", self.feed_override), ("rapid", self.rapid_override)):
            if not 0.0 <= value <= 200.0:
                raise InputError(f"{name} override must be 0 to 200 percent, got {value}")
        if self.shown_in not in MM_PER:
            raise InputError(f"lengths are shown in mm or inch, got {self.shown_in!r}")
