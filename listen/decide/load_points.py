"""A load log as even points with what the load network is told of each.

Conventions
-----------
A point is the mean of the frames of a fifth of a second; where none came, the last value stands and
its age grows. Levels are in the unit of the load, turned upwards; what the network is told has no unit,
but for loads in percent of rated load.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d

POINT_S = 0.2
GONE_S = 3.0  # a log silent for longer says nothing of what came between
STEPS = (1.0, 0.1)  # controls show whole percents or tenths
NEAR, FAR = 50, 300  # points looked back on for the least level
ON_STEP, SHARE_ON_STEP = 1e-6, 0.9  # values that came within one frame were averaged
LOAD_VERSION = 1
LOAD_COLUMNS = (
    "over the low level, in heights",
    "over the low level, in noises",
    "change, in heights",
    "change, in noises",
    "age",
    "percent",
    "is percent",
    "height in noises",
    "speed told",
    "block begins",
    "blocks known",
    "height in percent",
    "step in heights",
    "over the low level, in low levels",
    "over the least of 10 s",
    "over the least of 60 s",
)
AHEAD_COLUMNS = ("over the least of 10 s ahead", "over the least of 60 s ahead")

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Points of a log.

    Attributes
    ----------
    seconds : ndarray, shape (n_points,)
        Where each point begins; after a gap of the log they go on where it does.
    load, age, told, block : ndarray, shape (n_points,)
        Level; how old it is [s]; 1 where another speed was told and where a block of the program began.
    """

    seconds: Values
    load: Values
    age: Values
    told: Values
    block: Values


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scale:
    """What levels are measured by.

    Attributes
    ----------
    low, height : float
        A low level of the log, and how far a high one lies above it.
    noise, step : float
        Standard deviation where nothing happens; step of the values shown, 0 for none.
    """

    low: float
    height: float
    noise: float
    step: float


def grid_of(seconds: Values, load: Values, *, told_s: Values, blocks_s: Values) -> Grid:
    """Points of a whole log.

    Parameters
    ----------
    seconds, load : ndarray, shape (n_frames,)
        Increasing; at least one.
    told_s, blocks_s : ndarray, shape (n_marks,)
        When another spindle speed was told, and when a block began [s].
    """
    place = np.floor(seconds / POINT_S + 1e-6).astype(np.int64)
    cells, first = np.unique(place, return_index=True)
    level = np.add.reduceat(load, first) / np.diff(np.append(first, load.size))
    held = np.minimum(np.diff(np.append(cells, cells[-1] + 1)), round(GONE_S / POINT_S))
    start = np.repeat(np.cumsum(held) - held, held)
    behind = np.arange(held.sum()) - start
    at = np.repeat(cells, held) + behind
    return Grid(
        seconds=at * POINT_S,
        load=np.repeat(level, held),
        age=behind * POINT_S,
        told=_marked(at, told_s),
        block=_marked(at, blocks_s),
    )


def _marked(at: NDArray[np.int64], times_s: Values) -> Values:
    return np.isin(at, np.floor(times_s / POINT_S + 1e-6).astype(np.int64)).astype(np.float64)


def scale_of(load: Values, *, percent: bool, step: float) -> Scale:
    """What the levels of a log are measured by.

    Parameters
    ----------
    load : ndarray, shape (n_points,)
        Points that came, none held.
    percent : bool
        Whether they are in percent of rated load.
    step : float
        As `step_of` gives it.
    """
    low, high = (_lower(load, share) for share in (0.05, 0.9))
    steps = np.abs(np.diff(load))
    n_quiet = min(16, steps.size)
    quiet = 0.0
    if n_quiet >= 5:
        sums = np.concatenate([[0.0], np.cumsum(steps)])
        quiet = 1.15 * _lower(sums[n_quiet:] - sums[:-n_quiet], 0.02) / n_quiet
    noise = max(quiet, 2e-3 * (high - low), 1e-4 * float(np.ptp(load)), step * 12.0**-0.5, 1e-9)
    height = max(high - low, 4.0 * noise, 0.5 if percent else 0.0)
    return Scale(low=low, height=height, noise=noise, step=step)


def _lower(values: Values, share: float) -> float:
    """The value that a share of all lie at or below."""
    place = int(share * (values.size - 1))
    return float(np.partition(values, place)[place])


def rows_of(grid: Grid, scale: Scale, *, percent: bool, blocks_known: bool) -> Values:
    """What the network is told of each point, shape (n_points, n_columns), columns as `LOAD_COLUMNS`."""
    load, size = grid.load, grid.load.size
    over, change = load - scale.low, np.diff(load, prepend=load[:1])
    near, far = (_least_before(load, reach) for reach in (NEAR, FAR))
    ones = np.ones(size)
    columns = (
        _squashed(over / scale.height, 3.0),
        _squashed(over / scale.noise, 0.3),
        _squashed(change / scale.height, 5.0),
        _squashed(change / scale.noise, 0.3),
        np.minimum(grid.age, GONE_S) / 2.0,
        _squashed(load, 1.0) if percent else 0.0 * ones,
        float(percent) * ones,
        ones * np.log(scale.height / scale.noise) / 3.0,
        grid.told,
        grid.block,
        float(blocks_known) * ones,
        ones * (np.log(scale.height) / 3.0 if percent else 0.0),
        _squashed(ones * scale.step / scale.height, 3.0),
        _squashed(over / (np.abs(scale.low) + 0.01 * scale.height), 1.0),
        _squashed((load - near) / scale.height, 5.0),
        _squashed((load - far) / scale.height, 5.0),
    )
    return np.column_stack(columns)


def ahead_of(grid: Grid, scale: Scale) -> Values:
    """What is told besides of what follows, shape (n_points, 2), as `AHEAD_COLUMNS`."""
    back = grid.load[::-1]
    least = [_least_before(back, reach)[::-1] for reach in (NEAR, FAR)]
    return np.column_stack([_squashed((grid.load - one) / scale.height, 5.0) for one in least])


def _least_before(load: Values, reach: int) -> Values:
    """Least of a point and the `reach` before it."""
    found: Values = minimum_filter1d(load, reach + 1, mode="nearest", origin=reach // 2)
    return found


def _squashed(values: Values, steep: float) -> Values:
    found: Values = np.arcsinh(steep * values)
    return found


def step_of(load: Values) -> float:
    """Step of the values shown: whole percents, tenths, or 0 for none that can be told."""
    for step in STEPS:
        on_step = np.abs(load / step - np.round(load / step)) < ON_STEP
        if np.mean(on_step) >= SHARE_ON_STEP:
            return step
    return 0.0
