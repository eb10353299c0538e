"""Stretches in contact, frame by frame, held against each other."""

import numpy as np
from numpy.typing import NDArray

from listen.decide.kernels import runs_of


def dated(path: NDArray[np.bool_], by: NDArray[np.bool_], *, near: int) -> NDArray[np.bool_]:
    """The stretches of `path`, each change moved to that of `by` nearest to it, where one is near."""
    made = np.zeros_like(path)
    changes = np.flatnonzero(np.diff(np.concatenate([[0], by.astype(np.int8), [0]])))
    begins, ends = changes[::2], changes[1::2]
    for begin, stop in runs_of(path):
        first, last = _moved(begin, begins, near), _moved(stop, ends, near)
        made[first : max(last, first + 1)] = True
    return made


def _moved(at: int, changes: NDArray[np.int64], near: int) -> int:
    closest = int(changes[np.argmin(np.abs(changes - at))]) if changes.size else at
    return closest if abs(closest - at) <= near else at


def with_gaps(
    path: NDArray[np.bool_], by: NDArray[np.bool_], odds: NDArray[np.float64], *, longest: int, below: float
) -> NDArray[np.bool_]:
    """The stretches of `path`, parted where `by` has a gap of at most `longest` frames in which `odds` fall.

    Parameters
    ----------
    path, by : ndarray, shape (n_frames,)
    odds : ndarray, shape (n_frames,)
        Log odds of contact by another witness; in the gap they must fall to `below` [nats].
    """
    made = path.copy()
    for begin, stop in runs_of(~by):
        inner = begin > 0 and stop < by.size and stop - begin <= longest
        if inner and odds[begin:stop].min() <= below:
            made[begin:stop] = False
    return made
