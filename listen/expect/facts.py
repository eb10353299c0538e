"""What a program tells about its own set-up: units, tools, offsets, reach, material."""

import re
from dataclasses import dataclass

import numpy as np

from listen.expect.materials import MATERIALS
from listen.program.facts import move_extents
from listen.program.moves import Program
from listen.program.near import MOVING
from listen.spans import SpanKind

_COMMENT = re.compile(r"\(([^)]*)\)|;(.*)$")
_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
_BY_SIZE = r"(?:END\s*MILL|FACE\s*MILL|(?<!SPOT )(?<!CENTER )(?<!CENTRE )DRILL|REAMER)"
_KINDS = (
    ("thread mill", r"thread\s*mill"),
    ("tap", r"\btap\b"),
    ("reamer", r"\bream"),
    ("spot drill", r"spot|cent(?:er|re)\s*drill"),
    ("drill", r"drill"),
    ("chamfer mill", r"chamfer"),
    ("ball end mill", r"\bball"),
    ("bull nose end mill", r"bull|corner\s*rad"),
    ("face mill", r"face\s*mill|facemill|shell\s*mill"),
    ("probe", r"\bprobe"),
    ("flat end mill", r"end\s*mill|flat|square|slot"),
)
_CYCLES = {"tap": {74, 84}, "drill": {73, 81, 82, 83}, "reamer": {85}}  # RS-274/NGC and common controls


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolFact:
    """What the program says of one tool; None where it does not.

    Lengths are in the program's units.
    """

    number: int
    kind: str | None
    diameter: float | None
    flutes: int | None
    pitch: float | None
    comment: str
    first_line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What a program tells, lengths in its own units.

    Attributes
    ----------
    program : str
        File name.
    units : str
        "mm" or "inch".
    offsets : tuple of str
        Work offsets used, the first first.
    tools : tuple of ToolFact
        Those that feed.
    low, high : tuple of float
        Reach of the tool's tip in feed moves, arcs with their bulge, X Y Z.
    deepest : float
        Lowest Z of all moves whose place is known, rapids too.
    material : str
        A name found in the comments, "" where none.
    """

    program: str
    units: str
    offsets: tuple[str, ...]
    tools: tuple[ToolFact, ...]
    low: tuple[float, float, float]
    high: tuple[float, float, float]
    material: str
    deepest: float

    def lowest_above(self, floor: float) -> str:
        """How far the deepest place is from the stock's underside, in words."""
        distance = self.deepest - floor
        side = "above" if distance >= 0.0 else "BELOW"
        return f"{abs(distance):g} {side} the underside"


def read_facts(program: Program) -> Facts:
    """Gather what the program itself says about its set-up."""
    units = program_units(program.listing)
    scale = 25.4 if units == "inch" else 1.0
    moves = program.moves
    feeding = np.isin(moves["kind"], (int(SpanKind.FEED), int(SpanKind.RIGID)))
    feeding &= np.isfinite(moves["end"]).all(axis=1)
    lows, highs = (extent / scale for extent in move_extents(moves))
    low = lows[feeding].min(axis=0) if feeding.any() else np.zeros(3)
    high = highs[feeding].max(axis=0) if feeding.any() else np.zeros(3)
    moving = np.isin(moves["kind"], MOVING) & np.isfinite(lows[:, 2])
    used = dict.fromkeys(int(i) for i in moves["offset"][feeding])
    numbers = dict.fromkeys(int(t) for t in moves["tool"][feeding])
    return Facts(
        program=program.path.name if program.path is not None else program.name,
        units=units,
        offsets=tuple(program.offset_names[i] for i in used) or ("G54",),
        tools=tuple(_tool_fact(n, program, units) for n in numbers),
        low=(float(low[0]), float(low[1]), float(low[2])),
        high=(float(high[0]), float(high[1]), float(high[2])),
        material=_material(program.listing),
        deepest=float(lows[moving, 2].min()) if moving.any() else 0.0,
    )


def program_units(listing: tuple[str, ...]) -> str:
    """Unit that a program says first, "mm" where it says none."""
    for line in listing:
        found = re.search(r"G\s*0*(20|21)(?![\d.])", _COMMENT.sub("", line).upper())
        if found:
            return "inch" if found.group(1) == "20" else "mm"
    return "mm"


def _comments(line: str) -> str:
    return " ".join(a or b for a, b in _COMMENT.findall(line)).strip()


def _material(listing: tuple[str, ...]) -> str:
    text = " ".join(_comments(line) for line in listing[:60]).lower()
    names = sorted((name for row in MATERIALS for name in row.names), key=len, reverse=True)
    for name in names:
        if re.search(rf"\b{re.escape(name)}\b", text):
            return name
    for alloy in ("6061", "6082", "7075", "2024"):
        if alloy in text:
            return f"aluminium {alloy}"
    for grade, name in (("4140", "steel 4140"), ("1018", "steel 1018"), ("316", "stainless 316")):
        if re.search(rf"\b{grade}\b", text):
            return name
    return ""


def _tool_fact(number: int, program: Program, units: str) -> ToolFact:
    comment = _comment_of(number, program.listing)
    moves = program.moves
    line = int(moves["line"][moves["tool"] == number][0])
    kind = next((kind for kind, pattern in _KINDS if re.search(pattern, comment.lower())), None)
    return ToolFact(
        number=number,
        kind=kind or _kind_by_cycles(number, program),
        diameter=diameter_in(comment, units),
        flutes=_flutes_in(comment),
        pitch=pitch_in(comment, units) if kind == "tap" else None,
        comment=comment,
        first_line=line,
    )


def _kind_by_cycles(number: int, program: Program) -> str | None:
    """What a tool must be that feeds in cycles of one kind alone; None for any other."""
    moves = program.moves
    feeding = np.isin(moves["kind"], (int(SpanKind.FEED), int(SpanKind.RIGID))) & (moves["tool"] == number)
    cycles = set(moves["cycle"][feeding].tolist())
    return next((kind for kind, own in _CYCLES.items() if cycles and cycles <= own), None)


def _comment_of(number: int, listing: tuple[str, ...]) -> str:
    """The comment that names a tool, or the one beside its call."""
    named = re.compile(rf"(?<![A-Z0-9])T\s*0*{number}(?![\d.])")
    called = re.compile(rf"(?<![A-Z])T\s*0*{number}(?![\d.])")
    for line in listing:
        comment = _comments(line)
        if named.search(comment.upper()):
            return comment
    for index, line in enumerate(listing):
        if called.search(_COMMENT.sub("", line).upper()):
            near = [_comments(line), *(_comments(other) for other in listing[max(0, index - 1) : index])]
            near += [_comments(other) for other in listing[index + 1 : index + 2]]
            return next((comment for comment in near if comment), "")
    return ""


def diameter_in(comment: str, units: str) -> float | None:
    """Diameter that a comment gives, in the program's units.

    Examples
    --------
    >>> diameter_in("T1 D=12. FLAT END MILL", "mm"), diameter_in("1/2 IN END MILL", "inch")
    (12.0, 0.5)
    >>> diameter_in("FLAT END MILL 16, 3 FLUTES", "mm"), diameter_in("END MILL 3 FLUTES", "mm")
    (16.0, None)
    >>> diameter_in("6 MM DRILL", "inch")
    0.236220...
    """
    text = comment.upper()
    fraction = re.search(r"(\d+)/(\d+)\s*(?:\"|IN)?", text)
    if fraction and int(fraction.group(2)):
        inches = int(fraction.group(1)) / int(fraction.group(2))
        return inches if units == "inch" else inches * 25.4
    metric = re.search(rf"{_NUMBER}\s*MM\b", text)
    if metric:
        return float(metric.group(1)) / (25.4 if units == "inch" else 1.0)
    inch = re.search(rf"{_NUMBER}\s*(?:\"|IN(?:CH)?\b)", text)
    if inch:
        return float(inch.group(1)) * (1.0 if units == "inch" else 25.4)
    named = re.search(rf"(?:\bD(?:IA(?:METER|\.)?)?\s*[=:]?\s*|Ø\s*){_NUMBER}", text)
    if named:
        return float(named.group(1))
    beside = re.search(rf"{_BY_SIZE}\s+{_NUMBER}(?![\d.])(?!\s*(?:FL|TEETH|TOOTH|DEG|°))", text)
    before = re.search(rf"(\d*\.\d*)\s*(?:FLAT|BALL|SQUARE)?\s*{_BY_SIZE}", text)
    sized = beside or before
    if sized:
        return float(sized.group(1))
    plain = re.search(rf"\bM{_NUMBER}(?=\s*(?:X|TAP|\b))", text)
    return float(plain.group(1)) / (25.4 if units == "inch" else 1.0) if plain else None


def pitch_in(comment: str, units: str) -> float | None:
    """Pitch of a thread that a comment gives, in the program's units: of "M6 X 1.0", or threads per inch.

    Examples
    --------
    >>> pitch_in("TAP M6 X 1.0", "mm"), pitch_in("1/4-20 TAP", "inch"), pitch_in("TAP M6", "mm")
    (1.0, 0.05, None)
    """
    text = comment.upper()
    metric = re.search(rf"\bM{_NUMBER}\s*X\s*{_NUMBER}", text)
    if metric:
        return float(metric.group(2)) / (25.4 if units == "inch" else 1.0)
    threads = re.search(r"(?:\d/\d+|#\d+|\b\d+)\s*-\s*(\d{1,2})\b", text)
    if threads and int(threads.group(1)):
        return (1.0 if units == "inch" else 25.4) / int(threads.group(1))
    return None


def _flutes_in(comment: str) -> int | None:
    found = re.search(r"\b(\d{1,2})\s*(?:FL|FLUTES?|TEETH|TOOTH)\b|\bZ\s*=?\s*(\d{1,2})\b", comment.upper())
    return int(found.group(1) or found.group(2)) if found else None
