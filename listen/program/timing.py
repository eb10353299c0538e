"""From moves to a timed path."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.job import Machine
from listen.program.moves import Program
from listen.program.path import TimedPath
from listen.timeline import SpanKind, Spans

Floats = NDArray[np.float64]

UNKNOWN_MOVE_S = 1.0  # a move to or from a place that is not known: a usual length, not a measured one
NO_FEED_MM_PER_MIN = 100.0  # taken where the program gives none; the checks say so


def time_program(program: Program, machine: Machine) -> TimedPath:
    """When each move happens, at 100 % override and with waits counted as 0.

    Parameters
    ----------
    program : Program
    machine : Machine
        Rapid, acceleration, jerk, and the times of tool change and spindle start.
    """
    moves = program.moves
    seconds = _durations(moves, machine)
    stop = np.cumsum(seconds)
    start = np.concatenate([[0.0], stop[:-1]]) if stop.size else stop.copy()
    return _path(program, start, stop)


def path_lengths(moves: NDArray[np.void]) -> Floats:
    """Length of each move along its path, helices included [mm]; unknown axes count 0."""
    step = np.nan_to_num(moves["end"] - moves["begin"])
    straight: Floats = np.sqrt(np.sum(step * step, axis=1))
    arcs = np.flatnonzero(moves["sweep"] != 0.0)
    if arcs.size:
        axis = moves["axis"][arcs]
        apart = moves["begin"][arcs] - moves["centre"][arcs]
        apart[np.arange(arcs.size), axis] = 0.0
        turned = np.sqrt(np.sum(apart * apart, axis=1)) * moves["sweep"][arcs]
        straight[arcs] = np.hypot(turned, step[arcs, axis])
    return straight


def _durations(moves: NDArray[np.void], machine: Machine) -> Floats:
    lengths = path_lengths(moves)
    kind = moves["kind"]
    speed = moves["feed"] / 60.0
    speed = np.where(speed > 0.0, speed, NO_FEED_MM_PER_MIN / 60.0)
    rapid = kind == SpanKind.RAPID
    if rapid.any():
        speed = np.where(rapid, machine.rapid_mm_per_min / 60.0, speed)
    seconds = lengths / speed
    fixed = ~np.isnan(moves["seconds"])
    seconds[fixed] = np.maximum(moves["seconds"][fixed], 0.0)
    asked = moves["seconds"] < 0.0
    for which, value in (
        (SpanKind.TOOL_CHANGE, machine.tool_change_s),
        (SpanKind.SPINDLE, machine.spindle_start_s),
        (SpanKind.UNKNOWN, UNKNOWN_MOVE_S),
    ):
        seconds[asked & (kind == which)] = value
    return seconds


def _path(program: Program, start: Floats, stop: Floats) -> TimedPath:
    moves = program.moves
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
