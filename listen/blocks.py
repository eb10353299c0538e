"""What flows in from the world and how it is framed: sound, gaps, load, features.

Conventions
-----------
Time is an integer count of samples since the stream opened; intervals are half-open.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError

LOAD_UNITS = {"load_percent": "%", "current_a": "A", "power_w": "W", "torque_nm": "Nm"}
LOAD_KINDS = tuple(LOAD_UNITS)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Consecutive samples of one microphone.

    Attributes
    ----------
    samples : ndarray, shape (n_samples,)
        Mono audio, full scale = ±1, float64. Never changed.
    start : int
        Place of the first sample [samples since the stream opened].
    rate : int
        Sample rate [Hz], at least 8000.
    """

    samples: NDArray[np.float64]
    start: int
    rate: int

    def __post_init__(self) -> None:
        if not self.rate >= 8000:
            raise InputError(f"sample rate must be at least 8000 Hz, got {self.rate}")
        if not self.start >= 0:
            raise InputError(f"a block starts at sample 0 or later, got {self.start}")
        if self.samples.ndim != 1:
            raise InputError(f"samples must have shape (n_samples,), got {self.samples.shape}")
        if not np.isfinite(self.samples).all():
            first = int(np.flatnonzero(~np.isfinite(self.samples))[0])
            raise InputError(f"samples[{first}] is {self.samples[first]}; audio must be finite")

    @property
    def stop(self) -> int:
        """One past the last sample [samples]."""
        return self.start + self.samples.size


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch in which nothing was heard; every stage starts its context anew.

    Attributes
    ----------
    start, stop : int
        The stretch that is missing [samples]; a gap of unknown length has stop = start.
    reason : str
        Why, in words for a person.
    """

    start: int
    stop: int
    reason: str

    def __post_init__(self) -> None:
        if not 0 <= self.start <= self.stop:
            raise InputError(f"a gap needs 0 <= start <= stop, got {self.start} and {self.stop}")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSample:
    """One value of spindle load, mapped to the audio clock.

    Attributes
    ----------
    at : int
        When it was measured [samples since the stream opened].
    percent : float
        The value in the unit that `kind` names; `percent` where the control gives percent.
    kind : str
        One of `LOAD_KINDS`.
    """

    at: int
    percent: float
    kind: str

    def __post_init__(self) -> None:
        if self.kind not in LOAD_KINDS:
            raise InputError(f"kind of load must be one of {LOAD_KINDS}, got {self.kind!r}")
        if not np.isfinite(self.percent):
            raise InputError(f"a load sample must be finite, got {self.percent} at {self.at}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frames:
    """Consecutive feature frames.

    Attributes
    ----------
    at : ndarray, shape (n_frames,)
        End of the sound that each frame has seen [samples], int64, increasing.
    values : ndarray, shape (n_frames, n_features)
        The features; their names and units belong to the stage that makes them.
    """

    at: NDArray[np.int64]
    values: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.values.ndim != 2 or self.at.shape != self.values.shape[:1]:
            raise InputError(
                f"frames need at (n_frames,) and values (n_frames, n_features), "
                f"got {self.at.shape} and {self.values.shape}"
            )

    def __len__(self) -> int:
        return int(self.at.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceClock:
    """How the clock of a source beside the sound lies to the sound's own.

    ``sound seconds = offset_s + (1 + drift) * source seconds``; the lag of a drive is in it.

    Attributes
    ----------
    source : str
        "load", or the name of a witness.
    offset_s, drift, spread_s : float
        Offset [s], drift, and one standard deviation of a mapped time [s].
    n_events : int
        Beginnings and ends that both had.
    """

    source: str
    offset_s: float = 0.0
    drift: float = 0.0
    spread_s: float = 0.0
    n_events: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceState:
    """A source beside the sound came or went.

    Attributes
    ----------
    source : str
        "MTConnect", "OPC UA", "MQTT".
    at : int
        When it was noticed [samples].
    listening : bool
    reason : str
        Why it went, in words for a person; "" where it came.
    """

    source: str
    at: int
    listening: bool
    reason: str = ""
