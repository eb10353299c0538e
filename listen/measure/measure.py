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
from listen.measure import envelope_kernels
from listen.measure.envelope_kernels import follow_envelope, new_envelope
from listen.measure.kernels import N_REFERENCES, ShortMemory, look_short
from listen.measure.line_kernels import LEAST, N_LINES, LongMemory, follow_long
from listen.measure.spectrum import (
    FINE_HIGHEST_HZ,
    FINE_LOWEST_HZ,
    HIGHEST_HZ,
    LOWEST_HZ,
    N_BANDS,
    N_FINE,
    Spectrum,
    log_edges,
)

VERSION = 1
HOP_S = 0.010
SHORT_S = 0.0213
LONG_S = 0.100
EVERY_LONG = 4  # hops between two long windows
REGIONS_HZ = (90.0, 400.0, 1500.0, 5000.0, 18000.0)
REFERENCES = ("1.7 s", "12 s", "40 s", "slow up")
EXTREMES = ("level", "low", "high", "lowest")
N_REGIONS = len(REGIONS_HZ) - 1
N_RING = 125  # frames of the longer minimum
AT_ONCE = 50  # frames worked together: more do not fit the processor's cache


def _names() -> tuple[str, ...]:
    contrast = [f"band {b} over {r}" for r in REFERENCES for b in range(N_BANDS)]
    extremes = [f"region {g} {e}" for g in range(4) for e in EXTREMES]
    flat = [f"region {g} flatness" for g in range(4)] + [f"region {g} flatness change" for g in range(4)]
    return (*contrast, *extremes, *flat, "flux", "rise", *envelope_kernels.NAMES, "time heard")


FEATURES = _names()
FINE = tuple(f"fine {i}" for i in range(N_FINE))
BANDS = tuple(f"band {b} level" for b in range(N_BANDS))
LINES = tuple(f"line {i} {part}" for i in range(N_LINES) for part in ("hz", "db", "over"))
COLUMNS = FEATURES + BANDS + FINE + LINES
MODEL_COLUMNS = slice(0, len(FEATURES))
BAND_COLUMNS = slice(len(FEATURES), len(FEATURES) + N_BANDS)
FINE_COLUMNS = slice(len(FEATURES) + N_BANDS, len(FEATURES) + N_BANDS + N_FINE)
LINE_COLUMNS = slice(len(COLUMNS) - len(LINES), len(COLUMNS))
CONTRAST = slice(0, len(REFERENCES) * N_BANDS)
EXTREME = slice(CONTRAST.stop, CONTRAST.stop + len(EXTREMES) * N_REGIONS)
FLAT = slice(EXTREME.stop, EXTREME.stop + 2 * N_REGIONS)
FLUX = slice(FLAT.stop, FLAT.stop + 2)
SWING = slice(FLUX.stop, FLUX.stop + len(envelope_kernels.NAMES))
TIME_HEARD = MODEL_COLUMNS.stop - 1
FULL_TIME_S = 10.0
N_HELD = 2 * N_REGIONS + N_FINE + len(LINES)


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
        self._bands = Spectrum(
            length=self.pace.short,
            rate=rate,
            edges_hz=log_edges(LOWEST_HZ, HIGHEST_HZ, N_BANDS),
            regions_hz=REGIONS_HZ,
        )
        self._fine = Spectrum(
            length=self.pace.long,
            rate=rate,
            edges_hz=log_edges(FINE_LOWEST_HZ, FINE_HIGHEST_HZ, N_FINE),
            regions_hz=REGIONS_HZ,
        )
        self._closed = False
        self._heard = 0
        self._begin(0)

    @property
    def latency(self) -> int:
        """Longest wait from a sample to the frame that has it [samples]."""
        return self.pace.hop

    def _begin(self, start: int) -> None:
        """Start the context anew at a place in the stream; the sound before it counts as silence."""
        self._origin = start
        self._n_frames = 0
        self._rest = np.zeros(self.pace.long - self.pace.hop)
        self._envelope = new_envelope(self.pace.hop)
        self._short = ShortMemory(
            references_db=np.zeros((N_REFERENCES, N_BANDS)),
            reference=np.array([0.0, -300.0]),
            ring=np.zeros((N_RING, N_REGIONS)),
            extreme=np.zeros(1 + N_REGIONS),
            past=np.zeros((3, N_BANDS)),
        )
        self._long = LongMemory(seen=np.zeros(1), flat=np.zeros(N_REGIONS), held=np.zeros(N_HELD))

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
        hop = self.pace.hop
        waiting = np.concatenate([self._rest, samples])
        n_frames = (waiting.size - self.pace.long) // hop + 1
        self._rest = waiting[n_frames * hop :].copy()
        if not n_frames:
            return
        values = np.zeros((n_frames, len(COLUMNS)))
        for i in range(0, n_frames, AT_ONCE):
            self._fill(waiting[i * hop :], self._n_frames + i, values[i : i + AT_ONCE])
        at = self._origin + hop * np.arange(self._n_frames + 1, self._n_frames + n_frames + 1, dtype=np.int64)
        self._n_frames += n_frames
        yield Frames(at=at, values=values)

    def _fill(self, sound: NDArray[np.float64], n_before: int, values: NDArray[np.float64]) -> None:
        """Fill the rows of some frames; the long window of the first is where `sound` begins."""
        pace, n_frames = self.pace, len(values)
        power = self._bands.power(sound, start=pace.long - pace.short, step=pace.hop, n_windows=n_frames)
        parts = [values[:, part] for part in (CONTRAST, EXTREME, FLUX, BAND_COLUMNS)]
        look_short(power, self._bands.bank, self._short, n_before, HOP_S, *parts)
        self._look_long(sound, n_before, values)
        follow_envelope(sound, pace.long - pace.hop, n_before, self._envelope, values[:, SWING])
        values[:, TIME_HEARD] = 1.0
        if n_before < FULL_TIME_S / HOP_S:
            seen_s = HOP_S * np.arange(n_before + 1, n_before + n_frames + 1)
            values[:, TIME_HEARD] = np.minimum(seen_s / FULL_TIME_S, 1.0)

    def _look_long(self, sound: NDArray[np.float64], n_before: int, values: NDArray[np.float64]) -> None:
        """Fill what the long windows give; most often none is due, and the last one is held."""
        fine, n_frames = self._fine, len(values)
        first = -n_before % EVERY_LONG
        n_long = len(range(first, n_frames, EVERY_LONG))
        power = fine.power(
            sound, start=first * self.pace.hop, step=EVERY_LONG * self.pace.hop, n_windows=n_long
        )
        follow_long(
            power,
            np.log(power + LEAST),
            fine.bank,
            fine.region_edges,
            fine.step_hz,
            self._long,
            HOP_S * EVERY_LONG / 5.0,
            first,
            EVERY_LONG,
            values[:, FLAT],
            values[:, FINE_COLUMNS.start :],
        )
