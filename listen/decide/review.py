"""The second ear asked about the last seconds, while the run goes on."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from listen.decide.model import Array, Network
from listen.decide.network import score_squeezed, shares, squeeze

LOOKS_BACK = 800  # frames


class Review:
    """Keeps the last frames and gives the two-sided ear's belief in contact for them.

    It is asked only while a change waits to be confirmed, so it costs little on the whole.

    Parameters
    ----------
    network : Network
        The two-sided one.
    """

    def __init__(self, network: Network) -> None:
        self._network = network
        self._rows: deque[Array] = deque()  # squeezed once, however often they are asked about
        self._n_rows = 0

    def keep(self, features: NDArray[np.float64]) -> None:
        """Keep the features of the next frames, shape (n_frames, n_features)."""
        self._rows.append(squeeze(self._network, features))
        self._n_rows += len(features)
        while self._n_rows - len(self._rows[0]) >= LOOKS_BACK + len(features):
            self._n_rows -= len(self._rows.popleft())

    def __call__(self, *, ahead: int) -> NDArray[np.float64]:
        """Belief in contact of the kept frames, shape (n_frames,), the latest last.

        The newest `ahead` of them are left out: they are kept, and not heard yet.
        """
        rows = np.concatenate(self._rows)[: self._n_rows - ahead][-LOOKS_BACK:]
        belief: NDArray[np.float64] = 1.0 - shares(score_squeezed(self._network, rows))[:, 0]
        return belief
