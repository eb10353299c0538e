"""Where along the path the tool removes material: touches, ends, ramps and arcs."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.expect import exact_kernels, kernels
from listen.expect.segments import Segments
from listen.expect.stock import Stock

STEP_MM = 0.25
RECORDS_AT_ONCE = 200_000
MOST_SHARPENED = 4000
GRAIN_CELLS = 3.5  # a run of fewer cells is the field's grain, where a cut runs out along a face
N_ANGLES = 60
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Touch:
    """One unbroken stretch of removal.

    Attributes
    ----------
    records : ndarray, shape (n_steps, n_record_columns)
        What was removed step by step.
    start, stop, ramp_in, ramp_out : float
        First and last touch and how long the ramps last [s].
    place : ndarray, shape (3,)
        The tip at first touch [mm].
    right, left, engaged : float
        Arc in mid-cut [rad, left of the feed positive]; NaN where it was not worked out.
    """

    records: NDArray[np.float64]
    start: float
    stop: float
    ramp_in: float
    ramp_out: float
    place: NDArray[np.float64]
    right: float
    left: float
    engaged: float

    @property
    def removed(self) -> float:
        """Volume [mm³]."""
        return float(self.records[:, kernels.VOLUME].sum())


def steps_of(segments: Segments, stock: Stock) -> NDArray[np.int64]:
    """Into how many steps each segment is cut."""
    rows = segments.rows
    pointed = (rows[:, kernels.CORNER] > 0.0) | (rows[:, kernels.COT] > 0.0)
    step = np.maximum(STEP_MM, np.where(pointed, rows[:, kernels.RADIUS] / 10.0, 0.0))
    step = np.maximum(step, 2.0 * stock.cell)
    return np.maximum(1, np.ceil(segments.lengths() / step - 1e-9)).astype(np.int64)


def cut(
    stock: Stock, segments: Segments, chosen: NDArray[np.bool_], progress: Progress | None = None
) -> NDArray[np.float64]:
    """Sweep the chosen segments through the stock's field, which is changed.

    Returns
    -------
    ndarray, shape (n_records, n_record_columns)
        One row a step that removed material, in order.
    """
    n_steps = steps_of(segments, stock)
    n_steps[~chosen | ~segments.judged] = 1
    n_steps[np.minimum(segments.rows[:, 2], segments.rows[:, 5]) >= stock.top] = 1
    kept: list[NDArray[np.float64]] = []
    at, total = 0, len(n_steps)
    summed = np.cumsum(n_steps)
    while at < total:
        before = summed[at - 1] if at else 0
        to = max(at + 1, int(np.searchsorted(summed, before + RECORDS_AT_ONCE)))
        records = np.empty((int(summed[to - 1] - before), kernels.N_RECORD_COLUMNS))
        found = kernels.sweep(
            stock.field,
            stock.grid,
            segments.rows[at:to],
            chosen[at:to] & segments.judged[at:to],
            n_steps[at:to],
            stock.top,
            records,
        )
        records = records[:found].copy()
        records[:, kernels.SEGMENT] += at
        kept.append(records)
        at = to
        if progress is not None:
            progress(at / total)
    return np.concatenate(kept) if kept else np.empty((0, kernels.N_RECORD_COLUMNS))


def runs_of(records: NDArray[np.float64], segments: Segments, stock: Stock) -> list[NDArray[np.float64]]:
    """The records of each unbroken stretch of removal."""
    if not len(records):
        return []
    index = records[:, kernels.SEGMENT].astype(np.int64)
    gap = records[1:, kernels.FROM_S] - records[:-1, kernels.TO_S]
    step = np.maximum(records[1:, kernels.TO_S] - records[1:, kernels.FROM_S], 0.0)
    tool = np.abs(np.diff(segments.rows[index, kernels.RADIUS : kernels.COT + 1], axis=0)).sum(axis=1)
    paused = np.diff(segments.pauses[index]) != 0
    breaks = (gap > np.maximum(3.0 * stock.cell, 0.5 * step)) | (tool > 0.0) | paused
    runs = np.split(records, np.flatnonzero(breaks) + 1)
    grain = GRAIN_CELLS * float(stock.grid[2] * stock.grid[3])
    return [run for run in runs if run[:, kernels.VOLUME].sum() > grain * run[:, kernels.DEPTH].max()]


class Sharpener:
    """Makes touches exact from the moves themselves.

    Parameters
    ----------
    stock : Stock
        As it was before the first cut.
    segments : Segments
    records : ndarray, shape (n_records, n_record_columns)
        All that was removed from this stock.
    """

    def __init__(self, stock: Stock, segments: Segments, records: NDArray[np.float64]) -> None:
        self.stock = stock
        self.rows = segments.rows
        self.starts = segments.rows[:, kernels.S0]
        self.all_cutting = np.unique(records[:, kernels.SEGMENT].astype(np.int64))
        self.cutting = self.all_cutting
        moves = segments.rows[self.all_cutting]
        reach = moves[:, [kernels.RADIUS]]
        self._low = np.asfortranarray(np.minimum(moves[:, 0:2], moves[:, 3:5]) - reach)
        self._high = np.asfortranarray(np.maximum(moves[:, 0:2], moves[:, 3:5]) + reach)
        self.chosen = segments.judged
        self.before: int | None = None

    def focus(self, run: NDArray[np.float64]) -> None:
        """Look only at moves near one run of records, until the next focus."""
        rows = self.rows
        mine = rows[np.unique(run[:, kernels.SEGMENT].astype(np.int64))]
        margin = 2.0 * mine[:, kernels.RADIUS].max() + 4.0 * self.stock.cell + STEP_MM
        near = np.ones(self.all_cutting.size, dtype=np.bool_)
        for axis in (0, 1):
            ends = mine[:, [axis, axis + 3]]
            near &= self._high[:, axis] >= ends.min() - margin
            near &= self._low[:, axis] <= ends.max() + margin
        self.cutting = self.all_cutting[near]

    def order(self, from_s: float, to_s: float) -> NDArray[np.int64]:
        """Cutting segments before a stretch of path, and every segment inside it, in order.

        None from `before` on: there another touch begins, maybe in the same place, as in pecking.
        """
        first = max(0, int(np.searchsorted(self.starts, from_s, side="right")) - 1)
        last = int(np.searchsorted(self.starts, to_s))
        last = last if self.before is None else min(last, self.before)
        inside = np.arange(first, last)
        before = self.cutting[: np.searchsorted(self.cutting, first)]
        return np.concatenate([before, inside[self.chosen[inside]]])

    def time_at(self, s: float) -> float:
        """Program time at a place along the path [s]."""
        k = int(np.searchsorted(self.starts, s, side="right")) - 1
        row = self.rows[max(k, 0)]
        length = kernels.seg_length(row)
        share = min(1.0, (s - row[kernels.S0]) / length) if length > 0.0 else 0.0
        return float(row[kernels.T0] + share * (row[kernels.T1] - row[kernels.T0]))

    def path_at(self, time: float) -> float:
        """Place along the path at a program time [mm]."""
        k = int(np.searchsorted(self.rows[:, kernels.T0], time, side="right")) - 1
        row = self.rows[max(k, 0)]
        lasts = row[kernels.T1] - row[kernels.T0]
        share = min(1.0, (time - row[kernels.T0]) / lasts) if lasts > 0.0 else 0.0
        return float(row[kernels.S0] + share * kernels.seg_length(row))

    def place_at(self, time: float) -> NDArray[np.float64]:
        """Place of the tip at a program time [mm]."""
        k = int(np.searchsorted(self.rows[:, kernels.T0], time, side="right")) - 1
        row = self.rows[max(k, 0)]
        lasts = row[kernels.T1] - row[kernels.T0]
        share = min(1.0, (time - row[kernels.T0]) / lasts) if lasts > 0.0 else 0.0
        return np.asarray(row[0:3] + share * (row[3:6] - row[0:3]))

    def end(
        self, record: NDArray[np.float64], *, last: bool, since: float
    ) -> tuple[float, NDArray[np.float64]]:
        """Exact time of the first or last touch, and the point of the stock that is touched."""
        look = 4.0 * self.stock.cell + STEP_MM
        order = self.order(record[kernels.FROM_S] - look, record[kernels.TO_S] + look)
        columns = (kernels.LAST_X, kernels.LAST_Y) if last else (kernels.FIRST_X, kernels.FIRST_Y)
        row = self.rows[int(record[kernels.SEGMENT])]
        earliest = max(since, self.time_at(record[kernels.FROM_S] - look))
        time, x, y = exact_kernels.sharpen(
            record[columns[0]],
            record[columns[1]],
            4.0 * self.stock.cell,
            self.rows,
            order,
            earliest,
            self.time_at(record[kernels.TO_S] + look + 2.0 * row[kernels.RADIUS]),
            last,
            self.stock.shape,
            self.stock.field,
            self.stock.grid,
            12 if row[kernels.CORNER] == 0.0 else 4,
        )
        return float(time), np.array([x, y])

    def arc(self, s: float) -> tuple[float, float, float]:
        """Engaged arc at a place along the path: right, left, sum [rad]."""
        k = max(0, int(np.searchsorted(self.starts, s, side="right")) - 1)
        order = self.order(s, s)
        right, left, engaged = exact_kernels.engaged_arc(
            self.rows,
            k,
            self.time_at(s),
            order,
            self.stock.shape,
            self.stock.field,
            self.stock.grid,
            N_ANGLES,
        )
        return right, left, engaged
