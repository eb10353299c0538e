"""From moves to a timed path.

Conventions
-----------
At 100 % override, waits counted as 0. A machine with an acceleration and a jerk: it stops
at exact stops and between rapid and feed, and rounds other corners within `CORNER_MM`.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.job import Machine
from listen.program.dogleg import each_axis
from listen.program.kernels import ride_times
from listen.program.moves import Program
from listen.program.path import TimedPath
from listen.spans import SpanKind, Spans

Floats = NDArray[np.float64]
Moves = NDArray[np.void]

UNKNOWN_MOVE_S = 1.0  # a move to or from a place that is not known: a usual length, not a measured one
NO_FEED_MM_PER_MIN = 100.0  # taken where the program gives none; the checks say so
USUAL_TOP_RPM = 8000.0  # of a spindle whose job does not say; common practice, no source
CORNER_MM = 0.02  # how far from a programmed corner a control may pass
MOVING = (int(SpanKind.RAPID), int(SpanKind.FEED), int(SpanKind.RIGID))


def time_program(program: Program, machine: Machine) -> TimedPath:
    """When each move happens, at 100 % override and with waits counted as 0.

    Parameters
    ----------
    program : Program
    machine : Machine
        Rapid, acceleration, jerk, and the times of tool change and spindle start. With
        ``rapid_path = "each axis"`` a rapid becomes one span for each axis that arrives.
    """
    moves = program.moves
    seconds = _durations(moves, machine)
    if machine.rapid_path == "each axis":
        moves, seconds = each_axis(moves, seconds)
    stop = np.cumsum(seconds)
    start = np.concatenate([[0.0], stop[:-1]]) if stop.size else stop.copy()
    return _path(program, moves, start, stop)


def at_override(path: TimedPath, *, feed_percent: float, rapid_percent: float) -> TimedPath:
    """The same path with feed and rapid moves slower or faster, all else at its own time.

    Raises
    ------
    InputError
        For an override outside 0 to 200, or 0 where such moves are.
    """
    spans = path.spans
    seconds = spans.stop_s - spans.start_s
    for kind, name, percent in (
        (SpanKind.RAPID, "rapid", rapid_percent),
        (SpanKind.FEED, "feed", feed_percent),
    ):
        which = spans.kind == kind
        if not 0.0 < percent <= 200.0 and bool(which.any()):
            raise InputError(f"{name} override must be above 0 and at most 200 percent, got {percent}")
        seconds = np.where(which, seconds * 100.0 / max(percent, 1e-9), seconds)
    stop = np.cumsum(seconds)
    start = np.concatenate([[0.0], stop[:-1]]) if stop.size else stop.copy()
    return replace(path, spans=replace(spans, start_s=start, stop_s=stop))


def path_lengths(moves: Moves) -> Floats:
    """Length of each move along its path, helices included [mm]; unknown axes count 0."""
    step = np.nan_to_num(moves["end"] - moves["begin"])
    straight: Floats = np.sqrt(np.sum(step * step, axis=1))
    arcs = np.flatnonzero(moves["sweep"] != 0.0)
    if arcs.size:
        turned = _radii(moves[arcs]) * np.abs(moves["sweep"][arcs])
        straight[arcs] = np.hypot(turned, step[arcs, moves["axis"][arcs]])
    return straight


def _radii(arcs: Moves) -> Floats:
    apart = arcs["begin"] - arcs["centre"]
    apart[np.arange(arcs.size), arcs["axis"]] = 0.0
    radii: Floats = np.sqrt(np.sum(apart * apart, axis=1))
    return radii


def _durations(moves: Moves, machine: Machine) -> Floats:
    seconds: Floats = np.maximum(np.nan_to_num(moves["seconds"]), 0.0)
    asked = moves["seconds"] < 0.0
    kind = moves["kind"]
    seconds[asked & (kind == SpanKind.TOOL_CHANGE)] = machine.tool_change_s
    seconds[asked & (kind == SpanKind.UNKNOWN)] = UNKNOWN_MOVE_S
    turning = asked & (kind == SpanKind.SPINDLE)
    seconds[turning] = _spindle_seconds(moves, np.flatnonzero(turning), machine)
    moving = np.isin(kind, MOVING)
    lost = moving & ~np.isfinite(moves["end"] - moves["begin"]).all(axis=1)
    rode = moving & _ride(moves, machine, moving, seconds)
    unknown_now = lost & ~rode & (kind == SpanKind.RAPID)
    seconds[unknown_now] = UNKNOWN_MOVE_S
    return seconds


def _spindle_seconds(moves: Moves, at: NDArray[np.int64], machine: Machine) -> Floats:
    """A start takes `spindle_start_s`, a change its share; machines do not wait for a stop.

    A tap's reversal waits for nothing but the spindle itself: its share is that of the spindle's top speed.
    """
    rpm, before_it = moves["rpm"], np.maximum(at - 1, 0)
    now = rpm[at]
    before = np.where(at > 0, rpm[before_it], 0.0)
    top = np.maximum(np.maximum(np.abs(now), np.abs(before)), 1e-9)
    tapping = (moves["kind"][before_it] == SpanKind.RIGID) & (now * before < 0.0)
    top = np.where(tapping, np.maximum(top, machine.spindle_max_rpm or USUAL_TOP_RPM), top)
    share = np.where(now == 0.0, 0.0, np.minimum(np.abs(now - before) / top, 2.0))
    result: Floats = machine.spindle_start_s * share
    return result


def _ride(moves: Moves, machine: Machine, moving: NDArray[np.bool_], seconds: Floats) -> NDArray[np.bool_]:
    """Fill in the times of all moves that have a length; gives which these are."""
    lengths = path_lengths(moves)
    rapid = moves["kind"] == SpanKind.RAPID
    if rapid.any():  # every axis within its own rapid: the longest way decides
        lengths[rapid] = np.abs(np.nan_to_num(moves["end"][rapid] - moves["begin"][rapid])).max(axis=1)
    rides: NDArray[np.bool_] = moving & (lengths > 1e-9)
    index = np.flatnonzero(rides)
    acceleration, jerk = machine.acceleration_m_per_s2 * 1e3, machine.jerk_m_per_s3 * 1e3
    limits = _limits(moves[index], machine, rapid[index], acceleration)
    joints = _joints(moves, index, rapid, limits, acceleration)
    seconds[index] = ride_times(lengths[index], limits, joints, acceleration, jerk)
    return rides


def _limits(moves: Moves, machine: Machine, rapid: NDArray[np.bool_], acceleration: float) -> Floats:
    """Greatest speed of each move [mm/s]."""
    feed = moves["feed"] / 60.0
    top = machine.rapid_mm_per_min / 60.0
    speed: Floats = np.where(rapid, top, np.where(feed > 0.0, feed, NO_FEED_MM_PER_MIN / 60.0))
    rigid = moves["kind"] == SpanKind.RIGID
    speed = np.where(rigid, speed, np.minimum(speed, top))
    arcs = np.flatnonzero(moves["sweep"] != 0.0)
    if arcs.size:
        speed[arcs] = np.minimum(speed[arcs], np.sqrt(acceleration * np.maximum(_radii(moves[arcs]), 1e-3)))
    limits: Floats = np.maximum(speed, 1e-6)
    return limits


def _joints(
    moves: Moves, index: NDArray[np.int64], rapid: NDArray[np.bool_], limits: Floats, acceleration: float
) -> Floats:
    """Greatest speed where each ride ends [mm/s]."""
    joints = np.zeros(index.size)
    if index.size < 2:
        return joints
    before, after = index[:-1], index[1:]
    pauses = np.cumsum(~np.isnan(moves["seconds"]))
    flowing = ~rapid[before] & ~rapid[after] & ~moves["exact"][before] & (pauses[before] == pauses[after])
    cosine = np.sum(_tangents(moves[before], last=True) * _tangents(moves[after], last=False), axis=1)
    half = np.sqrt(np.clip((1.0 + cosine) / 2.0, 0.0, 1.0))  # cosine of half the turn
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = CORNER_MM * half / (1.0 - half)
        corner = np.sqrt(acceleration * radius)
    corner = np.where(half >= 1.0 - 1e-9, np.inf, np.nan_to_num(corner, nan=0.0, posinf=np.inf))
    joints[:-1] = np.where(flowing, np.minimum(corner, np.minimum(limits[:-1], limits[1:])), 0.0)
    return joints


def _tangents(moves: Moves, *, last: bool) -> Floats:
    """Direction at the end or the begin of each move, unit vectors; 0 where not known."""
    step = np.nan_to_num(moves["end"] - moves["begin"])
    arcs = np.flatnonzero(moves["sweep"] != 0.0)
    if arcs.size:
        step[arcs] = _arc_tangents(moves[arcs], last=last)
    size = np.sqrt(np.sum(step * step, axis=1, keepdims=True))
    result: Floats = step / np.maximum(size, 1e-300)
    return result


def _arc_tangents(arcs: Moves, *, last: bool) -> Floats:
    rows = np.arange(arcs.size)
    axis, sweep = arcs["axis"].astype(np.int64), arcs["sweep"]
    out = (arcs["end"] if last else arcs["begin"]) - arcs["centre"]
    a, b = (axis + 1) % 3, (axis + 2) % 3
    tangent = np.zeros((arcs.size, 3))
    turn = np.sign(sweep)
    tangent[rows, a] = -turn * out[rows, b]
    tangent[rows, b] = turn * out[rows, a]
    rise = np.nan_to_num(arcs["end"] - arcs["begin"])[rows, axis]
    tangent[rows, axis] = rise / np.abs(sweep)
    return np.nan_to_num(tangent)


def _path(program: Program, moves: Moves, start: Floats, stop: Floats) -> TimedPath:
    judged = moves["judged"]
    hidden = ~judged[:, np.newaxis]

    def column(name: str) -> NDArray[Any]:
        return np.ascontiguousarray(moves[name])

    spans = Spans(
        start_s=start,
        stop_s=stop,
        kind=np.where(judged, moves["kind"], np.int8(SpanKind.UNKNOWN)).astype(np.int8),
        line=column("line"),
        tool=column("tool"),
        begin=np.where(hidden, np.nan, moves["begin"]),
        end=np.where(hidden, np.nan, moves["end"]),
        centre=np.where(hidden, np.nan, moves["centre"]),
        sweep=np.where(judged, moves["sweep"], 0.0),
        axis=column("axis"),
    )
    return TimedPath(
        program=program.name,
        spans=spans,
        feed_mm_per_min=column("feed"),
        spindle_rpm=column("rpm"),
        coolant=column("coolant"),
        offset=column("offset"),
        cycle=column("cycle"),
        length_offset=column("length_offset"),
        compensated=column("compensated"),
        file=column("file"),
        offset_names=program.offset_names,
        files=program.files,
        blocks=program.blocks,
        listing=program.listing,
        notes=program.notes,
    )
