"""Plain-loop twin of `listen.synth.kernels.step_mill`, written tooth by tooth with lists."""

import numpy as np
from numpy.typing import NDArray


def step_mill_plainly(
    depth_m: NDArray[np.float64],
    weights: NDArray[np.float64],
    moved: NDArray[np.float64],
    pushed: NDArray[np.float64],
    teeth: int,
    n_steps: int,
    feed_m: float,
    push_m: float,
) -> tuple[list[float], list[float]]:
    """The same vibration, one state and one list of cut surfaces at a time."""
    state = [push_m, 0.0]
    left: list[float] = [0.0] * n_steps  # the last tooth period, oldest first
    xs: list[float] = []
    forces: list[float] = []
    for i, depth in enumerate(depth_m):
        oldest = left.pop(0)
        chip = feed_m + state[0] - oldest
        in_metal = chip > 0.0
        left.append(state[0] if in_metal else oldest - feed_m)
        taken = 20.0 * feed_m if chip > 20.0 * feed_m else chip
        pulls = [depth * weights[(i + j * n_steps) % (teeth * n_steps)] * taken for j in range(teeth)]
        force = -sum(pulls) if in_metal else 0.0
        xs.append(state[0])
        forces.append(force)
        middle = force + (force - (forces[i - 1] if i else 0.0)) / 2.0
        state = [moved[row][0] * state[0] + moved[row][1] * state[1] + pushed[row] * middle for row in (0, 1)]
    return xs, forces
