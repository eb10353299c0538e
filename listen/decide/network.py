"""Score frames with a fitted network, streaming or over a whole recording."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from listen.decide.kernels import TILE_ROWS, dense_rows, dense_tiles, run_memory, share_rows, squeeze_rows
from listen.decide.model import Array, Layer, Network

ROWS_AT_ONCE = 64 * TILE_ROWS  # of a long recording: what they bring stays near the processor
SURE_HEAD = 2  # of the live ear's scores: log odds that there was contact a second ago
SURE_FRAMES = 100  # that second


class Memory:
    """A live network with its memory; rows pushed in any batches give the same scores.

    Parameters
    ----------
    network : Network
        One without backward layers.
    """

    def __init__(self, network: Network) -> None:
        self._network = network
        self._columns = [layer.state_columns for layer in network.forward]
        self._states = [np.zeros(layer.n_units, dtype=np.float32) for layer in network.forward]

    def push(self, features: NDArray[np.float64]) -> NDArray[np.float64]:
        """Scores of the next frames.

        Parameters
        ----------
        features : ndarray, shape (n_frames, n_features)

        Returns
        -------
        ndarray, shape (n_frames, n_heads)
        """
        flow = squeeze(self._network, features)
        for layer, columns, state in zip(self._network.forward, self._columns, self._states, strict=True):
            given = _dense(layer.w_input, layer.b_input, flow)
            flow = np.empty((len(flow), state.size), dtype=np.float32)
            run_memory(given, columns, layer.b_state, state, flow, 0, 1)
        return _dense(self._network.heads.weight, self._network.heads.bias, flow).astype(np.float64)


def score_whole(network: Network, features: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scores of a whole recording by a network that looks both ways.

    Parameters
    ----------
    features : ndarray, shape (n_frames, n_features)

    Returns
    -------
    ndarray, shape (n_frames, n_heads)
    """
    return _score_flow(network, squeeze(network, features), first=0)


def score_together(networks: tuple[Network, ...], features: NDArray[np.float64]) -> NDArray[np.float64]:
    """The mean of what several networks score, each as by `score_whole`; each has a thread."""
    with ThreadPoolExecutor(len(networks)) as pool:
        return mean_of(list(pool.map(lambda network: score_whole(network, features), networks)))


def mean_of(scores: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """The mean of several networks' scores, all of one shape."""
    mean: NDArray[np.float64] = np.mean(scores, axis=0)
    return mean


def first_given(network: Network, flow: Array) -> tuple[Array, Array]:
    """What squeezed features bring to the first layer, forwards and backwards, (n_frames, 3 * n_units)."""
    return _given(network.forward[0], flow), _given(network.backward[0], flow)


def score_remembered(network: Network, ahead: Array, back: Array) -> NDArray[np.float64]:
    """Scores of the last frames of a stream.

    Parameters
    ----------
    ahead : ndarray, shape (n_frames, n_units)
        The first layer's forward memory after each frame, which has heard all that came before them.
    back : ndarray, shape (n_frames, 3 * n_units)
        What the frames bring to it backwards.

    Returns
    -------
    ndarray, shape (n_frames, n_heads)
    """
    layer, n_ahead = network.backward[0], ahead.shape[1]
    flow = np.empty((len(ahead), n_ahead + layer.n_units), dtype=np.float32)
    flow[:, :n_ahead] = ahead
    state = np.zeros(layer.n_units, dtype=np.float32)
    run_memory(back, layer.state_columns, layer.b_state, state, flow, n_ahead, -1)
    return _score_flow(network, flow, first=1)


def _score_flow(network: Network, flow: Array, *, first: int) -> NDArray[np.float64]:
    """Scores of what the layer before `first` makes of the frames."""
    for forward, backward in zip(network.forward[first:], network.backward[first:], strict=True):
        flow = _both_ways(forward, backward, flow)
    return _dense(network.heads.weight, network.heads.bias, flow).astype(np.float64)


def shares(scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scores as shares that add up to 1 in each row, shape (n_frames, n_states)."""
    found = np.empty(scores.shape)
    # Laid out alike, so that only one form needs to be compiled.
    share_rows(np.ascontiguousarray(scores), found)
    return found


def squeeze(network: Network, features: NDArray[np.float64]) -> Array:
    """What the memory takes in of each frame, whatever frames come with it; shape (n_frames, n_inputs)."""
    weight, bias = network.squeeze.weight, network.squeeze.bias
    outputs = np.empty((len(features), bias.size), dtype=np.float32)
    squeeze_rows(features, network.mean, network.scale, weight, bias, outputs)
    return outputs


def _dense(weight: Array, bias: Array, flow: Array) -> Array:
    outputs = np.empty((len(flow), bias.size), dtype=np.float32)
    dense_rows(flow, weight, bias, outputs)
    return outputs


def _given(layer: Layer, flow: Array) -> Array:
    given = np.empty((len(flow), layer.b_input.size), dtype=np.float32)
    dense_tiles(flow, layer.input_columns, layer.b_input, given)
    return given


def _both_ways(forward: Layer, backward: Layer, flow: Array) -> Array:
    """One layer over all frames, from an empty memory; shape (n_frames, units of both ways)."""
    heard = np.empty((len(flow), forward.n_units + backward.n_units), dtype=np.float32)
    for layer, first, way in ((forward, 0, 1), (backward, forward.n_units, -1)):
        columns, state = layer.state_columns, np.zeros(layer.n_units, dtype=np.float32)
        for start in range(0, len(flow), ROWS_AT_ONCE)[::way]:
            rows = slice(start, start + ROWS_AT_ONCE)
            run_memory(_given(layer, flow[rows]), columns, layer.b_state, state, heard[rows], first, way)
    return heard
