"""The second ear asked about the last seconds, while the run goes on."""

import numpy as np
from numpy.typing import NDArray

from listen.decide.kept import AT_ONCE
from listen.decide.kernels import TILE_ROWS, run_memory
from listen.decide.model import Network
from listen.decide.network import first_given, mean_of, score_remembered, shares, squeeze

LOOKS_BACK = 500  # frames
_ROOM = 2 * LOOKS_BACK + AT_ONCE


class Review:
    """Keeps the last frames and gives the two-sided ear's belief in contact for them.

    Its networks are asked only while a change waits to be confirmed, so they cost little.

    Parameters
    ----------
    networks : tuple of Network
        The two-sided ones.
    """

    def __init__(self, networks: tuple[Network, ...]) -> None:
        self._kept = [_LastFrames(network) for network in networks]
        self._new: list[NDArray[np.float64]] = []  # features that the networks have not taken in
        self._n_new = 0  # frames of them

    def keep(self, features: NDArray[np.float64]) -> None:
        """Keep the features of the next frames, shape (n_frames, n_features), at most `AT_ONCE`.

        The networks take them in later and many together, which costs less than a few at a time: they
        must not be changed.
        """
        self._new.append(features)
        self._n_new += len(features)
        if self._n_new >= AT_ONCE:
            self._take_in()

    def _take_in(self) -> None:
        if not self._new:
            return
        features = np.concatenate(self._new)
        for kept in self._kept:
            kept.keep(features)
        self._new, self._n_new = [], 0

    def __call__(self, *, ahead: int) -> NDArray[np.float64]:
        """Belief in contact of the kept frames, shape (n_frames,), the latest last.

        The newest `ahead` of them are left out: they are kept, and not heard yet.
        """
        self._take_in()
        scores = mean_of([kept.scores(ahead=ahead) for kept in self._kept])
        belief: NDArray[np.float64] = 1.0 - shares(scores)[:, 0]
        return belief


class _LastFrames:
    """The last frames as one network takes them in.

    Its first layer's forward memory has heard the whole stream; the rest begins anew with each question.
    """

    def __init__(self, network: Network) -> None:
        self._network = network
        self._first = network.forward[0]
        self._columns = self._first.state_columns
        room = -(-_ROOM // TILE_ROWS) * TILE_ROWS
        self._rows = np.zeros((room, network.squeeze.bias.size), dtype=np.float32)
        self._given = [
            np.zeros((room, ways[0].b_input.size), dtype=np.float32)
            for ways in (network.forward, network.backward)
        ]
        self._ahead = np.zeros((room, self._first.n_units), dtype=np.float32)
        self._state = np.zeros(self._first.n_units, dtype=np.float32)
        self._stop = 0  # end of the rows that are kept
        self._n_given = 0  # of them, whole tiles put through the first layer's weights
        self._n_ahead = 0  # of them, rows that the forward memory has heard

    def keep(self, features: NDArray[np.float64]) -> None:
        """Squeeze the features of the next frames, fewer than twice `AT_ONCE`, and keep that."""
        if self._stop + len(features) > len(self._rows):
            self._remember()
            self._move()
        self._rows[self._stop : self._stop + len(features)] = squeeze(self._network, features)
        self._stop += len(features)

    def scores(self, *, ahead: int) -> NDArray[np.float64]:
        """Scores of the kept frames but the newest `ahead`, shape (n_frames, n_heads)."""
        self._remember()
        window = slice(max(0, self._stop - ahead - LOOKS_BACK), self._stop - ahead)
        return score_remembered(self._network, self._ahead[window], self._given[1][window])

    def _remember(self) -> None:
        """Let the forward memory hear the new rows, each once, however often they are asked about."""
        self._give()
        new = slice(self._n_ahead, self._stop)
        given = self._given[0][new]
        run_memory(given, self._columns, self._first.b_state, self._state, self._ahead[new], 0, 1)
        self._n_ahead = self._stop

    def _give(self) -> None:
        """Put new rows through the first layer's weights once.

        Always in the same whole tiles, so that a row's sums are the same whatever rows came with it.
        """
        last = min(-(-self._stop // TILE_ROWS) * TILE_ROWS, len(self._rows))
        new = slice(self._n_given, last)
        for given, fresh in zip(self._given, first_given(self._network, self._rows[new]), strict=True):
            given[new] = fresh
        self._n_given = self._stop // TILE_ROWS * TILE_ROWS

    def _move(self) -> None:
        """Drop the oldest tiles, whole ones, so that each row keeps its place in its tile."""
        n_dropped = (self._stop - LOOKS_BACK - AT_ONCE) // TILE_ROWS * TILE_ROWS
        n_left = self._stop - n_dropped
        for kept in (self._rows, self._ahead, *self._given):
            kept[:n_left] = kept[n_dropped : self._stop].copy()
        self._stop, self._n_given = n_left, max(0, self._n_given - n_dropped)
        self._n_ahead = n_left
