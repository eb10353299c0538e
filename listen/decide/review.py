"""The second ear asked about the last seconds, while the run goes on."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from listen.decide.model import Network
from listen.decide.network import score_whole, shares

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
        self._rows: deque[NDArray[np.float64]] = deque(maxlen=LOOKS_BACK)

    def keep(self, features: NDArray[np.float64]) -> None:
        """Keep one frame's features, shape (n_features,)."""
        self._rows.append(features)

    def __call__(self) -> NDArray[np.float64]:
        """Belief in contact of each kept frame, shape (n_frames,), the latest last."""
        belief: NDArray[np.float64] = 1.0 - shares(score_whole(self._network, np.array(self._rows)))[:, 0]
        return belief
