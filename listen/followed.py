"""Where the run is believed to be in its program, and what became of each contact.

Conventions
-----------
Time in the recording is in samples, time along the program in seconds at 100 % override.
"""

from dataclasses import dataclass
from enum import StrEnum

from listen.errors import InputError


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
