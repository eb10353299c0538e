"""Sound that is cut off at its peaks, because the microphone's gain is too high for it."""

import numpy as np
from numpy.typing import NDArray

LEAST_TOP = 0.3  # of full scale; below, equal values are a coarse quantisation, not a stop
SAME = 1e-4  # of the top
LEAST_RUN = 3  # equal values in a row


def clipped_share(samples: NDArray[np.float64]) -> float:
    """Share of samples in flat tops: three or more equal values in a row at the greatest magnitude.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full scale = ±1; one or more. Not changed.

    Returns
    -------
    float
        From 0 to 1.

    Examples
    --------
    >>> clipped_share(np.array([0.1, 0.9, 0.9, 0.9, 0.1, -0.9, 0.1, 0.2, 0.0, 0.0]))
    0.3
    """
    top = float(np.max(np.abs(samples)))
    if top < LEAST_TOP:
        return 0.0
    flat = np.abs(np.abs(samples) - top) <= SAME * top
    if np.count_nonzero(flat) < LEAST_RUN:
        return 0.0
    same = np.concatenate([[False], (np.abs(np.diff(samples)) <= SAME * top) & flat[1:] & flat[:-1], [False]])
    edges = np.flatnonzero(np.diff(same.astype(int)))
    runs = edges[1::2] - edges[::2] + 1
    return float(runs[runs >= LEAST_RUN].sum()) / samples.size
