"""Kernels of `measure`: what must go frame by frame.

Conventions
-----------
State arrays are changed in place; every frame is worked in order, so that batches of any
size give the same numbers.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

N_REFERENCES = 4


@njit(cache=True)
def follow_references(
    bands_db: NDArray[np.float64],
    alive: NDArray[np.bool_],
    references_db: NDArray[np.float64],
    memory: NDArray[np.float64],
    hop_s: float,
    contrast_db: NDArray[np.float64],
) -> None:
    """Contrast of each band to four ungated memories of itself, then update the memories.

    Parameters
    ----------
    bands_db : ndarray, shape (n_frames, n_bands)
    alive : ndarray, shape (n_bands,)
    references_db : ndarray, shape (4, n_bands)
        Means over about 1.7 s, 12 s and 40 s, and a follower that rises slowly and falls fast.
    memory : ndarray, shape (2,)
        Frames seen; loudest band level [dB], falling by 0.2 dB a second.
    hop_s : float
        [s]
    contrast_db : ndarray, shape (n_frames, 4 * n_bands)
        Filled; both sides are raised by a floor 65 dB under the loudest band, so that what
        is far below it does not count; 0 for dead bands.
    """
    n_frames, n_bands = bands_db.shape
    time_s = (1.7, 12.0, 40.0)
    for i in range(n_frames):
        loudest = -300.0
        for b in range(n_bands):
            if alive[b] and bands_db[i, b] > loudest:
                loudest = bands_db[i, b]
        memory[1] = max(memory[1] - 0.2 * hop_s, loudest)
        floor = 10.0 ** ((memory[1] - 65.0) / 10.0)
        first = memory[0] == 0.0
        for b in range(n_bands):
            level = bands_db[i, b]
            power = 10.0 ** (level / 10.0) + floor
            for r in range(4):
                if first:
                    references_db[r, b] = level
                reference = references_db[r, b]
                if alive[b]:
                    ratio = power / (10.0 ** (reference / 10.0) + floor)
                    contrast_db[i, r * n_bands + b] = 10.0 * np.log10(ratio)
                else:
                    contrast_db[i, r * n_bands + b] = 0.0
                if r < 3:
                    share = max(1.0 / (memory[0] + 1.0), hop_s / time_s[r])
                elif level > reference:
                    share = max(0.2 / (memory[0] + 1.0), hop_s / 30.0)
                else:
                    share = max(1.0 / (memory[0] + 1.0), hop_s / 0.4)
                references_db[r, b] = reference + share * (level - reference)
        memory[0] += 1.0


@njit(cache=True)
def follow_extremes(
    levels_db: NDArray[np.float64],
    ring: NDArray[np.float64],
    memory: NDArray[np.float64],
    hop_s: float,
    extremes: NDArray[np.float64],
) -> None:
    """Level of each region, its short extremes and its longer minimum, over its slow mean.

    Parameters
    ----------
    levels_db : ndarray, shape (n_frames, n_regions)
    ring : ndarray, shape (n_ring, n_regions)
        The last levels; its length is that of the longer minimum.
    memory : ndarray, shape (1 + n_regions,)
        Frames seen; slow mean of each region over about 12 s [dB].
    hop_s : float
        [s]
    extremes : ndarray, shape (n_frames, 4 * n_regions)
        Filled: level, minimum and maximum over 12 frames, minimum over the ring, each less
        the slow mean [dB].
    """
    n_frames, n_regions = levels_db.shape
    n_ring = ring.shape[0]
    for i in range(n_frames):
        seen = int(memory[0])
        for r in range(n_regions):
            level = levels_db[i, r]
            ring[seen % n_ring, r] = level
            if seen == 0:
                memory[1 + r] = level
            low, high, lowest = level, level, level
            for back in range(min(seen + 1, n_ring)):
                past = ring[(seen - back) % n_ring, r]
                lowest = min(lowest, past)
                if back < 12:
                    low = min(low, past)
                    high = max(high, past)
            mean = memory[1 + r]
            extremes[i, 4 * r] = level - mean
            extremes[i, 4 * r + 1] = low - mean
            extremes[i, 4 * r + 2] = high - mean
            extremes[i, 4 * r + 3] = lowest - mean
            share = max(1.0 / (memory[0] + 1.0), hop_s / 12.0)
            memory[1 + r] = mean + share * (level - mean)
        memory[0] += 1.0
