"""The strongest lines of a spectrum: where a spindle, a tooth or chatter sings."""

import numpy as np
from numpy.typing import NDArray

N_LINES = 5
LOWEST_HZ = 120.0
HIGHEST_HZ = 8000.0
NEIGHBOURS = 25  # bins each side that a line is held against
STANDS_OUT_DB = 8.0


def strongest_lines(power: NDArray[np.float64], frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Frequency, level and rise over its neighbours of the strongest lines, strongest first.

    Parameters
    ----------
    power : ndarray, shape (n_bins,)
        Power density of one window.
    frequencies_hz : ndarray, shape (n_bins,)

    Returns
    -------
    ndarray, shape (3 * N_LINES,)
        [Hz, dB, dB] a line; zeros where fewer stand out.
    """
    found = np.zeros(3 * N_LINES)
    level = 10.0 * np.log10(power + 1e-20)
    over = level - _neighbourhood(level)
    inner = slice(1, level.size - 1)
    is_peak = (level[inner] >= level[:-2]) & (level[inner] > level[2:]) & (over[inner] >= STANDS_OUT_DB)
    is_peak &= (frequencies_hz[inner] >= LOWEST_HZ) & (frequencies_hz[inner] <= HIGHEST_HZ)
    peaks = np.flatnonzero(is_peak) + 1
    strongest = peaks[np.argsort(-level[peaks], kind="stable")[:N_LINES]]
    for i, peak in enumerate(strongest):
        left, top, right = level[peak - 1], level[peak], level[peak + 1]
        curve = left - 2.0 * top + right
        shift = 0.5 * (left - right) / curve if curve < 0.0 else 0.0
        step = frequencies_hz[1] - frequencies_hz[0]
        found[3 * i : 3 * i + 3] = (frequencies_hz[peak] + shift * step, top, over[peak])
    return found


def _neighbourhood(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean level of the bins around each bin [dB]."""
    sums = np.concatenate([[0.0], np.cumsum(level)])
    index = np.arange(level.size)
    low = np.maximum(index - NEIGHBOURS, 0)
    high = np.minimum(index + NEIGHBOURS + 1, level.size)
    mean: NDArray[np.float64] = (sums[high] - sums[low]) / (high - low)
    return mean
