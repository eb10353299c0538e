"""What is always shown of a program: size, checksum, reach, lowest Z and restart lines."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.lengths import Place
from listen.program.frame import plane_axes
from listen.program.moves import Program, ToolUse
from listen.program.path import TimedPath
from listen.spans import Spans

PLACED = ("begin", "end", "centre", "sweep", "axis")
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LowestZ:
    """How deep one tool ever goes [mm, work coordinates], and in which line of which file first."""

    tool: int
    z: float
    line: int
    file: int
    offset: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Box of the known places of the tool's tip under one work offset [mm, its coordinates]."""

    offset: str
    low: Place
    high: Place


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramFacts:
    """What tells one program from another, and how far it reaches.

    Attributes
    ----------
    n_bytes, n_lines, checksum
        Of the main file; SHA-256, hexadecimal. An edit at the control changes them.
    first_line, last_line : str
        The first and last line that are not empty.
    low, high : (x, y, z)
        Box of all known places of the tool's tip [mm], whatever the work offset; NaN where none is known.
    reaches : tuple of Reach
        The same for each work offset that has a known place, in the order of use.
    lowest : tuple of LowestZ
        For each tool and work offset, in the order of use.
    restarts : tuple of ToolUse
        Where each tool comes in, and what a restart there would take for granted.
    duration_s : float
        At 100 % override, waits counted as 0.
    ended_by : str
        "M30" and the like; "end of file" where nothing ends the program.
    """

    n_bytes: int
    n_lines: int
    checksum: str
    first_line: str
    last_line: str
    low: Place
    high: Place
    reaches: tuple[Reach, ...]
    lowest: tuple[LowestZ, ...]
    restarts: tuple[ToolUse, ...]
    duration_s: float
    ended_by: str


def program_facts(program: Program, path: TimedPath) -> ProgramFacts:
    """Facts of a program and its timed path."""
    low, high = span_extents(path.spans)
    filled = [line.strip() for line in (*program.listing[:50], *program.listing[-50:]) if line.strip()]
    return ProgramFacts(
        n_bytes=program.n_bytes,
        n_lines=len(program.listing),
        checksum=program.checksum,
        first_line=filled[0] if filled else "",
        last_line=filled[-1] if filled else "",
        low=_least(low),
        high=_greatest(high),
        reaches=_reaches(path, low, high),
        lowest=_lowest(path, low[:, 2]),
        restarts=program.tool_uses,
        duration_s=float(path.spans.stop_s[-1]) if len(path.spans) else 0.0,
        ended_by=program.ended_by,
    )


def span_extents(spans: Spans) -> tuple[Floats, Floats]:
    """Box of each span, arcs with their bulge; NaN where neither end is known.

    Returns
    -------
    low, high : ndarray, shape (n_spans, 3)
        [mm]
    """
    return _extents({name: getattr(spans, name) for name in PLACED})


def move_extents(moves: NDArray[np.void]) -> tuple[Floats, Floats]:
    """The same of each move of a program as read."""
    return _extents({name: moves[name] for name in PLACED})


def _extents(placed: Mapping[str, Any]) -> tuple[Floats, Floats]:
    low, high = np.fmin(placed["begin"], placed["end"]), np.fmax(placed["begin"], placed["end"])
    arcs = np.flatnonzero(placed["sweep"] != 0.0)
    for axis in range(3):
        of_axis = arcs[placed["axis"][arcs] == axis]
        if of_axis.size:
            _bulge(placed, of_axis, axis, low, high)
    return low, high


def _bulge(placed: Mapping[str, Any], arcs: NDArray[np.int64], axis: int, low: Floats, high: Floats) -> None:
    a, b = plane_axes(axis)
    centre = placed["centre"]
    out = placed["begin"][arcs] - centre[arcs]
    radius = np.hypot(out[:, a], out[:, b])
    start = np.arctan2(out[:, b], out[:, a])
    sweep = placed["sweep"][arcs]
    for quarter, (letter, sign) in enumerate(((a, 1.0), (b, 1.0), (a, -1.0), (b, -1.0))):
        ahead = np.mod((quarter * np.pi / 2.0 - start) * np.sign(sweep), 2.0 * np.pi)
        passed = arcs[ahead <= np.abs(sweep)]
        reach = centre[passed, letter] + sign * radius[ahead <= np.abs(sweep)]
        if sign > 0.0:
            high[passed, letter] = np.fmax(high[passed, letter], reach)
        else:
            low[passed, letter] = np.fmin(low[passed, letter], reach)


def _lowest(path: TimedPath, z: Floats) -> tuple[LowestZ, ...]:
    known = np.flatnonzero(np.isfinite(z))
    found: dict[tuple[int, int], LowestZ] = {}
    keys = np.stack([path.spans.tool[known], path.offset[known]], axis=1) if known.size else np.empty((0, 2))
    for tool, offset in dict.fromkeys(map(tuple, np.unique(keys, axis=0).astype(int).tolist())):
        mine = known[(path.spans.tool[known] == tool) & (path.offset[known] == offset)]
        at = mine[int(np.argmin(z[mine]))]
        found[(tool, offset)] = LowestZ(
            tool=tool,
            z=float(z[at]),
            line=int(path.spans.line[at]),
            file=int(path.file[at]),
            offset=path.offset_names[offset],
        )
    first = {
        key: int(np.flatnonzero((path.spans.tool == key[0]) & (path.offset == key[1]))[0]) for key in found
    }
    return tuple(found[key] for key in sorted(found, key=lambda key: first[key]))


def _reaches(path: TimedPath, low: Floats, high: Floats) -> tuple[Reach, ...]:
    known = np.isfinite(low).any(axis=1)
    used, first = np.unique(path.offset[known], return_index=True)
    found = []
    for index in used[np.argsort(first)].tolist():
        mine = known & (path.offset == index)
        name = path.offset_names[index]
        found.append(Reach(offset=name, low=_least(low[mine]), high=_greatest(high[mine])))
    return tuple(found)


def _least(values: Floats) -> Place:
    x, y, z = (_or_nan(values[:, i], np.min) for i in range(3))
    return (x, y, z)


def _greatest(values: Floats) -> Place:
    x, y, z = (_or_nan(values[:, i], np.max) for i in range(3))
    return (x, y, z)


def _or_nan(values: Floats, function: "np.ufunc | object") -> float:
    known = values[np.isfinite(values)]
    return float(function(known)) if known.size and callable(function) else float("nan")
