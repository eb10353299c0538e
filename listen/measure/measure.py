"""Blocks of sound as frames of features, one frame each 10 ms.

Conventions
-----------
A frame's `at` is the end of the sound that it has seen. Nothing here knows the program.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Frames, Gap
from listen.errors import InputError, ListenError
from listen.measure.kernels import N_REFERENCES, follow_extremes, follow_references
from listen.measure.lines import N_LINES, strongest_lines
from listen.measure.modulation import Modulation
from listen.measure.spectrum import (
    FINE_HIGHEST_HZ,
    FINE_LOWEST_HZ,
    HIGHEST_HZ,
    LOWEST_HZ,
    N_BANDS,
    N_FINE,
    BandPower,
    log_edges,
)
from listen.measure.windows import Windows

VERSION = 1
HOP_S = 0.010
SHORT_S = 0.0213
LONG_S = 0.100
EVERY_LONG = 4  # hops between two long windows
REGIONS_HZ = (90.0, 400.0, 1500.0, 5000.0, 18000.0)
REFERENCES = ("1.7 s", "12 s", "40 s", "slow up")
EXTREMES = ("level", "low", "high", "lowest")


def _names() -> tuple[str, ...]:
    contrast = [f"band {b} over {r}" for r in REFERENCES for b in range(N_BANDS)]
    extremes = [f"region {g} {e}" for g in range(4) for e in EXTREMES]
    flat = [f"region {g} flatness" for g in range(4)] + [f"region {g} flatness change" for g in range(4)]
    return (*contrast, *extremes, *flat, "flux", "rise", *Modulation.NAMES, "time heard")


FEATURES = _names()
FINE = tuple(f"fine {i}" for i in range(N_FINE))
BANDS = tuple(f"band {b} level" for b in range(N_BANDS))
LINES = tuple(f"line {i} {part}" for i in range(N_LINES) for part in ("hz", "db", "over"))
COLUMNS = FEATURES + BANDS + FINE + LINES
MODEL_COLUMNS = slice(0, len(FEATURES))
BAND_COLUMNS = slice(len(FEATURES), len(FEATURES) + N_BANDS)
FINE_COLUMNS = slice(len(FEATURES) + N_BANDS, len(FEATURES) + N_BANDS + N_FINE)
LINE_COLUMNS = slice(len(COLUMNS) - len(LINES), len(COLUMNS))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Sizes in samples at one rate."""

    hop: int
    short: int
    long: int

    @classmethod
    def at(cls, rate: int) -> "Pace":
        """Give the sizes for a sample rate [Hz]."""
        if not rate >= 8000:
            raise InputError(f"sample rate must be at least 8000 Hz, got {rate}")
        return cls(hop=round(HOP_S * rate), short=round(SHORT_S * rate), long=round(LONG_S * rate))


def _row_means(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of each row, added up in one order whatever the number of rows."""
    means: NDArray[np.float64] = np.cumsum(table, axis=1)[:, -1] / table.shape[1]
    return means


class Measure:
    """Turn blocks of sound into frames of features.

    Parameters
    ----------
    rate : int
        Sample rate of all blocks [Hz], at least 8000.
    """

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self.pace = Pace.at(rate)
        self._closed = False
        self._heard = 0
        self._begin(0)

    @property
    def latency(self) -> int:
        """Longest wait from a sample to the frame that has it [samples]."""
        return self.pace.hop

    def _begin(self, start: int) -> None:
        """Start the context anew at a place in the stream."""
        pace, rate = self.pace, self.rate
        self._origin = start
        self._n_frames = 0
        self._short = Windows(length=pace.short, hop=pace.hop)
        self._long = Windows(length=pace.long, hop=pace.hop)
        self._hops = Windows(length=pace.hop, hop=pace.hop)
        edges = log_edges(LOWEST_HZ, HIGHEST_HZ, N_BANDS)
        fine = log_edges(FINE_LOWEST_HZ, FINE_HIGHEST_HZ, N_FINE)
        self._bands = BandPower(length=pace.short, rate=rate, edges_hz=edges)
        self._fine = BandPower(length=pace.long, rate=rate, edges_hz=fine)
        self._modulation = Modulation(hop=pace.hop)
        self._region_of_band = np.searchsorted(np.array(REGIONS_HZ), np.sqrt(edges[:-1] * edges[1:])) - 1
        self._bins = np.searchsorted(self._fine.frequencies, np.array(REGIONS_HZ))
        self._references = np.zeros((N_REFERENCES, N_BANDS))
        self._reference_memory = np.array([0.0, -300.0])
        self._ring = np.zeros((125, 4))
        self._extreme_memory = np.zeros(5)
        self._flat_memory = np.zeros((2, 4))
        self._past_bands = np.zeros((3, N_BANDS))
        self._held_fine = np.zeros(N_FINE)
        self._held_flat = np.zeros(8)
        self._held_lines = np.zeros(len(LINES))

    def push(self, given: Block | Gap) -> tuple[Frames | Gap, ...]:
        """Take the next block, give the frames it completes; a gap starts the context anew."""
        if self._closed:
            raise ListenError("push() after close(): make a new Measure per run")
        if isinstance(given, Gap):
            self._heard = max(self._heard, given.stop)
            self._begin(self._heard)
            return (given,)
        if given.rate != self.rate:
            raise InputError(f"this run is at {self.rate} Hz, got a block at {given.rate} Hz")
        if given.start != self._heard:
            raise InputError(
                f"block starts at sample {given.start}, expected {self._heard}; "
                f"tell of what is missing with a Gap"
            )
        self._heard = given.stop
        return tuple(self._frames(given.samples))

    def close(self) -> tuple[Frames | Gap, ...]:
        """End the stream; samples after the last whole hop are not measured."""
        self._closed = True
        return ()

    def _frames(self, samples: NDArray[np.float64]) -> Iterator[Frames]:
        short = self._short.push(samples)
        long = self._long.push(samples)
        hops = self._hops.push(samples)
        if short.shape[0]:
            n_before = self._n_frames
            self._n_frames += short.shape[0]
            index = np.arange(n_before + 1, self._n_frames + 1, dtype=np.int64)
            yield Frames(
                at=self._origin + index * self.pace.hop, values=self._values(short, long, hops, n_before)
            )

    def _values(
        self,
        short: NDArray[np.float64],
        long: NDArray[np.float64],
        hops: NDArray[np.float64],
        n_before: int,
    ) -> NDArray[np.float64]:
        n_frames = short.shape[0]
        values = np.zeros((n_frames, len(COLUMNS)))
        density = self._bands.bands(self._bands.power(short))
        bands_db = 10.0 * np.log10(density)
        width = 4 * N_BANDS
        contrast = np.empty((n_frames, width))
        follow_references(
            bands_db, self._bands.alive, self._references, self._reference_memory, HOP_S, contrast
        )
        values[:, :width] = np.clip(contrast, -40.0, 40.0) / 10.0
        values[:, width : width + 16] = self._extremes(density) / 10.0
        self._fill_long(long, n_before, values, width + 16)
        self._fill_flux(bands_db, values, width + 24)
        values[:, width + 26 : width + 29] = self._modulation.push(hops)
        seen = np.arange(n_before + 1, n_before + n_frames + 1) * HOP_S
        values[:, width + 29] = np.minimum(seen / 10.0, 1.0)
        values[:, BAND_COLUMNS] = bands_db
        return values

    def _extremes(self, density: NDArray[np.float64]) -> NDArray[np.float64]:
        alive = self._bands.alive
        levels = np.empty((density.shape[0], 4))
        for region in range(4):
            mine = alive & (self._region_of_band == region)
            levels[:, region] = _row_means(density[:, mine]) if mine.any() else 1.0
        extremes = np.empty((density.shape[0], 16))
        follow_extremes(10.0 * np.log10(levels), self._ring, self._extreme_memory, HOP_S, extremes)
        return np.clip(extremes, -40.0, 40.0)

    def _fill_long(
        self, long: NDArray[np.float64], n_before: int, values: NDArray[np.float64], column: int
    ) -> None:
        for i in range(long.shape[0]):
            if (n_before + i) % EVERY_LONG == 0:
                self._look_long(long[i : i + 1])
            values[i, column : column + 8] = self._held_flat
            values[i, FINE_COLUMNS] = self._held_fine
            values[i, LINE_COLUMNS] = self._held_lines

    def _look_long(self, window: NDArray[np.float64]) -> None:
        power = self._fine.power(window)
        self._held_fine = 10.0 * np.log10(self._fine.bands(power)[0])
        self._held_lines = strongest_lines(power[0], np.asarray(self._fine.frequencies, dtype=np.float64))
        flat = self._flatness(power[0])
        count, past = self._flat_memory
        if count[0] == 0:
            past[:] = flat
        self._held_flat = np.concatenate([flat, flat - past])
        past += (flat - past) * max(1.0 / (count[0] + 1.0), HOP_S * EVERY_LONG / 5.0)
        count += 1.0

    def _flatness(self, power: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean of the logarithm less logarithm of the mean, in each region [nepers, ≤ 0]."""
        flat = np.zeros(4)
        for region in range(4):
            bins = power[self._bins[region] : self._bins[region + 1]] + 1e-20
            if bins.size > 8:
                flat[region] = np.log(bins).mean() - np.log(bins.mean())
        return flat

    def _fill_flux(self, bands_db: NDArray[np.float64], values: NDArray[np.float64], column: int) -> None:
        past = np.concatenate([self._past_bands, bands_db])
        step = (past[3:] - past[:-3])[:, self._bands.alive]
        step[: max(0, 3 - self._n_frames + bands_db.shape[0])] = 0.0
        values[:, column] = _row_means(np.abs(step)) / 10.0
        values[:, column + 1] = _row_means(np.maximum(step, 0.0)) / 10.0
        self._past_bands = past[-3:]
