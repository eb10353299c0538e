"""One run as it is read back: what was expected, heard, seen and said."""

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from listen.blocks import Gap, LoadSample, SourceClock, SourceState
from listen.errors import InputError
from listen.followed import Position, Strength, VerdictKind
from listen.marks import Look, Mark
from listen.record.spectrum import Picture
from listen.states import ContactSound, Event, Finding, State
from listen.timeline import Timeline
from listen.told import Cue, Flag


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Half-open stretch of the recording [samples]."""

    onset: int
    offset: int

    def __post_init__(self) -> None:
        if not 0 <= self.onset <= self.offset:
            raise InputError(f"a stretch needs 0 <= onset <= offset, got {self.onset} and {self.offset}")


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveCall:
    """The verdict that was called while it happened."""

    verdict: VerdictKind
    called_at: int
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunContact:
    """What became of one contact; `line`, `block` and `expected` are None for an unexpected one.

    Attributes
    ----------
    id : int
        Of the expected contact; unexpected ones are counted on from the last.
    expected, heard : Stretch | None
        `heard` is refined after the whole run; None where nothing was heard.
    verdict, strength, probability
        By all that was heard.
    reveals : str
        What the contact can reveal of a wrong set-up.
    early_by_mm : float | None
        Only with a `witness`.
    live : LiveCall | None
        What was called at the time.
    """

    id: int
    tool: int | None
    line: int | None
    block: str | None
    expected: Stretch | None
    heard: Stretch | None
    verdict: VerdictKind
    strength: Strength
    probability: float
    reveals: str
    early_by_mm: float | None
    witness: str
    live: LiveCall | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHold:
    """A hold point of the sheet, where it came in the recording."""

    contact: int
    line: int
    how: str
    start: int
    stop: int
    travel_mm: float
    clear_mm: float
    time_to_press_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """A program as it was run: file name and lines."""

    name: str
    lines: tuple[str, ...]


MADE = "preview: made sound, nothing was heard"  # the source of a preview


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHeader:
    """What is known of a run before its first sound.

    Attributes
    ----------
    rate : int
        Samples a second of the stream, in which all times count [Hz].
    started : str
        Date and time as ISO 8601 with zone, "" where not known (a recording of unknown age).
    source : str
        Microphone or file name, for a person.
    kind : str
        "raised dry run", "first cut", "repeat", or "" without a job.
    program, material, machine : str
        "" where not known.
    tools : tuple of int
        Numbers of the tools that the sheet uses.
    sound : str
        Name of the sound file in the folder, "" where none is kept.
    sound_rate : int
        Rate of that file [Hz].
    """

    rate: int
    started: str = ""
    source: str = ""
    kind: str = ""
    program: str = ""
    material: str = ""
    machine: str = ""
    tools: tuple[int, ...] = ()
    sound: str = ""
    sound_rate: int = 0

    def __post_init__(self) -> None:
        if not self.rate >= 8000:
            raise InputError(f"sample rate must be at least 8000 Hz, got {self.rate}")

    @property
    def is_made(self) -> bool:
        """Whether it is a preview: its sound was made, and nothing of it was heard."""
        return self.source == MADE

    @property
    def of_made_sound(self) -> bool:
        """Whether its sound was made, and not heard at a machine: a preview, or a replay of one."""
        return self.source.endswith(MADE)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """One listening from start to stop.

    Attributes
    ----------
    folder : Path
    header : RunHeader
    duration : int
        Length of the recording [samples].
    complete : bool
        False where the run was cut off (power, crash, full disk) and read from its lines.
    problem : str
        Why recording stopped early, "" where it did not.
    events, refined : tuple of Event
        As confirmed live; as known after the whole run ("" where it was cut off).
    contacts, holds, looks, flags, positions
        As in run.json.
    gaps, loads, marks, cues, findings, sounds
        As they came.
    timeline : Timeline | None
        The sheet, None without a job.
    listings : tuple of Listing
    clocks, sources : tuple of SourceClock, tuple of SourceState
        How other clocks lay to the sound's; when a source beside the sound came or went.
    picture : Picture | None
        Of the sound, where it was made while the sound passed by; it is in no file.
    """

    folder: Path
    header: RunHeader
    duration: int
    complete: bool
    problem: str
    events: tuple[Event, ...]
    refined: tuple[Event, ...]
    contacts: tuple[RunContact, ...]
    holds: tuple[RunHold, ...]
    looks: tuple[Look, ...]
    flags: tuple[Flag, ...]
    positions: tuple[Position, ...]
    gaps: tuple[Gap, ...]
    loads: tuple[LoadSample, ...]
    marks: tuple[Mark, ...]
    cues: tuple[Cue, ...]
    findings: tuple[Finding, ...]
    sounds: tuple[ContactSound, ...]
    timeline: Timeline | None
    listings: tuple[Listing, ...]
    clocks: tuple[SourceClock, ...] = ()
    sources: tuple[SourceState, ...] = ()
    picture: Picture | None = None

    @property
    def rate(self) -> int:
        """Samples a second of the stream [Hz]."""
        return self.header.rate

    @property
    def sound_path(self) -> Path | None:
        """The recorded sound, None where none was kept or it is gone."""
        path = self.folder / self.header.sound if self.header.sound else None
        return path if path is not None and path.is_file() else None

    @property
    def heard(self) -> tuple[Event, ...]:
        """The refined events where there are any, else those decided live."""
        return self.refined or self.events

    @property
    def heard_contacts(self) -> tuple[tuple[Event, Event], ...]:
        """Start and end of each contact that was heard, in order."""
        edges = [event for event in self.heard if event.state in (State.ENTRY, State.AIR)]
        return tuple((a, b) for a, b in pairwise(edges) if (a.state, b.state) == (State.ENTRY, State.AIR))
