"""The long windows: fine bands, flatness and the strongest lines; spindle, teeth and chatter sing there."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled
from listen.measure.kernels import Bank, mean_in_bands

N_LINES = 5
LOWEST_HZ = 120.0
HIGHEST_HZ = 8000.0
NEIGHBOURS = 25  # bins each side that a line is held against
STANDS_OUT_DB = 8.0
LEAST = 1e-20  # density added before a logarithm


class LongMemory(NamedTuple):
    """What a stream keeps of its long windows, changed in place.

    Attributes
    ----------
    seen : ndarray, shape (1,)
        Long windows seen.
    flat : ndarray, shape (n_regions,)
        Slow mean of the flatness of each region over about 5 s.
    held : ndarray, shape (2 * n_regions + n_fine + 3 * N_LINES,)
        What the last one gave: flatness, its change, fine bands [dB], lines [Hz, dB, dB].
    """

    seen: NDArray[np.float64]
    flat: NDArray[np.float64]
    held: NDArray[np.float64]


@compiled()
def follow_long(
    power: NDArray[np.float64],
    log_power: NDArray[np.float64],
    bank: Bank,
    region_edges: NDArray[np.int64],
    step_hz: float,
    memory: LongMemory,
    share: float,
    first: int,
    every: int,
    flat: NDArray[np.float64],
    rest: NDArray[np.float64],
) -> None:
    """Look at every long window when its frame comes, and hold what it gave until the next.

    Parameters
    ----------
    power, log_power : ndarray, shape (n_long, n_bins)
        Density of each bin and its natural logarithm, of frames ``first``, ``first + every``, …
    region_edges : ndarray, shape (n_regions + 1,)
        Bins in which the regions of flatness begin.
    step_hz : float
        From bin to bin [Hz].
    share : float
        Of a new flatness in its slow mean, at the least.
    flat, rest : ndarray, shape (n_frames, 2 * n_regions) and (n_frames, n_fine + 3 * N_LINES)
        Filled.
    """
    n_regions = memory.flat.size
    n_lines = 2 * n_regions + bank.first.size
    density = np.empty((1, bank.first.size))
    for i in range(flat.shape[0]):
        if i >= first and (i - first) % every == 0:
            k = (i - first) // every
            follow_flatness(power[k], log_power[k], region_edges, memory, share)
            mean_in_bands(power[k : k + 1], bank.first, bank.last, bank.alive, bank.floor, density)
            memory.held[2 * n_regions : n_lines] = 10.0 * np.log10(density[0])
            strongest_lines(log_power[k], step_hz, memory.held[n_lines:])
        flat[i] = memory.held[: 2 * n_regions]
        rest[i] = memory.held[2 * n_regions :]


@compiled()
def follow_flatness(
    power: NDArray[np.float64],
    log_power: NDArray[np.float64],
    region_edges: NDArray[np.int64],
    memory: LongMemory,
    share: float,
) -> None:
    """Mean of the logarithm less logarithm of the mean in each region [nepers, ≤ 0], and its change."""
    n_regions = memory.flat.size
    for r in range(n_regions):
        low, high = region_edges[r], region_edges[r + 1]
        flat = flatness(power[low:high], log_power[low:high]) if high - low > 8 else 0.0
        if memory.seen[0] == 0.0:
            memory.flat[r] = flat
        change = flat - memory.flat[r]
        memory.held[r] = flat
        memory.held[n_regions + r] = change
        memory.flat[r] += change * max(1.0 / (memory.seen[0] + 1.0), share)
    memory.seen[0] += 1.0


@compiled()
def flatness(power: NDArray[np.float64], log_power: NDArray[np.float64]) -> float:
    """Mean of the logarithm less logarithm of the mean [nepers, ≤ 0].

    Both sums in one loop: each addition waits for the one before it, and two can wait together.
    """
    total, total_log = 0.0, 0.0
    for k in range(power.size):
        total += power[k]
        total_log += log_power[k]
    return float(total_log / power.size - np.log(total / power.size + LEAST))


@compiled()
def strongest_lines(log_power: NDArray[np.float64], step_hz: float, found: NDArray[np.float64]) -> None:
    """Frequency, level and rise over its neighbours of the strongest lines, strongest first.

    Parameters
    ----------
    log_power : ndarray, shape (n_bins,)
        Natural logarithm of the power density of one window.
    step_hz : float
        From bin to bin [Hz].
    found : ndarray, shape (3 * N_LINES,)
        Filled with [Hz, dB, dB] a line; zeros where fewer stand out.
    """
    n_looked_at = min(log_power.size, int(HIGHEST_HZ / step_hz) + NEIGHBOURS + 2)
    level = log_power[:n_looked_at] * (10.0 / np.log(10.0))
    sums = np.zeros(level.size + 1)
    for k in range(level.size):
        sums[k + 1] = sums[k] + level[k]
    found[:] = 0.0
    n_found = 0
    for k in range(max(1, int(np.ceil(LOWEST_HZ / step_hz))), level.size - 1):
        if k * step_hz > HIGHEST_HZ:
            break
        if level[k] < level[k - 1] or level[k] <= level[k + 1]:
            continue
        low, high = max(k - NEIGHBOURS, 0), min(k + NEIGHBOURS + 1, level.size)
        over = level[k] - (sums[high] - sums[low]) / (high - low)
        if over >= STANDS_OUT_DB:
            n_found = insert_line(found, n_found, (k + shift_of_peak(level, k)) * step_hz, level[k], over)


@compiled()
def insert_line(
    found: NDArray[np.float64], n_found: int, frequency_hz: float, level_db: float, over_db: float
) -> int:
    """Put a line among those found so far, in order of level; the weakest falls out."""
    place = n_found
    while place > 0 and found[3 * place - 2] < level_db:
        place -= 1
    n_found = min(n_found + 1, found.size // 3)
    if place >= n_found:
        return n_found
    for k in range(3 * n_found - 1, 3 * place + 2, -1):
        found[k] = found[k - 3]
    found[3 * place], found[3 * place + 1], found[3 * place + 2] = frequency_hz, level_db, over_db
    return n_found


@compiled()
def shift_of_peak(level: NDArray[np.float64], peak: int) -> float:
    """How far the top lies from its bin, by the parabola through it and its neighbours [bins]."""
    left, top, right = level[peak - 1], level[peak], level[peak + 1]
    curve = left - 2.0 * top + right
    return 0.5 * (left - right) / curve if curve < 0.0 else 0.0
