"""What stays in force from line to line, and what a program should say of it itself."""

import math
from dataclasses import dataclass

ESSENTIAL = ("units", "plane", "distance", "work offset")
SAFE_LINE = {
    "units": "the units (G20 or G21)",
    "plane": "the plane (G17)",
    "distance": "absolute or incremental (G90 or G91)",
    "work offset": "the work offset (G54 …)",
    "cutter compensation": "G40",
    "tool length": "G49 or G43",
    "cycle off": "G80",
}
FOR_A_TOOL = {
    "distance": "absolute or incremental (G90)",
    "work offset": "work offset (G54 …)",
    "tool length": "length offset (G43 H)",
    "speed": "speed (S)",
    "spindle": "spindle start (M3)",
}


@dataclass(slots=True)
class Cycle:
    """Sticky words of a canned cycle [mm, s]."""

    retract: float = math.nan
    depth: float = math.nan
    dwell: float = 0.0
    peck: float = math.nan
    shift: tuple[float, float] = (0.0, 0.0)
    start: float = math.nan  # height along the cycle's axis before the first cycle


@dataclass(slots=True)
class Modal:
    """What stays in force from line to line."""

    units: float = 1.0
    absolute: bool = True
    arc_centre_absolute: bool = False
    plane: int = 2
    motion: int | None = None
    straight: int = 0  # G0 or G1 (10), what was in force before the motion that is now
    feed_mode: int = 94
    feed: float = math.nan
    speed: float = 0.0
    surface_speed: bool = False
    spindle: int = 0
    coolant: bool = False
    compensation: int = 40
    compensation_radius: float = math.nan
    compensation_left: bool = True
    compensation_number: int = 0
    length_offset: int = 0
    offset: str = "G54"
    exact: bool = False
    return_to_start: bool = True
    overrides: bool = True
    hold_obeyed: bool = True
    tool: int = 0
    next_tool: int = 0
    polar: bool = False
