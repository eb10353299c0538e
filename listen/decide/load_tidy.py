"""A whole load log made comparable before it is looked at: its zero, and single values that are wrong."""

import numpy as np
from numpy.typing import NDArray

FAR_BELOW = 0.15  # of the way from the lowest level to a high one
STANDS_S = 2.0
FAST_S = 0.25  # in slower logs one value may be a cut
LONE_HEIGHT, LONE_SHARE = 0.3, 0.2  # how far off a lone value is, and how near its neighbours are by that


def above_nothing(load: NDArray[np.float64]) -> NDArray[np.float64]:
    """The load with its lowest level as nothing, where that lies far below nothing: a sensor's zero is off.

    Parameters
    ----------
    load : ndarray, shape (n_frames,)
        Turned upwards.
    """
    lowest, high = np.quantile(load, [0.02, 0.9])
    return load - lowest if lowest < -FAR_BELOW * (high - lowest) else load


def without_lone(seconds: NDArray[np.float64], load: NDArray[np.float64]) -> NDArray[np.float64]:
    """The load with single values far off both their neighbours set between them, in logs fast enough.

    Parameters
    ----------
    seconds, load : ndarray, shape (n_frames,)
        At least three.
    """
    if float(np.median(np.diff(seconds))) > FAST_S:
        return load
    low, high = np.quantile(load, [0.05, 0.9])
    before, after = load[:-2], load[2:]
    between = 0.5 * (before + after)
    away = np.abs(load[1:-1] - between)
    lone = (away > LONE_HEIGHT * (high - low)) & (np.abs(after - before) < LONE_SHARE * away)
    lone &= seconds[2:] - seconds[:-2] < 3.0 * FAST_S
    cleaned = load.copy()
    cleaned[1:-1][lone] = between[lone]
    return cleaned


def is_by_block(seconds: NDArray[np.float64], load: NDArray[np.float64], *, step: float) -> bool:
    """Whether a log has one value for each block of the program, as a mean over it.

    Most of the time then lies in stretches in which nothing changes at all, far longer than a control
    takes to have a new value.

    Parameters
    ----------
    seconds, load : ndarray, shape (n_frames,)
    step : float
        Step of the values shown: where it is not 0, values stand still for want of finer ones.
    """
    if step > 0.0:
        return False
    begins = np.flatnonzero(np.concatenate([[True], np.diff(load) != 0.0]))
    lasts_s = np.diff(np.append(seconds[begins], seconds[-1]))
    return bool(lasts_s[lasts_s >= STANDS_S].sum() > 0.5 * (seconds[-1] - seconds[0]))
