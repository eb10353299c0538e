"""One contact that a program should make between tool and work, and the pass it belongs to.

Conventions
-----------
Time is in seconds at 100 % override from program start; lengths are in millimetres, places in
work coordinates.
"""

from dataclasses import dataclass
from enum import StrEnum

from listen.errors import InputError
from listen.lengths import Place
from listen.where import said_block


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
