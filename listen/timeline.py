"""What is expected of a program, and what became of it: contacts, holds, verdicts, flags.

Conventions
-----------
Time along the program is in seconds at 100 % override from program start; time in the
recording is in samples. Lengths are in millimetres, places in work coordinates.
"""

from bisect import bisect_right
from dataclasses import dataclass
from enum import IntEnum, StrEnum

import numpy as np
from numpy.typing import NDArray

from listen.approach import Approach
from listen.errors import InputError
from listen.lengths import MM_PER
from listen.where import said_block

Place = tuple[float, float, float]


class SpanKind(IntEnum):
    """What the machine does during one span of the program, and what scales its time."""

    RAPID = 0  # rapid override
    FEED = 1  # feed override
    RIGID = 2  # tapping, threading, M49: 100 % always, and a hold may not be obeyed
    DWELL = 3  # fixed time
    SPINDLE = 4  # spindle starting, stopping or changing speed: fixed time, not well known
    TOOL_CHANGE = 5  # fixed time, not well known
    WAIT = 6  # M0, M1, a door: for as long as the person takes
    UNKNOWN = 7  # place not known, not judged


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spans:
    """The path as a clock: when each piece of the program begins and ends.

    Attributes
    ----------
    start_s, stop_s : ndarray, shape (n_spans,)
        Program time at 100 % override [s], increasing, stop_s[i] == start_s[i + 1].
    kind : ndarray, shape (n_spans,)
        `SpanKind` values, int8.
    line : ndarray, shape (n_spans,)
        Line in the program file, counted from 1, int32.
    tool : ndarray, shape (n_spans,)
        Tool number in the spindle, 0 for none, int32.
    begin, end : ndarray, shape (n_spans, 3)
        Place of the tool's tip [mm, work coordinates]; NaN where it is not known.
    centre : ndarray, shape (n_spans, 3)
        Centre of an arc [mm]; NaN for a straight span. The arc's axis is `axis`.
    sweep : ndarray, shape (n_spans,)
        Angle turned about the axis, counter-clockwise positive [rad]; 0 for straight.
    axis : ndarray, shape (n_spans,)
        Axis of an arc: 0 for X (G19), 1 for Y (G18), 2 for Z (G17), int8.
    """

    start_s: NDArray[np.float64]
    stop_s: NDArray[np.float64]
    kind: NDArray[np.int8]
    line: NDArray[np.int32]
    tool: NDArray[np.int32]
    begin: NDArray[np.float64]
    end: NDArray[np.float64]
    centre: NDArray[np.float64]
    sweep: NDArray[np.float64]
    axis: NDArray[np.int8]

    def __post_init__(self) -> None:
        n_spans = self.start_s.size
        flat = (self.start_s, self.stop_s, self.kind, self.line, self.tool, self.sweep, self.axis)
        deep = (self.begin, self.end, self.centre)
        if any(a.shape != (n_spans,) for a in flat) or any(a.shape != (n_spans, 3) for a in deep):
            raise InputError(f"spans need arrays of one length, here {n_spans}")
        if not (self.stop_s >= self.start_s).all():
            raise InputError("a span ends at or after its start; a time is NaN or runs backwards")

    def __len__(self) -> int:
        return int(self.start_s.size)


class Reveals(StrEnum):
    """What a contact can reveal of a wrong set-up."""

    TIME = "time"
    STRENGTH = "strength"
    NOT_BY_EAR = "not by ear"


class Audible(StrEnum):
    """How well a contact should be heard at the override in force."""

    EASY = "easy"
    FAINT = "faint"
    NOT_BY_EAR = "not by ear"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """One expected stretch of entry, steady cut and exit.

    Attributes
    ----------
    id : int
        Counted from 1 in program order.
    tool, line, block
        Tool number; the contact line; its N word ("N110") or "line 12".
    start, stop : float
        First and last touch [s, program time at 100 %].
    ramp_in, ramp_out : float
        From first touch until the engagement is full, and back [s].
    tooth_pass_hz : float
        z·n/60 [Hz]; 0 where flutes are not known.
    power_w, load_percent : float
        Steady cutting power [W] and load [percent of rated power]; NaN where not known.
    place : (x, y, z)
        The tool's tip at first touch [mm].
    way : str
        How the tool cuts: "side cut", "slot", "face", "plunge", "ramp", "drilling", "tapping" …
    axial_depth_mm, radial_width_mm : float
        Greatest depth along and width across the axis [mm]; NaN where not known.
    mean_chip_mm : float
        Mean chip thickness [mm]; NaN where not known.
    strength_db : float
        Cutting force over that of the strongest contact of the program [dB], so 0 or below.
    audible, reveals
        See `Audible` and `Reveals`.
    pass_id : int
        The pass it belongs to.
    """

    id: int
    tool: int
    line: int
    block: str
    start: float
    ramp_in: float
    ramp_out: float
    stop: float
    tooth_pass_hz: float
    power_w: float
    load_percent: float
    place: Place
    spindle_rpm: float
    flutes: int
    feed_mm_per_min: float
    way: str
    axial_depth_mm: float = float("nan")
    radial_width_mm: float = float("nan")
    mean_chip_mm: float = float("nan")
    removed_mm3: float = float("nan")
    climb_share: float = float("nan")
    strength_db: float = 0.0
    audible: Audible = Audible.EASY
    reveals: Reveals = Reveals.TIME
    pass_id: int = 0

    def __post_init__(self) -> None:
        if not 0.0 <= self.start < self.stop < float("inf"):
            raise InputError(
                f"contact {self.id} (line {self.line}) needs 0 <= start < stop, "
                f"got {self.start} and {self.stop} s"
            )
        length = self.stop - self.start
        ramps = self.ramp_in + self.ramp_out
        if not (min(self.ramp_in, self.ramp_out) >= 0.0 and ramps <= length + 1e-9):
            raise InputError(
                f"contact {self.id} (line {self.line}) lasts {length} s, too short for ramps of "
                f"{self.ramp_in} and {self.ramp_out} s"
            )

    @property
    def where(self) -> str:
        """Its contact line by N word and number, as every message names it."""
        return said_block(self.block, self.line)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """Contacts that belong together: one level of a pocket, one row of holes."""

    id: int
    tool: int
    name: str
    contact_ids: tuple[int, ...]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """Where the follower believes the program is.

    Attributes
    ----------
    at : int
        [samples]
    program_time : float
        [s at 100 %]
    line : int
    spread : float
        One standard deviation of `program_time` [s].
    rate : float
        Seconds of program per second: 0.1 at 10 % override, 0 in a hold.
    next_contact : int | None
        The contact that is running or comes next.
    probability : float
        Belief in `next_contact` [0 to 1].
    witness : str
        What ties it to a place: "earlier contact", "operator", "controller"; "" in a silent approach.
    """

    at: int
    program_time: float
    line: int
    spread: float
    rate: float
    next_contact: int | None = None
    probability: float = 1.0
    witness: str = ""

    def __post_init__(self) -> None:
        if not (self.spread >= 0.0 and self.rate >= 0.0):
            raise InputError(f"spread and rate cannot be negative: {self.spread}, {self.rate}")
        if not 0.0 <= self.probability <= 1.0:
            raise InputError(f"probability must be in [0, 1], got {self.probability}")


class VerdictKind(StrEnum):
    """What became of an expected contact."""

    AS_EXPECTED = "as expected"
    STARTED_EARLY = "started early"
    STARTED_LATE = "started late"
    NOT_HEARD = "not heard"
    ENDED_EARLY = "ended early"
    ENDED_LATE = "ended late"
    CANNOT_TELL = "cannot tell"
    UNEXPECTED = "unexpected"


class Strength(StrEnum):
    """How strong a contact was heard, against the sheet and the run's own contacts."""

    AS_EXPECTED = "as expected"
    HEAVIER = "heavier"
    LIGHTER = "lighter"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What became of one contact.

    Attributes
    ----------
    contact : int | None
        Id of the expected contact; None for an unexpected one.
    kind : VerdictKind
    probability : float
        Calibrated belief in `kind` [0 to 1].
    called_at : int
        When it was called [samples].
    expected_onset, expected_offset : int | None
        Where the contact should have been, by the followed program [samples].
    heard_onset, heard_offset : int | None
        Where it was [samples]; None where nothing was heard.
    early_by_mm : float | None
        How far before its place the contact began; only with a witness.
    witness : str
        What ties the millimetres to a place; "" without one.
    strength : Strength
    louder_db : float | None
        How much louder than the sheet makes it beside its tool's other contacts [dB].
    reason : str
        What a person can check: times, line, expected against heard.
    """

    contact: int | None
    kind: VerdictKind
    probability: float
    called_at: int
    expected_onset: int | None = None
    expected_offset: int | None = None
    heard_onset: int | None = None
    heard_offset: int | None = None
    early_by_mm: float | None = None
    witness: str = ""
    strength: Strength = Strength.CANNOT_TELL
    louder_db: float | None = None
    reason: str = ""

    def __post_init__(self) -> None:
        if not 0.0 <= self.probability <= 1.0:
            raise InputError(f"probability must be in [0, 1], got {self.probability}")
        if (self.contact is None) != (self.kind == VerdictKind.UNEXPECTED):
            raise InputError("an unexpected verdict has no contact, and every other has one")
        if self.early_by_mm is not None and not self.witness:
            raise InputError("millimetres need a witness; name it or leave early_by_mm out")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """A word for the person while it happens; the verdict comes when the evidence is in.

    Attributes
    ----------
    at : int
        When it was given [samples].
    kind : str
        "contact", "no contact", "before its line", "cutting stopped", "cutting goes on", "nothing since",
        "overdue", "still cutting", "exit soon", "exit heard", "hold now", "still in the cut",
        "no room to hold here", "next rung", "distance", "spindle heard", "spindle not heard",
        "spindle unsure", "length offset"
    contact : int | None
    text : str
        Plain words.
    """

    at: int
    kind: str
    contact: int | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """A verdict or a sound that needs a person.

    Attributes
    ----------
    at : int
        [samples]
    kind : str
        A verdict, a strength, or a finding of the ear.
    contact : int | None
    text : str
        One sentence: what, where, expected against heard, what to look at.
    """

    at: int
    kind: str
    contact: int | None
    text: str


class MarkKind(StrEnum):
    """What ties the follower to a place or to the feed clock, from a person or the control."""

    CYCLE_START = "cycle start"
    HOLD = "hold"
    RESUME = "resume"
    FEED_OVERRIDE = "feed override"  # value: percent
    RAPID_OVERRIDE = "rapid override"  # value: percent
    POSITION = "position"  # place: what was read off, NaN for an axis not read
    LINE = "line"  # value: line in the file, as the control gives it
    PROGRAM_END = "program end"
    SPINDLE_ON = "spindle on"
    SPINDLE_OFF = "spindle off"
    SPINDLE_SPEED = "spindle speed"  # value: rpm, as the control gives it
    TOOL = "tool"  # value: number of the tool in the spindle, as the control gives it
    PROGRAM = "program"  # text: as the control calls it
    WORK_OFFSET = "work offset"  # text: the one in force, as the control gives it
    BEEP = "beep"  # of a page; value: how long the ear passes over the sound [s]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One observation of a witness.

    Attributes
    ----------
    at : int
        [samples]
    kind : MarkKind
    source : str
        "operator", "controller", "job".
    value : float
        As the kind says; NaN where it has none.
    place : (x, y, z)
        Work coordinates [mm]; NaN for what is not known.
    text : str
        As the kind says; "" where it has none.
    """

    at: int
    kind: MarkKind
    source: str
    value: float = float("nan")
    place: Place = (float("nan"), float("nan"), float("nan"))
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What the person saw in a hold; never mixed with what was heard."""

    at: int
    contact: int | None
    text: str
    place: Place = (float("nan"), float("nan"), float("nan"))
