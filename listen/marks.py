"""What the person or the control says of the run: marks that tie it to its program, and looks."""

from dataclasses import dataclass
from enum import StrEnum

from listen.lengths import Place


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
