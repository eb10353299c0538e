"""Loops that numpy cannot do, or not well: the regenerative vibration, reading a table in a turn."""

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled

MOST_CHIPS = 20.0  # feeds per tooth; a tooth that would take more gives way or breaks, its force stays


@compiled()
def step_mill(
    depth_m: NDArray[np.float64],
    weights: NDArray[np.float64],
    moved: NDArray[np.float64],
    pushed: NDArray[np.float64],
    teeth: int,
    n_steps: int,
    feed_m: float,
    push_m: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Displacement and force of the tool, shape (n_samples,) each.

    Parameters
    ----------
    depth_m : ndarray, shape (n_samples,)
        Depth of cut [m].
    weights : ndarray, shape (n_steps * teeth,)
        Force of one tooth per depth and feed-direction chip by its angle [N/m²].
    moved, pushed : ndarray, shape (2, 2) and (2,)
        Exact step of the free vibration, and what a constant force adds to it.
    teeth, n_steps : int
        Number of teeth; steps in a tooth period.
    feed_m, push_m : float
        Feed per tooth, and displacement at the start [m].
    """
    n_samples = depth_m.size
    n_turn = teeth * n_steps
    x_all = np.zeros(n_samples)
    force_all = np.zeros(n_samples)
    surface = np.zeros(n_samples)  # what the last tooth left here, beside its even place
    x, v, earlier = push_m, 0.0, 0.0
    for i in range(n_samples):
        before = surface[i - n_steps] if i >= n_steps else 0.0
        chip = feed_m + x - before
        surface[i] = x if chip > 0.0 else before - feed_m
        force = 0.0
        if chip > 0.0:
            taken = min(chip, MOST_CHIPS * feed_m)
            for tooth in range(teeth):
                force -= depth_m[i] * weights[(i + tooth * n_steps) % n_turn] * taken
        x_all[i] = x
        force_all[i] = force
        held = 1.5 * force - 0.5 * earlier  # the force in the middle of the step, carried on straight
        earlier = force
        x, v = (
            moved[0, 0] * x + moved[0, 1] * v + pushed[0] * held,
            moved[1, 0] * x + moved[1, 1] * v + pushed[1] * held,
        )
    return x_all, force_all


@compiled()
def read_turns(closed: NDArray[np.float32], turns: NDArray[np.float64]) -> NDArray[np.float32]:
    """A closed table read at so many revolutions, straight lines between points, shape (n_samples,).

    Parameters
    ----------
    closed : ndarray, shape (n_points + 1,)
        One revolution; the last point repeats the first.
    turns : ndarray, shape (n_samples,)
        [revolutions]
    """
    n_points = closed.shape[0] - 1
    made = np.empty(turns.shape[0], dtype=np.float32)
    for i in range(turns.shape[0]):
        place = (turns[i] - np.floor(turns[i])) * n_points
        index = min(int(place), n_points - 1)
        rest = np.float32(place - index)
        made[i] = closed[index] + rest * (closed[index + 1] - closed[index])
    return made
