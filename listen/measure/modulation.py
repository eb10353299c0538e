"""How the loudness of the sound swings: teeth hit in an even beat, coolant does not."""

import numpy as np
from numpy.typing import NDArray

STEPS_PER_HOP = 8
N_STEPS = 256
SHORTEST_LAG = 3
LONGEST_LAG = 128
EVERY = 2  # hops between two looks


class Modulation:
    """Depth, evenness and crest of the envelope, once per hop.

    Parameters
    ----------
    hop : int
        [samples]; the envelope has eight steps a hop, and 256 steps (320 ms) are looked at.
    """

    NAMES = ("envelope depth", "envelope evenness", "crest")

    def __init__(self, *, hop: int) -> None:
        edges = np.rint(np.arange(STEPS_PER_HOP) * hop / STEPS_PER_HOP).astype(np.int64)
        self._edges = edges
        self._widths = np.diff(np.append(edges, hop)).astype(np.float64)
        self._last_sample = 0.0
        self._envelope = np.zeros(N_STEPS)
        self._seen = 0
        self._held = np.zeros(2)
        self._taper = np.hanning(N_STEPS + 2)[1:-1]
        spectrum = np.abs(np.fft.rfft(self._taper, 2 * N_STEPS)) ** 2
        self._taper_correlation = np.fft.irfft(spectrum)[: LONGEST_LAG + 1]

    def push(self, hops: NDArray[np.float64]) -> NDArray[np.float64]:
        """Features of whole hops.

        Parameters
        ----------
        hops : ndarray, shape (n_hops, hop)

        Returns
        -------
        ndarray, shape (n_hops, 3)
        """
        features = np.zeros((hops.shape[0], 3))
        if hops.shape[0] == 0:
            return features
        flat = np.concatenate([[self._last_sample], hops.ravel()])
        self._last_sample = float(flat[-1])
        power: NDArray[np.float64] = np.square(flat[1:] - 0.97 * flat[:-1]).reshape(hops.shape)
        steps = np.sqrt(np.add.reduceat(power, self._edges, axis=1) / self._widths) + 1e-9
        features[:, 2] = np.log(
            np.maximum(power.max(axis=1), 1e-18) / (np.cumsum(power, axis=1)[:, -1] / power.shape[-1] + 1e-18)
        )
        for i in range(hops.shape[0]):
            self._envelope = np.concatenate([self._envelope[STEPS_PER_HOP:], steps[i]])
            if self._seen % EVERY == 0:
                self._held = self._look(self._envelope)
            self._seen += 1
            features[i, :2] = self._held
        return features

    def _look(self, envelope: NDArray[np.float64]) -> NDArray[np.float64]:
        mean = envelope.mean()
        swing = (envelope - mean) * self._taper
        spectrum = np.fft.rfft(swing, 2 * N_STEPS)
        correlation = np.fft.irfft(spectrum.real**2 + spectrum.imag**2)[: LONGEST_LAG + 1]
        even = correlation[SHORTEST_LAG:] / self._taper_correlation[SHORTEST_LAG:]
        whole = correlation[0] / self._taper_correlation[0] + 1e-18
        return np.array([np.sqrt(whole) / mean, float(even.max()) / whole])
