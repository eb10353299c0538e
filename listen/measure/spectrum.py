"""Power of a window of sound in bands of the spectrum.

Conventions
-----------
Densities are in full-scale² per Hz, so that they do not depend on rate or window.
"""

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError

LOWEST_HZ = 90.0
HIGHEST_HZ = 18000.0
N_BANDS = 20
FINE_LOWEST_HZ = 60.0
FINE_HIGHEST_HZ = 12000.0
N_FINE = 96
FLOOR = 1e-17  # density of digital silence: below the noise of 24 bit sound


def log_edges(low_hz: float, high_hz: float, n_bands: int) -> NDArray[np.float64]:
    """Edges of `n_bands` bands of equal ratio, shape (n_bands + 1,) [Hz]."""
    if not 0.0 < low_hz < high_hz:
        raise InputError(f"bands need 0 < low_hz < high_hz, got {low_hz} and {high_hz}")
    return np.geomspace(low_hz, high_hz, n_bands + 1)


class BandPower:
    """Mean power density of windows in bands.

    Parameters
    ----------
    length : int
        Size of a window [samples].
    rate : int
        [Hz]
    edges_hz : ndarray, shape (n_bands + 1,)
        A band without a bin of its own takes the bin nearest to its centre.

    Attributes
    ----------
    alive : ndarray, shape (n_bands,)
        False for bands that lie above what the rate can carry.
    """

    def __init__(self, *, length: int, rate: int, edges_hz: NDArray[np.float64]) -> None:
        frequencies = np.fft.rfftfreq(length, 1.0 / rate)
        self.window = np.hanning(length + 2)[1:-1]
        self._scale = 2.0 / (rate * np.sum(self.window**2))
        self.alive = edges_hz[1:] <= 0.5 * rate * 0.96
        first = np.searchsorted(frequencies, edges_hz[:-1])
        last = np.searchsorted(frequencies, edges_hz[1:])
        centre = np.sqrt(edges_hz[:-1] * edges_hz[1:])
        nearest = np.argmin(np.abs(frequencies[None, :] - centre[:, None]), axis=1)
        empty = last <= first
        self._first = np.where(empty, nearest, np.minimum(first, frequencies.size - 1))
        self._last = np.where(empty, nearest + 1, np.maximum(last, self._first + 1))
        self.frequencies = frequencies

    def power(self, windows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Power density of each bin, shape (n_windows, n_bins)."""
        spectrum = np.fft.rfft(windows * self.window, axis=1)
        return (spectrum.real**2 + spectrum.imag**2) * self._scale

    def bands(self, power: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean density in each band, shape (n_windows, n_bands); dead bands give the floor."""
        sums = np.zeros((power.shape[0], power.shape[1] + 1))
        np.cumsum(power, axis=1, out=sums[:, 1:])
        width = self._last - self._first
        mean = (sums[:, self._last] - sums[:, self._first]) / width
        return np.where(self.alive, np.maximum(mean, FLOOR), FLOOR)


def a_weighting_db(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """A-weighting of frequencies above 0 [dB].

    References
    ----------
    IEC 61672-1, annex: closed form with poles at 20.6, 107.7, 737.9 and 12194 Hz.
    """
    square = np.square(frequency_hz)
    f1, f2, f3, f4 = 20.598997, 107.65265, 737.86223, 12194.217
    gain = (f4**2 * square**2) / (
        (square + f1**2) * np.sqrt((square + f2**2) * (square + f3**2)) * (square + f4**2)
    )
    weighted: NDArray[np.float64] = 20.0 * np.log10(gain) + 2.0
    return weighted
