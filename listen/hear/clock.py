"""Other clocks mapped onto the audio clock: offset, drift, and steps.

Conventions
-----------
A source's own time is in seconds by its own clock; the audio clock counts samples.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError

LATE_IN_A_ROW = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockMap:
    """``audio seconds = offset_s + (1 + drift) * source seconds``.

    Attributes
    ----------
    offset_s : float
        Audio time at which the source's clock reads 0 [s].
    drift : float
        How much slower the source's clock runs than the audio clock; 1e-4 is 0.36 s an hour.
    spread_s : float
        One standard deviation of a mapped time [s]; 0 where it is not known.
    """

    offset_s: float = 0.0
    drift: float = 0.0
    spread_s: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.offset_s) and abs(self.drift) < 0.1):
            raise InputError(
                f"a clock needs a finite offset and a drift below 0.1, got {self.offset_s} s "
                f"and {self.drift}; are the times in seconds?"
            )

    def to_samples(self, source_s: float, *, rate: int) -> int:
        """Place of a source time on the audio clock [samples], not below 0."""
        return max(0, round((self.offset_s + (1.0 + self.drift) * source_s) * rate))


def fit_clock(
    source_s: NDArray[np.float64], audio_s: NDArray[np.float64], *, least_span_s: float = 60.0
) -> ClockMap:
    """Clock from pairs of times of the same events, robust against a third of wrong pairs.

    Parameters
    ----------
    source_s, audio_s : ndarray, shape (n_events,)
        When each event happened by either clock [s].
    least_span_s : float
        Below this span only the offset is estimated: drift would be a guess.

    Returns
    -------
    ClockMap

    Raises
    ------
    InputError
        If there is no pair or the lengths differ.

    References
    ----------
    Theil (1950) and Sen (1968): slope as the median of the slopes of all pairs.
    """
    if source_s.shape != audio_s.shape or source_s.size == 0:
        raise InputError(f"a clock needs pairs of times, got {source_s.size} and {audio_s.size}")
    drift = 0.0
    if np.ptp(source_s) >= least_span_s:
        first, second = np.triu_indices(source_s.size, k=1)
        apart = source_s[second] - source_s[first]
        far = np.abs(apart) >= 0.25 * np.ptp(source_s)
        slopes = (audio_s[second] - audio_s[first])[far] / apart[far]
        drift = float(np.median(slopes)) - 1.0
    rest = audio_s - (1.0 + drift) * source_s
    offset = float(np.median(rest))
    spread = 1.4826 * float(np.median(np.abs(rest - offset)))
    return ClockMap(offset_s=offset, drift=drift, spread_s=spread)


def align_clock(
    source_s: NDArray[np.float64],
    audio_s: NDArray[np.float64],
    *,
    greatest_offset_s: float,
    collar_s: float = 0.3,
) -> ClockMap | None:
    """Clock from two lists of events of which only some are shared.

    The offset under which most events fall together is taken, then `fit_clock` on those.

    Parameters
    ----------
    source_s, audio_s : ndarray, shapes (n_source,) and (n_audio,)
        Times of the same kind of event (a cut begins) by either clock [s], increasing.
    greatest_offset_s : float
        Offsets beyond this are not looked for [s].
    collar_s : float
        How near two events must fall to be taken for one [s].

    Returns
    -------
    ClockMap | None
        None where fewer than three events fall together, or two offsets explain as many:
        an even rhythm of cuts fits at every beat.
    """
    if min(source_s.size, audio_s.size) < 3:
        return None
    offsets = (audio_s[:, np.newaxis] - source_s[np.newaxis, :]).ravel()
    offsets = offsets[np.abs(offsets) <= greatest_offset_s]
    if not offsets.size:
        return None
    votes = np.array([np.count_nonzero(np.abs(offsets - o) <= collar_s) for o in offsets])
    best = float(np.median(offsets[np.abs(offsets - offsets[votes.argmax()]) <= collar_s]))
    rivals = votes[np.abs(offsets - best) > 2.0 * collar_s]
    if votes.max() < 3 or (rivals.size and rivals.max() > 0.8 * votes.max()):
        return None
    nearest = np.abs(source_s[:, np.newaxis] + best - audio_s[np.newaxis, :]).argmin(axis=1)
    shared = np.abs(source_s + best - audio_s[nearest]) <= 2.0 * collar_s
    return fit_clock(source_s[shared], audio_s[nearest[shared]])


class ArrivalClock:
    """Maps the stamps of a live source by when they arrive; delays only ever add.

    The least of (arrival - stamp) over the last minute is the offset: what is above it is
    network and polling. A stamp that would fall more than `step_s` after its own arrival
    shows that the source's clock was set forward; several in a row that fall far before theirs,
    that it was set back (one or a few may only be late). The map then starts anew.

    Parameters
    ----------
    window_s : float
        How long an arrival counts [s].
    step_s : float
        A change of offset beyond this is a clock that was set [s].
    """

    def __init__(self, *, window_s: float = 60.0, step_s: float = 1.0) -> None:
        self._window_s = window_s
        self._step_s = step_s
        self._seen: list[tuple[float, float]] = []  # (arrival, arrival - stamp)
        self._n_late = 0
        self.n_steps = 0

    def push(self, stamp_s: float, *, arrived_s: float) -> float:
        """Audio time of a stamp [s], never after its arrival.

        Parameters
        ----------
        stamp_s : float
            By the source's clock [s].
        arrived_s : float
            By the audio clock [s].
        """
        delay = arrived_s - stamp_s
        beyond = delay - self.offset_s if self._seen else 0.0
        self._n_late = self._n_late + 1 if beyond > self._step_s else 0
        if beyond < -self._step_s or self._n_late > LATE_IN_A_ROW:
            self._seen.clear()
            self._n_late = 0
            self.n_steps += 1
        self._seen = [(a, d) for a, d in self._seen if a >= arrived_s - self._window_s]
        self._seen.append((arrived_s, delay))
        return min(arrived_s, stamp_s + self.offset_s)

    @property
    def offset_s(self) -> float:
        """Audio time at which the source's clock reads 0, as now believed [s]."""
        return min((delay for _, delay in self._seen), default=0.0)
