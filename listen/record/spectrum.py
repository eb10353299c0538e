"""Sound as columns of bytes that a page can draw: log bands, half a decibel a step."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError

N_BANDS = 48
LOWEST_HZ = 80.0
HIGHEST_HZ = 16000.0
FLOOR_DB = -130.0
STEP_DB = 0.5
_FINEST_HOP_S = 0.005
MOST_BYTES = 3_200_000  # of a whole picture, before packing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """The sound of a whole run as it is drawn.

    Attributes
    ----------
    columns : ndarray, shape (n_columns, n_bands)
        Levels in steps of half a decibel, 0 is -130 dB re full scale.
    hop_s : float
        Time from column to column [s].
    bands_hz : ndarray, shape (n_bands,)
        Centres of the bands [Hz].
    """

    columns: NDArray[np.uint8]
    hop_s: float
    bands_hz: NDArray[np.float64]


def no_picture() -> Picture:
    """Of a run that keeps nothing of its sound."""
    return Picture(
        columns=np.zeros((0, N_BANDS), dtype=np.uint8),
        hop_s=_FINEST_HOP_S,
        bands_hz=np.geomspace(LOWEST_HZ, HIGHEST_HZ, N_BANDS),
    )


class SpectrumColumns:
    """Samples in, columns of band levels out; any cut of the samples gives the same columns.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    hop_s : float
        Wanted time from column to column [s]; rounded to whole samples, see `hop_s`.

    Attributes
    ----------
    hop_s : float
        Time from column to column [s]. Column i shows the sound about second (i + 0.5)·hop_s.
    bands_hz : ndarray, shape (n_bands,)
        Centres of the bands [Hz].
    """

    def __init__(self, rate: int, *, hop_s: float = 0.02) -> None:
        if not 0.001 <= hop_s <= 10.0:
            raise InputError(f"hop_s must be 0.001 to 10 seconds, got {hop_s}")
        self._hop = max(1, round(hop_s * rate))
        self.hop_s = self._hop / rate
        self._size = 2 ** round(np.log2(rate * (0.043 if hop_s >= 0.01 else 0.022)))
        self._window = np.hanning(self._size).astype(np.float32)
        self.bands_hz = np.geomspace(LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate), N_BANDS)
        self._edges = _band_edges(self.bands_hz, rate, self._size)
        self._scale = np.float32(2.0 / self._size / np.sum(self._window**2))
        self._rest = np.zeros(max(0, self._size // 2 - self._hop // 2), dtype=np.float32)
        self._skip = max(0, self._hop // 2 - self._size // 2)

    def push(self, samples: NDArray[np.float64]) -> NDArray[np.uint8]:
        """The columns that these samples complete, shape (n_columns, n_bands)."""
        waiting = np.concatenate([self._rest, samples.astype(np.float32)])
        skipped = min(self._skip, waiting.size)
        self._skip -= skipped
        waiting = waiting[skipped:]
        n_columns = max(0, (waiting.size - self._size) // self._hop + 1)
        self._rest = waiting[n_columns * self._hop :]
        self._skip += max(0, n_columns * self._hop - waiting.size)  # a hop may be longer than the window
        if not n_columns:
            return np.zeros((0, N_BANDS), dtype=np.uint8)
        frames = np.lib.stride_tricks.sliding_window_view(waiting, self._size)[:: self._hop][:n_columns]
        return np.concatenate([self._columns(frames[i : i + 256]) for i in range(0, n_columns, 256)])

    def close(self) -> NDArray[np.uint8]:
        """The last columns, as if silence followed."""
        return self.push(np.zeros(self._size // 2))

    def _columns(self, frames: NDArray[np.float32]) -> NDArray[np.uint8]:
        from scipy import fft

        lines = fft.rfft(frames * self._window, axis=1)
        power = np.add.reduceat(lines.real**2 + lines.imag**2, self._edges, axis=1)[:, ::2] * self._scale
        level_db = 10.0 * np.log10(np.maximum(power, 1e-13))
        columns: NDArray[np.uint8] = np.clip(np.round((level_db - FLOOR_DB) / STEP_DB), 0, 255).astype(
            np.uint8
        )
        return columns


class PictureMaker:
    """Makes the picture of a run while its sound passes by.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    duration_s : float
        Length of the run; the longer, the coarser its picture [s].
    """

    def __init__(self, rate: int, *, duration_s: float) -> None:
        hop_s = max(_FINEST_HOP_S, duration_s * N_BANDS / MOST_BYTES)
        self._made = SpectrumColumns(rate, hop_s=min(hop_s, 10.0))
        self._parts: list[NDArray[np.uint8]] = []

    def push(self, samples: NDArray[np.float64]) -> None:
        """Take the next samples, shape (n_samples,)."""
        self._parts.append(self._made.push(samples))

    def close(self) -> Picture:
        """End the sound, give the whole picture; empty where no sound came."""
        nothing = np.zeros((0, N_BANDS), dtype=np.uint8)
        parts = [*self._parts, self._made.close()] if self._parts else [nothing]
        return Picture(columns=np.concatenate(parts), hop_s=self._made.hop_s, bands_hz=self._made.bands_hz)


def _band_edges(centres_hz: NDArray[np.float64], rate: int, size: int) -> NDArray[np.int64]:
    """First line of each band and the line after its last, one after the other, shape (2·n_bands,).

    Bands that are narrower than the distance of lines take the line nearest to their centre.
    """
    ratio = np.sqrt(centres_hz[1] / centres_hz[0])
    first = np.ceil(centres_hz / ratio * size / rate).astype(np.int64)
    last = np.ceil(centres_hz * ratio * size / rate).astype(np.int64)
    nearest = np.round(centres_hz * size / rate).astype(np.int64)
    narrow = last <= first
    first[narrow], last[narrow] = nearest[narrow], nearest[narrow] + 1
    edges: NDArray[np.int64] = np.stack([first, last], axis=1).ravel()
    return edges


def useful_range(columns: NDArray[np.uint8]) -> tuple[int, int]:
    """The bytes that are drawn quietest and loudest, so that a run fills the colours."""
    sounding = columns[columns > 0]
    if not sounding.size:
        return 60, 200
    sample = sounding[:: max(1, sounding.size // 200_000)]
    quiet, loud = np.percentile(sample, [20.0, 99.7])
    return int(quiet), int(max(loud, quiet + 20))
