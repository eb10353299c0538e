"""How a control reads what the standards leave open."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from listen.errors import InputError
from listen.job import nearest

CHOICES: dict[str, tuple[str, ...]] = {
    "dwell_unit": ("s", "ms"),
    "whole_numbers": ("as written", "thousandths"),
    "units": ("mm", "inch"),
    "offset_register": ("radius", "wear"),
    "unset_variables": ("error", "zero"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """Settings of the reader; the defaults are those of RS-274/NGC where it says anything.

    Attributes
    ----------
    dwell_unit : str
        Unit of P in G4: "s" or "ms". X and U in G4 are always seconds.
    whole_numbers : str
        "as written": X100 is 100. "thousandths": a length without a decimal point counts
        in thousandths of a millimetre (ten-thousandths of an inch), so X100 is 0.1 mm.
    units : str
        In force before the first G20 or G21.
    offset_register : str
        What the D register of G41 and G42 holds: "radius" of the tool, or only its "wear"
        (then the programmed path is the tool's centre).
    unset_variables : str
        A variable that the program reads but never sets: an "error", or "zero".
    variables : mapping
        Values of variables that live in the control, by number as text: {"500" = 3.2}.
    block_delete, optional_stop : bool
        The switches on the panel: lines with "/" are skipped; M1 stops.
    arc_tolerance_mm, arc_warning_mm : float
        How far the two radii of an arc may differ before it is refused, and before it is
        noted. RS-274/NGC refuses above 0.002 mm; common controls take more.
    tool_change_keeps_place : bool
        False: after M6 the height is unknown until the next absolute Z.
    tool_change_by_hand : bool
        M6 waits for a person.
    peck_clearance_mm : float
        Where the rapid of G83 ends above the last depth, and the pull-back of G73.
    max_blocks, max_moves, max_calls : int
        Where a program that never ends is given up.
    """

    dwell_unit: str = "s"
    whole_numbers: str = "as written"
    units: str = "mm"
    offset_register: str = "radius"
    unset_variables: str = "error"
    variables: Mapping[str, float] = field(default_factory=dict)
    block_delete: bool = False
    optional_stop: bool = True
    arc_tolerance_mm: float = 0.05
    arc_warning_mm: float = 0.002
    arc_centre_absolute: bool = False
    tool_change_keeps_place: bool = False
    tool_change_by_hand: bool = False
    length_offset_at_tool_call: bool = False
    peck_clearance_mm: float = 0.254
    max_blocks: int = 1_000_000
    max_moves: int = 4_000_000
    max_calls: int = 20

    def __post_init__(self) -> None:
        for name, choices in CHOICES.items():
            if getattr(self, name) not in choices:
                raise InputError(f"dialect {name} must be one of {choices}, got {getattr(self, name)!r}")
        for name in ("arc_tolerance_mm", "arc_warning_mm", "peck_clearance_mm"):
            if not 0.0 <= getattr(self, name) < float("inf"):
                raise InputError(f"dialect {name} must be 0 or more [mm], got {getattr(self, name)}")
        for name in ("max_blocks", "max_moves", "max_calls"):
            if not getattr(self, name) >= 1:
                raise InputError(f"dialect {name} must be 1 or more, got {getattr(self, name)}")


def dialect_from(table: Mapping[str, Any], **known: Any) -> Dialect:
    """The dialect of a job's ``[machine.dialect]`` table, over what is known otherwise.

    Raises
    ------
    InputError
        For a key that no dialect has, or a value it cannot have.
    """
    names = [f.name for f in fields(Dialect)]
    for key in table:
        if key not in names:
            raise InputError(
                f"[machine] dialect has an unknown key {key!r}{nearest(key, names)}; "
                f"known are {', '.join(names)}"
            )
    return Dialect(**{**known, **table})
