"""Kernels of `decide`: the recurrent memory, one frame after another."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True)
def run_memory(
    inputs: NDArray[np.float32],
    w_input: NDArray[np.float32],
    b_input: NDArray[np.float32],
    w_state: NDArray[np.float32],
    b_state: NDArray[np.float32],
    state: NDArray[np.float32],
    outputs: NDArray[np.float32],
) -> None:
    """Run one layer of gated recurrent units over frames.

    Parameters
    ----------
    inputs : ndarray, shape (n_frames, n_inputs)
    w_input, w_state : ndarray, shape (3 * n_units, n_inputs) and (3 * n_units, n_units)
        Rows in the order reset, update, candidate.
    b_input, b_state : ndarray, shape (3 * n_units,)
    state : ndarray, shape (n_units,)
        Memory before the first frame; changed in place to that after the last.
    outputs : ndarray, shape (n_frames, n_units)
        Filled with the memory after each frame.

    References
    ----------
    Cho et al. 2014, "Learning phrase representations using RNN encoder-decoder", section 2.3,
    with the reset gate applied after the matrix product, as common libraries have it.
    """
    n_units = state.shape[0]
    for i in range(inputs.shape[0]):
        given = np.dot(w_input, inputs[i]) + b_input
        kept = np.dot(w_state, state) + b_state
        for u in range(n_units):
            reset = 1.0 / (1.0 + np.exp(-(given[u] + kept[u])))
            update = 1.0 / (1.0 + np.exp(-(given[n_units + u] + kept[n_units + u])))
            candidate = np.tanh(given[2 * n_units + u] + reset * kept[2 * n_units + u])
            state[u] = (1.0 - update) * candidate + update * state[u]
            outputs[i, u] = state[u]


@njit(cache=True)
def best_path(logit: NDArray[np.float64], switch_cost: float) -> NDArray[np.bool_]:
    """In contact or not, frame by frame: the likeliest path when each change costs something.

    Parameters
    ----------
    logit : ndarray, shape (n_frames,)
        Log odds of contact; positive speaks for contact.
    switch_cost : float
        Cost of a change [nats].

    Returns
    -------
    ndarray, shape (n_frames,)

    References
    ----------
    Viterbi 1967, for two states with the same cost either way.
    """
    n_frames = logit.shape[0]
    came_from = np.zeros((n_frames, 2), dtype=np.uint8)
    air, cut = 0.0, 0.0
    for i in range(n_frames):
        from_air, from_cut = air, cut
        if from_cut - switch_cost > from_air:
            air, came_from[i, 0] = from_cut - switch_cost, 1
        if from_air - switch_cost > from_cut:
            cut, came_from[i, 1] = from_air - switch_cost, 0
        else:
            came_from[i, 1] = 1
        air -= 0.5 * logit[i]
        cut += 0.5 * logit[i]
    path = np.zeros(n_frames, dtype=np.bool_)
    state = 1 if cut > air else 0
    for i in range(n_frames - 1, -1, -1):
        path[i] = state == 1
        state = came_from[i, state]
    return path


def runs_of(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open stretches in which the mask holds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def bridged(path: NDArray[np.bool_], shortest: int) -> NDArray[np.bool_]:
    """Close inner gaps, and then drop stretches, that are shorter than `shortest` frames."""
    path = path.copy()
    for begin, stop in runs_of(~path):
        if stop - begin < shortest and begin > 0 and stop < path.size:
            path[begin:stop] = True
    for begin, stop in runs_of(path):
        if stop - begin < shortest:
            path[begin:stop] = False
    return path
