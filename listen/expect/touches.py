"""From steps of removal to touches with exact ends and ramps."""

import dataclasses
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from listen.expect import kernels
from listen.expect.engagement import (
    MOST_SHARPENED,
    Progress,
    Sharpener,
    Touch,
    cut,
    runs_of,
)
from listen.expect.segments import Segments
from listen.expect.stock import Stock

FULL = 0.99  # an arc this near its plateau is full
LEAST_S = 1e-4


def touches_of(
    stock: Stock, segments: Segments, chosen: NDArray[np.bool_], progress: Progress | None = None
) -> tuple[list[Touch], Stock]:
    """All touches of the chosen segments with one stock, and the stock that is left.

    Parameters
    ----------
    stock : Stock
        Uncut. Not changed.
    segments : Segments
    chosen : ndarray, shape (n_segments,)
        Those that move in this stock's coordinates.
    """
    left = dataclasses.replace(stock, field=stock.field.copy())
    records = cut(left, segments, chosen, progress)
    runs = runs_of(records, segments, stock)
    sharpener = Sharpener(stock, segments, records)
    touches: list[Touch] = []
    for number, run in enumerate(runs):
        sharpener.before = _next_segment(runs, number)
        sharp = number < MOST_SHARPENED
        touch = _touch(run, sharpener, _end_of(touches), sharp=sharp)
        if touches and _goes_on(touches[-1], touch, segments):
            run = np.concatenate([touches.pop().records, run])
            touch = _touch(run, sharpener, _end_of(touches), sharp=sharp)
        touches.append(touch)
    return touches, left


def _end_of(touches: list[Touch]) -> float:
    return touches[-1].stop if touches else 0.0


def _goes_on(last: Touch, touch: Touch, segments: Segments) -> bool:
    """Whether one touch ends where the next begins, of the same tool and without a pause.

    In between, as on the way round an outer corner, it was so thin that no step took a whole cell.
    """
    before, after = int(last.records[-1, kernels.SEGMENT]), int(touch.records[0, kernels.SEGMENT])
    tool = slice(kernels.RADIUS, kernels.COT + 1)
    same = (segments.rows[before, tool] == segments.rows[after, tool]).all()
    paused = segments.pauses[before] != segments.pauses[after]
    return bool(same and not paused and touch.start - last.stop <= LEAST_S)


def _next_segment(runs: list[NDArray[np.float64]], number: int) -> int | None:
    """The segment in which the next touch begins, where this one has ended before it."""
    if number + 1 == len(runs):
        return None
    first = int(runs[number + 1][0, kernels.SEGMENT])
    return first if first > int(runs[number][-1, kernels.SEGMENT]) else None


def _touch(run: NDArray[np.float64], sharpener: Sharpener, since: float, *, sharp: bool) -> Touch:
    if sharp:
        sharpener.focus(run)
    start = sharpener.time_at(run[0, kernels.FROM_S])
    stop = sharpener.time_at(run[-1, kernels.TO_S])
    if sharp:
        first, _ = sharpener.end(run[0], last=False, since=since)
        last, _ = sharpener.end(run[-1], last=True, since=since)
        start = first if np.isfinite(first) else start
        stop = last if np.isfinite(last) and last > start else stop
    start = max(start, since)
    stop = max(stop, start + LEAST_S)
    row = sharpener.rows[int(run[0, kernels.SEGMENT])]
    ramp_in, ramp_out, arc = _ramps(run, row, sharpener, start, stop, sharp=sharp)
    return Touch(
        records=run,
        start=start,
        stop=stop,
        ramp_in=ramp_in,
        ramp_out=ramp_out,
        place=sharpener.place_at(start),
        right=arc[0],
        left=arc[1],
        engaged=arc[2],
    )


def _ramps(
    run: NDArray[np.float64],
    row: NDArray[np.float64],
    sharpener: Sharpener,
    start: float,
    stop: float,
    *,
    sharp: bool,
) -> tuple[float, float, tuple[float, float, float]]:
    unknown = (float("nan"), float("nan"), float("nan"))
    flat = row[kernels.CORNER] == 0.0 and row[kernels.COT] == 0.0
    sideways = abs(row[5] - row[2]) < 0.5 * kernels.seg_length(row)
    from_s, to_s = sharpener.path_at(start), sharpener.path_at(stop)
    if not (flat and sideways and sharp):
        full_s, done_s = _ramps_of_area(run, row, from_s, to_s, sharpener.stock.floor, sharpener)
    else:
        reach = 2.0 * row[kernels.RADIUS]
        full_s = _full_from(lambda s: sharpener.arc(s)[2], from_s, min(from_s + reach, to_s))
        done_s = -_full_from(lambda s: sharpener.arc(-s)[2], -to_s, -max(to_s - reach, from_s))
    if full_s > done_s:
        full_s = done_s = 0.5 * (full_s + done_s)
    full, done = sharpener.time_at(full_s), sharpener.time_at(done_s)
    middle = sharpener.arc(0.5 * (full_s + done_s)) if flat and sharp else unknown
    ramp_in = min(max(full - start, 0.0), stop - start)
    return ramp_in, min(max(stop - done, 0.0), stop - start - ramp_in), middle


def _full_from(arc_at: Callable[[float], float], near: float, far: float) -> float:
    """Where, going from `near` to `far`, the arc is first as wide as it gets."""
    places = near + (far - near) * np.linspace(0.0, 1.0, 13)[1:-1]
    arcs = np.array([arc_at(float(s)) for s in places])
    if not arcs.max() > 0.0:
        return near
    enough = FULL * arcs.max()
    index = int(np.argmax(arcs >= enough))
    low = near if index == 0 else float(places[index - 1])
    high = float(places[index])
    for _ in range(8):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if arc_at(middle) >= enough else (middle, high)
    return high


def _ramps_of_area(
    run: NDArray[np.float64],
    row: NDArray[np.float64],
    from_s: float,
    to_s: float,
    floor: float,
    sharpener: Sharpener,
) -> tuple[float, float]:
    """Ramps by the cross-section that is removed: plunges, points and roundings."""
    length = kernels.seg_length(row)
    if row[2] - row[5] > 0.9 * length:
        point = row[kernels.RADIUS] * row[kernels.COT] if row[kernels.COT] > 0.0 else row[kernels.CORNER]
        deepest = sharpener.rows[int(run[-1, kernels.SEGMENT]), 5]
        through = deepest < floor
        return min(from_s + point, to_s), max(to_s - point, from_s) if through else to_s
    area = run[:, kernels.VOLUME] / np.maximum(run[:, kernels.TO_S] - run[:, kernels.FROM_S], 1e-9)
    reach = 2.0 * row[kernels.RADIUS]
    early = run[:, kernels.FROM_S] <= max(from_s, run[0, kernels.FROM_S]) + reach
    late = run[:, kernels.TO_S] >= min(to_s, run[-1, kernels.TO_S]) - reach
    enough_in, enough_out = 0.9 * area[early].max(), 0.9 * area[late].max()
    first = int(np.argmax(area >= enough_in))
    last = len(area) - 1 - int(np.argmax(area[::-1] >= enough_out))
    return max(from_s, float(run[first, kernels.FROM_S])), min(to_s, float(run[last, kernels.TO_S]))
