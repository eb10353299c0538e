"""Which columns of a frame are what: told by whoever joins the stages."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.decide.kernels import smooth_rows

REACH = 2  # frames either side that a vector is smoothed over


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Places in the rows of `Frames.values`.

    Attributes
    ----------
    model : slice
        The features that the model was fitted on.
    bands, fine, lines : slice
        Band levels [dB]; narrow band levels [dB]; strongest lines as (Hz, dB, dB over) each.
    band_edges_hz : ndarray, shape (n_bands + 1,)
    fine_edges_hz : ndarray, shape (n_fine + 1,)
    hop_s : float
        Time from frame to frame [s].
    window_s : float
        Length of the window behind a frame [s]; its middle is what the frame speaks of.
    """

    model: slice
    bands: slice
    fine: slice
    lines: slice
    band_edges_hz: NDArray[np.float64]
    fine_edges_hz: NDArray[np.float64]
    hop_s: float
    window_s: float

    def back(self, hop: int) -> int:
        """From a frame's end back to the middle of its window [samples]."""
        return round(0.5 * self.window_s / self.hop_s * hop)

    def vectors(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """What a run can teach itself on, smoothed over a few frames, shape (n_frames, n_vector)."""
        rows = np.hstack([values[:, self.bands], values[:, self.fine]])
        smooth_rows(rows, REACH, smooth := np.empty(rows.shape))
        return smooth
