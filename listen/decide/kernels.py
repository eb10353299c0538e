"""Kernels of `decide`: the recurrent memory, one frame after another."""

import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from listen.compiled import compiled

N_TERMS = 8  # of the fraction of `tanh`; with these it is right to the last digit of float32
ONE, TWO, HALF = np.float32(1.0), np.float32(2.0), np.float32(0.5)
FARTHEST = np.float32(4.5)
TILE_ROWS = 16


def _fraction(n_terms: int) -> tuple[tuple[np.float32, ...], tuple[np.float32, ...]]:
    """Powers of x² above and below the line of tanh(x) / x."""
    above, below = np.array([2.0 * n_terms + 1.0]), np.array([1.0])
    for k in range(n_terms - 1, -1, -1):
        raised = polynomial.polyadd((2.0 * k + 1.0) * above, np.append(0.0, below))
        above, below = raised, above
    first = above[0]
    return tuple(np.float32(c / first) for c in below), tuple(np.float32(c / first) for c in above)


ABOVE, BELOW = _fraction(N_TERMS)


@compiled(error_model="numpy")
def tanh(x: np.float32) -> np.float32:
    """Hyperbolic tangent in float32, without a branch, so that whole rows are worked at once.

    The error model is part of that: Python's would test each division for zero, and `below` never is.

    References
    ----------
    Lambert 1768: tanh x = x / (1 + x² / (3 + x² / (5 + …))), here of x/2, then doubled by
    tanh 2y = 2 tanh y / (1 + tanh² y).
    """
    y = min(max(HALF * x, -FARTHEST), FARTHEST)
    s = y * y
    above = (((ABOVE[4] * s + ABOVE[3]) * s + ABOVE[2]) * s + ABOVE[1]) * s + ABOVE[0]
    below = (((BELOW[4] * s + BELOW[3]) * s + BELOW[2]) * s + BELOW[1]) * s + BELOW[0]
    half = y * above / below
    return TWO * half / (ONE + half * half)


@compiled(nogil=True)
def squeeze_rows(
    features: NDArray[np.float64],
    mean: NDArray[np.float32],
    scale: NDArray[np.float32],
    weight: NDArray[np.float32],
    bias: NDArray[np.float32],
    outputs: NDArray[np.float32],
) -> None:
    """Features as (value - mean) * scale, put through a linear layer that is cut off below 0.

    Parameters
    ----------
    features : ndarray, shape (n_frames, n_features)
    weight : ndarray, shape (n_outputs, n_features)
    outputs : ndarray, shape (n_frames, n_outputs)
        Filled; one product a row, since a product of all rows at once rounds differently
        with their number.
    """
    scaled = np.empty(mean.size, dtype=np.float32)
    for i in range(features.shape[0]):
        for k in range(mean.size):
            scaled[k] = (np.float32(features[i, k]) - mean[k]) * scale[k]
        np.dot(weight, scaled, outputs[i])
        for u in range(bias.size):
            outputs[i, u] = max(outputs[i, u] + bias[u], np.float32(0.0))


@compiled(nogil=True)
def dense_rows(
    inputs: NDArray[np.float32],
    weight: NDArray[np.float32],
    bias: NDArray[np.float32],
    outputs: NDArray[np.float32],
) -> None:
    """A plain linear layer, one product a row; `weight` is (n_outputs, n_inputs)."""
    for i in range(inputs.shape[0]):
        np.dot(weight, inputs[i], outputs[i])
        outputs[i] += bias


@compiled(nogil=True)
def dense_tiles(
    inputs: NDArray[np.float32],
    columns: NDArray[np.float32],
    bias: NDArray[np.float32],
    outputs: NDArray[np.float32],
) -> None:
    """`dense_rows` in a third of its time, where all rows are there: a product for some rows at once.

    So few that no library spreads it over threads, which costs more than it brings, and rounds differently.
    `columns` is the weight turned round, (n_inputs, n_outputs): turning it for each tile took half the time.
    """
    for first in range(0, inputs.shape[0], TILE_ROWS):
        last = min(first + TILE_ROWS, inputs.shape[0])
        np.dot(inputs[first:last], columns, outputs[first:last])
        outputs[first:last] += bias


@compiled()
def share_rows(scores: NDArray[np.float64], shares: NDArray[np.float64]) -> None:
    """Fill `shares` with each row's scores as shares that add up to 1, both (n_frames, n_states)."""
    for i in range(scores.shape[0]):
        shares[i] = np.exp(scores[i] - scores[i].max())
        shares[i] /= shares[i].sum()


@compiled(error_model="numpy")
def weigh(columns: NDArray[np.float32], values: NDArray[np.float32], sums: NDArray[np.float32]) -> None:
    """Fill `sums` with all values[k] * columns[k] together; `columns` is (n_values, n_sums).

    Eight at a time and always in the same order: quicker than a library's product of so small a matrix, and
    the same to the last bit on every computer.
    """
    sums[:] = 0.0
    n_eights = values.size // 8 * 8
    for k in range(0, n_eights, 8):
        a, b, c, d = values[k], values[k + 1], values[k + 2], values[k + 3]
        e, f, g, h = values[k + 4], values[k + 5], values[k + 6], values[k + 7]
        for j in range(sums.size):
            ab, cd = a * columns[k, j] + b * columns[k + 1, j], c * columns[k + 2, j] + d * columns[k + 3, j]
            ef, gh = (
                e * columns[k + 4, j] + f * columns[k + 5, j],
                g * columns[k + 6, j] + h * columns[k + 7, j],
            )
            sums[j] += (ab + cd) + (ef + gh)
    for k in range(n_eights, values.size):
        for j in range(sums.size):
            sums[j] += values[k] * columns[k, j]


@compiled(error_model="numpy", nogil=True)
def run_memory(
    given: NDArray[np.float32],
    state_columns: NDArray[np.float32],
    b_state: NDArray[np.float32],
    state: NDArray[np.float32],
    outputs: NDArray[np.float32],
    first: int,
    way: int,
) -> None:
    """Run one layer of gated recurrent units over frames.

    Parameters
    ----------
    given : ndarray, shape (n_frames, 3 * n_units)
        What the inputs bring: their product with the layer's weights, plus its bias.
    state_columns : ndarray, shape (n_units, 3 * n_units)
        Weights of the memory; in the order reset, update, candidate, as the columns of `given`.
    b_state : ndarray, shape (3 * n_units,)
    state : ndarray, shape (n_units,)
        Memory before the first frame; changed in place to that after the last.
    outputs : ndarray, shape (n_frames, at least first + n_units)
        Columns from `first` on are filled with the memory after each frame.
    way : int
        1 from the first frame to the last, -1 from the last to the first.

    References
    ----------
    Cho et al. 2014, "Learning phrase representations using RNN encoder-decoder", section 2.3,
    with the reset gate applied after the matrix product, as common libraries have it.
    """
    n_frames, n_units = given.shape[0], state.shape[0]
    gate = np.empty(2 * n_units, dtype=np.float32)
    kept = np.empty(3 * n_units, dtype=np.float32)
    for step in range(n_frames):
        i = step if way > 0 else n_frames - 1 - step
        weigh(state_columns, state, kept)
        open_gates(given[i, : 2 * n_units], kept[: 2 * n_units], b_state[: 2 * n_units], gate)
        renew(given[i, 2 * n_units :], kept[2 * n_units :], b_state[2 * n_units :], gate, state)
        outputs[i, first : first + n_units] = state


@compiled(error_model="numpy", nogil=True)
def open_gates(
    given: NDArray[np.float32],
    kept: NDArray[np.float32],
    bias: NDArray[np.float32],
    gate: NDArray[np.float32],
) -> None:
    """Fill `gate` with how far each is open [0 to 1]; the logistic function of z is (1 + tanh(z / 2)) / 2."""
    for u in range(gate.size):
        gate[u] = HALF + HALF * tanh(HALF * (given[u] + (kept[u] + bias[u])))


@compiled(error_model="numpy", nogil=True)
def renew(
    given: NDArray[np.float32],
    kept: NDArray[np.float32],
    bias: NDArray[np.float32],
    gate: NDArray[np.float32],
    state: NDArray[np.float32],
) -> None:
    """Mix each unit's candidate into its memory, by its reset and its update gate.

    Parts of one array that are named before the loop, and all indexed by `u` alone, are worked many at
    once; with indices that are reckoned in the loop it takes four times as long.
    """
    reset, update = gate[: state.size], gate[state.size :]
    for u in range(state.size):
        candidate = tanh(given[u] + reset[u] * (kept[u] + bias[u]))
        state[u] = (ONE - update[u]) * candidate + update[u] * state[u]


@compiled(error_model="numpy")
def smooth_rows(rows: NDArray[np.float64], reach: int, smooth: NDArray[np.float64]) -> None:
    """Fill `smooth` with each row's mean over itself and `reach` rows either side, fewer at the ends.

    The means are differences of running sums; of these only the last few are held.

    Parameters
    ----------
    rows, smooth : ndarray, shape (n_frames, n_vector)
    """
    n_rows, n_sums = len(rows), 2 * reach + 2
    sums = np.zeros((n_sums, rows.shape[1]))
    for seen in range(1, n_rows + reach + 1):
        if seen <= n_rows:
            for k in range(rows.shape[1]):
                sums[seen % n_sums, k] = sums[(seen - 1) % n_sums, k] + rows[seen - 1, k]
        i = seen - reach - 1
        low, high = max(i - reach, 0), min(seen, n_rows)
        for k in range(rows.shape[1] if i >= 0 else 0):
            smooth[i, k] = (sums[high % n_sums, k] - sums[low % n_sums, k]) / (high - low)


@compiled()
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
