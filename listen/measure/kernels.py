"""Kernels of `measure`: what must go frame by frame.

Conventions
-----------
State arrays are changed in place; every frame is worked in order, so that batches of any
size give the same numbers.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled

N_REFERENCES = 4


@compiled()
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


@compiled()
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
        n_filled = min(seen + 1, n_ring)
        for r in range(n_regions):
            level = levels_db[i, r]
            ring[seen % n_ring, r] = level
            if seen == 0:
                memory[1 + r] = level
            low, high, lowest = level, level, level
            for k in range(n_filled):
                lowest = min(lowest, ring[k, r])
            for back in range(min(n_filled, 12)):
                past = ring[(seen - back) % n_ring, r]
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


@compiled()
def power_of(spectra: NDArray[np.complex128], scale: float, power: NDArray[np.float64]) -> None:
    """Fill `power` with squared magnitudes times `scale`; both (n_windows, n_bins)."""
    for i in range(spectra.shape[0]):
        for k in range(spectra.shape[1]):
            power[i, k] = (spectra[i, k].real ** 2 + spectra[i, k].imag ** 2) * scale


@compiled()
def mean_in_bands(
    power: NDArray[np.float64],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    alive: NDArray[np.bool_],
    floor: float,
    density: NDArray[np.float64],
) -> None:
    """Mean power density of each band.

    Parameters
    ----------
    power : ndarray, shape (n_frames, n_bins)
        Density of each bin.
    first, last : ndarray, shape (n_bands,)
        Half-open range of bins of each band.
    alive : ndarray, shape (n_bands,)
        Dead bands give the floor.
    floor : float
        Least density.
    density : ndarray, shape (n_frames, n_bands)
        Filled.
    """
    for i in range(power.shape[0]):
        for b in range(first.size):
            total = 0.0
            if alive[b]:
                for k in range(first[b], last[b]):
                    total += power[i, k]
            density[i, b] = max(total / (last[b] - first[b]), floor)


@compiled()
def mean_in_regions(
    density: NDArray[np.float64],
    alive: NDArray[np.bool_],
    region_of_band: NDArray[np.int64],
    levels_db: NDArray[np.float64],
) -> None:
    """Level of the mean of the live bands of each region [dB], 0 where it has none.

    Parameters
    ----------
    density : ndarray, shape (n_frames, n_bands)
    alive, region_of_band : ndarray, shape (n_bands,)
    levels_db : ndarray, shape (n_frames, n_regions)
        Filled.
    """
    for i in range(density.shape[0]):
        for r in range(levels_db.shape[1]):
            total, n_live = 0.0, 0
            for b in range(alive.size):
                if alive[b] and region_of_band[b] == r:
                    total += density[i, b]
                    n_live += 1
            levels_db[i, r] = 10.0 * np.log10(total / n_live) if n_live else 0.0


@compiled()
def follow_flux(
    bands_db: NDArray[np.float64],
    alive: NDArray[np.bool_],
    past: NDArray[np.float64],
    n_before: int,
    flux_db: NDArray[np.float64],
) -> None:
    """How far the live bands have moved, and risen, since three frames ago.

    Parameters
    ----------
    bands_db : ndarray, shape (n_frames, n_bands)
    alive : ndarray, shape (n_bands,)
    past : ndarray, shape (3, n_bands)
        Ring of the last frames, changed in place.
    n_before : int
        Frames before the first of these.
    flux_db : ndarray, shape (n_frames, 2)
        Filled; 0 for the first three frames of a stream.
    """
    n_live = max(1, alive.sum())
    for i in range(bands_db.shape[0]):
        slot = (n_before + i) % 3
        moved, risen = 0.0, 0.0
        for b in range(alive.size):
            step = bands_db[i, b] - past[slot, b]
            past[slot, b] = bands_db[i, b]
            if alive[b] and n_before + i >= 3:
                moved += abs(step)
                risen += max(step, 0.0)
        flux_db[i, 0] = moved / n_live
        flux_db[i, 1] = risen / n_live


@compiled()
def hold_to(table: NDArray[np.float64], most: float) -> None:
    """Hold all values to ±`most`, and turn decibels into bels, in place."""
    for i in range(table.shape[0]):
        for k in range(table.shape[1]):
            table[i, k] = min(max(table[i, k], -most), most) / 10.0


class Bank(NamedTuple):
    """Which bins of a spectrum make which band; see `mean_in_bands`, and `mean_in_regions`."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    alive: NDArray[np.bool_]
    region: NDArray[np.int64]
    floor: float


class ShortMemory(NamedTuple):
    """What a stream remembers of its short windows, changed in place by the kernels named so."""

    references_db: NDArray[np.float64]
    reference: NDArray[np.float64]
    ring: NDArray[np.float64]
    extreme: NDArray[np.float64]
    past: NDArray[np.float64]


@compiled()
def look_short(
    power: NDArray[np.float64],
    bank: Bank,
    memory: ShortMemory,
    n_before: int,
    hop_s: float,
    contrast: NDArray[np.float64],
    extremes: NDArray[np.float64],
    flux: NDArray[np.float64],
    bands_db: NDArray[np.float64],
) -> None:
    """All that the short windows give: fills the last four, the first three of them in bels."""
    density = np.empty(bands_db.shape)
    levels_db = np.empty((bands_db.shape[0], memory.ring.shape[1]))
    mean_in_bands(power, bank.first, bank.last, bank.alive, bank.floor, density)
    bands_db[:] = 10.0 * np.log10(density)
    follow_references(bands_db, bank.alive, memory.references_db, memory.reference, hop_s, contrast)
    mean_in_regions(density, bank.alive, bank.region, levels_db)
    follow_extremes(levels_db, memory.ring, memory.extreme, hop_s, extremes)
    follow_flux(bands_db, bank.alive, memory.past, n_before, flux)
    hold_to(contrast, 40.0)
    hold_to(extremes, 40.0)
    hold_to(flux, 1000.0)
