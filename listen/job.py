"""The job: program, stock, tools and machine, as a run needs to know them beforehand.

Conventions
-----------
Lengths are millimetres and feeds mm/min, whatever the file's unit.
"""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from listen.errors import InputError
from listen.lengths import Place

MM_PER_INCH = 25.4
KINDS_OF_RUN = ("raised dry run", "first cut", "repeat")
KINDS_OF_TOOL = (
    "flat end mill",
    "ball end mill",
    "bull nose end mill",
    "face mill",
    "drill",
    "spot drill",
    "chamfer mill",
    "reamer",
    "tap",
    "thread mill",
    "probe",
    "other",
)
RAPID_PATHS = ("straight", "each axis")
REACTION_S = 0.5  # of people who expect the sound, 95th percentile and not a laboratory's median
SURPRISE_S = 1.0  # the same by surprise


def nearest(word: str, words: Iterable[str]) -> str:
    """A question naming the nearest right spelling, "" where nothing is near."""
    near = difflib.get_close_matches(word, list(words), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A box in work coordinates [mm]."""

    low: Place
    high: Place

    def __post_init__(self) -> None:
        if not all(a < b for a, b in zip(self.low, self.high, strict=True)):
            raise InputError(f"a box needs min below max on each axis, got {self.low} and {self.high}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cylinder:
    """An upright cylinder in work coordinates [mm]."""

    centre: tuple[float, float]
    diameter: float
    low_z: float
    high_z: float

    def __post_init__(self) -> None:
        if not (self.diameter > 0.0 and self.low_z < self.high_z):
            raise InputError(
                f"a cylinder needs a diameter above 0 and z as [low, high], "
                f"got {self.diameter} and [{self.low_z}, {self.high_z}]"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Mesh:
    """Stock from a mesh file; `scale` turns its unit into mm."""

    path: Path
    scale: float


@dataclass(frozen=True, slots=True, kw_only=True)
class After:
    """Stock as an earlier job leaves it."""

    path: Path


Shape = Box | Cylinder | Mesh | After


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Name as written, and the cutting constants where the job gives its own.

    Attributes
    ----------
    name : str
        "" where the job does not say.
    kc11 : float | None
        Specific cutting force at 1 mm chip thickness [N/mm²].
    mc : float | None
        Its exponent.
    """

    name: str = ""
    kc11: float | None = None
    mc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """The stock under one work offset.

    Attributes
    ----------
    offset : str
        "G54" … "G59.3", "G54.1 P1" …
    stock : Box | Cylinder | Mesh | After
    zero : (x, y, z)
        Where this offset's zero lies in the coordinates of the first set-up [mm]; 0, 0, 0
        where there is one set-up.
    """

    offset: str
    stock: Shape
    zero: Place = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOut:
    """A box that neither tool nor holder may enter: vice jaws, clamps, fixture [mm]."""

    name: str
    box: Box


@dataclass(frozen=True, slots=True, kw_only=True)
class Tool:
    """One cutter [mm]; None means not given, and what follows from it is not checked."""

    number: int
    kind: str
    diameter: float
    flutes: int | None = None
    corner_radius: float | None = None
    point_angle_deg: float | None = None
    cutting_length: float | None = None
    stick_out: float | None = None
    holder_diameter: float | None = None
    edge_radius: float | None = None
    pitch: float | None = None
    h: int | None = None
    d: int | None = None
    name: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS_OF_TOOL:
            raise InputError(
                f"tool {self.number}: kind must be one of {', '.join(KINDS_OF_TOOL)}; "
                f"got {self.kind!r}{nearest(self.kind, KINDS_OF_TOOL)}"
            )
        if not 0.0 < self.diameter < float("inf"):
            raise InputError(f"tool {self.number}: diameter must be above 0, got {self.diameter}")
        if self.flutes is not None and not self.flutes >= 1:
            raise InputError(f"tool {self.number}: flutes must be 1 or more, got {self.flutes}")
        for name in ("cutting_length", "stick_out", "holder_diameter", "edge_radius", "pitch"):
            value = getattr(self, name)
            if value is not None and not 0.0 < value < float("inf"):
                raise InputError(f"tool {self.number}: {name} must be above 0, got {value}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """What the machine does by itself; the defaults are those of an ordinary vertical mill.

    Attributes
    ----------
    name : str
        What the shop calls it, "" where nobody said; runs are found by it.
    rapid_mm_per_min : float
    rapid_path : str | None
        "straight", "each axis", or None where not given: then both are checked.
    acceleration_m_per_s2, jerk_m_per_s3 : float
    spindle_power_kw, spindle_base_rpm, spindle_max_rpm : float | None
    tool_change_s, spindle_start_s : float
        How long these take [s].
    """

    name: str = ""
    rapid_mm_per_min: float = 15000.0
    rapid_path: str | None = None
    acceleration_m_per_s2: float = 1.5
    jerk_m_per_s3: float = 35.0
    spindle_power_kw: float | None = None
    spindle_base_rpm: float | None = None
    spindle_max_rpm: float | None = None
    tool_change_s: float = 6.0
    spindle_start_s: float = 2.0
    length_offset_at_tool_call: bool = False
    feed_override: float = 100.0
    rapid_override: float = 100.0
    override_steady: bool = False
    single_block: bool = False
    dwell_unit: str = "s"
    dialect: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.rapid_path is not None and self.rapid_path not in RAPID_PATHS:
            raise InputError(f"[machine] rapid_path must be one of {RAPID_PATHS}, got {self.rapid_path!r}")
        for name in ("rapid_mm_per_min", "acceleration_m_per_s2", "jerk_m_per_s3"):
            if not 0.0 < getattr(self, name) < float("inf"):
                raise InputError(f"[machine] {name} must be above 0, got {getattr(self, name)}")
        for name in ("feed_override", "rapid_override"):
            if not 0.0 <= getattr(self, name) <= 200.0:
                raise InputError(f"[machine] {name} must be 0 to 200 percent, got {getattr(self, name)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Operator:
    """The person with a hand on feed hold.

    Attributes
    ----------
    reaction_s : float
        Slow reaction to a sound that is expected, 95th percentile, as the lessons measure it [s].
        It may lengthen what the hold tables reckon with, never shorten it.
    """

    reaction_s: float = REACTION_S

    def __post_init__(self) -> None:
        if not 0.05 <= self.reaction_s <= 10.0:
            raise InputError(f"[operator] reaction_s must be 0.05 to 10 seconds, got {self.reaction_s}")

    @property
    def expected_s(self) -> float:
        """What is reckoned with where the sound is expected [s]."""
        return max(REACTION_S, self.reaction_s)

    @property
    def surprise_s(self) -> float:
        """What is reckoned with where it comes by surprise [s]."""
        return max(SURPRISE_S, 2.0 * self.reaction_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """All that a first run needs to know beforehand."""

    programs: tuple[Path, ...]
    units: str
    kind: str
    setups: tuple[Setup, ...]
    material: Material
    tools: tuple[Tool, ...]
    keep_outs: tuple[KeepOut, ...] = ()
    machine: Machine = field(default_factory=Machine)
    operator: Operator = field(default_factory=Operator)
    path: Path | None = None

    def tool(self, number: int) -> Tool | None:
        """The tool with this number, or None where the job has none."""
        return next((tool for tool in self.tools if tool.number == number), None)

    def keep_outs_under(self, offset: str) -> tuple[KeepOut, ...] | None:
        """The keep-outs in the coordinates of a work offset; None where the job does not have it."""
        zero = next((one.zero for one in self.setups if one.offset.upper() == offset.upper()), None)
        if zero is None:
            return None
        return tuple(replace(one, box=_seen_from(one.box, zero)) for one in self.keep_outs)


def _seen_from(box: Box, zero: Place) -> Box:
    (x0, y0, z0), (x1, y1, z1), (x, y, z) = box.low, box.high, zero
    return Box(low=(x0 - x, y0 - y, z0 - z), high=(x1 - x, y1 - y, z1 - z))
