"""Drawn logs as what the load network is told of them, and where it was in contact."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from listen.decide.load_points import (
    POINT_S,
    Scale,
    ahead_of,
    grid_of,
    rows_of,
    scale_of,
    step_of,
)
from listen.decide.load_tidy import above_nothing, without_lone
from listen.measure.load import MeasureLoad
from tools_load.drawing import RATE, Log
from tools_load.wide import draw_wide

LONGEST_POINTS = 5000


def draw_example(rng: np.random.Generator) -> tuple[NDArray[np.float16], NDArray[np.float16]]:
    """Rows of one log, and the share of each point that is contact.

    Returns
    -------
    rows : ndarray, shape (n_points, n_columns)
    contact : ndarray, shape (n_points,)
    """
    log = draw_wide(rng)
    seconds, load, percent = frames_of(log)
    if rng.random() < 0.3:  # begun while the machine ran
        later = seconds >= rng.uniform(0.0, 0.3) * seconds[-1]
        seconds, load = seconds[later], load[later]
    seconds, load = with_gaps(rng, seconds, load)
    load = without_lone(seconds, above_nothing(load))
    blocks_known, told_known = rng.random() < 0.35, rng.random() < 0.3
    speeds_s, blocks_s = _times(log.speeds if told_known else ()), _times(log.lines if blocks_known else ())
    grid = grid_of(seconds, load, told_s=speeds_s, blocks_s=blocks_s)
    step = step_of(load) if percent else 0.0
    whole = mistaken(rng, scale_of(grid.load[grid.age == 0.0], percent=percent, step=step))
    after = rows_of(grid, whole, percent=percent, blocks_known=bool(blocks_known))
    rows = np.concatenate([after, ahead_of(grid, whole)], axis=1)
    contact = shares_of(grid.seconds, log.contacts())
    return rows[:LONGEST_POINTS].astype(np.float16), contact[:LONGEST_POINTS].astype(np.float16)


def mistaken(rng: np.random.Generator, scale: Scale) -> Scale:
    """The scale of a log as another part of it might have given it, in one of two."""
    if rng.random() < 0.5:
        return scale
    height, noise = np.exp(rng.normal(0.0, [0.3, 0.4]))
    return replace(scale, height=scale.height * float(height), noise=scale.noise * float(noise))


def with_gaps(
    rng: np.random.Generator, seconds: NDArray[np.float64], load: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The log with rows missing here and there, in one of four."""
    if rng.random() > 0.25:
        return seconds, load
    keep = rng.random(seconds.size) >= rng.choice([0.0, 0.02, 0.1])
    for start in rng.uniform(seconds[0], seconds[-1], int(rng.integers(0, 6))):
        keep &= (seconds < start) | (seconds >= start + rng.uniform(0.5, 8.0))
    return (seconds[keep], load[keep]) if keep.sum() > 20 else (seconds, load)


def frames_of(log: Log) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    """Seconds and levels as `measure` gives them, turned as they come out at the end; whether percent."""
    measure = MeasureLoad(rate=RATE)
    made = [frames for item in log.loads for frames in measure.push(item)]
    made += measure.close()
    at = np.concatenate([frames.at for frames in made])
    values = np.concatenate([frames.values for frames in made])
    return at / RATE, values[:, 0] * values[:, 3] * values[-1, 3], bool(values[-1, 1])


def shares_of(seconds: NDArray[np.float64], spans: list[tuple[float, float]]) -> NDArray[np.float64]:
    """Share of each point that lies inside a span."""
    inside = np.zeros(seconds.size)
    for start, stop in spans:
        inside += np.clip(np.minimum(stop, seconds + POINT_S) - np.maximum(start, seconds), 0.0, POINT_S)
    return inside / POINT_S


def _times(marks: tuple) -> NDArray[np.float64]:
    return np.array(sorted({mark.at / RATE for mark in marks}))


def examples(seed: int, worker: int) -> Iterator[tuple[NDArray[np.float16], NDArray[np.float16]]]:
    """Examples without end."""
    index = 0
    while True:
        yield draw_example(np.random.default_rng([seed, worker, index]))
        index += 1
