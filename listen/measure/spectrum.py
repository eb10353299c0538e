"""Power of a window of sound in bands of the spectrum.

Conventions
-----------
Densities are in full-scale² per Hz, so that they do not depend on rate or window.
The transform is SciPy's, which keeps the tables of a window's length; NumPy's works them out at each call.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from listen.errors import InputError
from listen.measure.kernels import Bank, power_of

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


class Spectrum:
    """Power spectra of windows, and which of their bins make which band.

    Parameters
    ----------
    length : int
        Size of a window [samples].
    rate : int
        [Hz]
    edges_hz : ndarray, shape (n_bands + 1,)
        A band without a bin of its own takes the bin nearest to its centre; one that lies
        above what the rate can carry is dead.
    regions_hz : sequence of float
        Edges of the wider regions.

    Attributes
    ----------
    bank : Bank
    region_edges : ndarray, shape (n_regions + 1,)
        First bin of each region.
    step_hz : float
        From bin to bin [Hz].
    """

    def __init__(
        self, *, length: int, rate: int, edges_hz: NDArray[np.float64], regions_hz: Sequence[float]
    ) -> None:
        frequencies = np.fft.rfftfreq(length, 1.0 / rate)
        self._window = np.hanning(length + 2)[1:-1]
        first = np.searchsorted(frequencies, edges_hz[:-1])
        last = np.searchsorted(frequencies, edges_hz[1:])
        centre = np.sqrt(edges_hz[:-1] * edges_hz[1:])
        nearest = np.argmin(np.abs(frequencies[None, :] - centre[:, None]), axis=1)
        empty = last <= first
        first = np.where(empty, nearest, np.minimum(first, frequencies.size - 1))
        self.bank = Bank(
            first=first,
            last=np.where(empty, nearest + 1, np.maximum(last, first + 1)),
            alive=edges_hz[1:] <= 0.5 * rate * 0.96,
            region=np.searchsorted(np.array(regions_hz), centre) - 1,
            floor=FLOOR,
        )
        self._scale = float(2.0 / (rate * np.sum(self._window**2)))
        self._none = np.empty((0, frequencies.size))
        self.region_edges = np.searchsorted(frequencies, np.array(regions_hz))
        self.step_hz = rate / length

    def power(
        self, sound: NDArray[np.float64], *, start: int, step: int, n_windows: int
    ) -> NDArray[np.float64]:
        """Power density of windows that begin at `start`, `start + step`, …; shape (n_windows, n_bins)."""
        if not n_windows:
            return self._none
        windows: NDArray[np.float64] = np.ndarray(
            shape=(n_windows, self._window.size),
            dtype=sound.dtype,
            buffer=sound,
            offset=start * sound.itemsize,
            strides=(step * sound.itemsize, sound.itemsize),
        )
        spectra: NDArray[np.complex128] = rfft(windows * self._window, axis=1)
        power_of(spectra, self._scale, power := np.empty(spectra.shape))
        return power
