"""Where a contact begins and ends in a log fast enough to show it between its points."""

import numpy as np
from numpy.typing import NDArray

ENTERED, FULL, LEFT = 0.3, 0.9, 0.7  # of the rise: contact begins and ends with the change, not at its middle
FINE_S = 0.11  # logs as fast as this are dated by their frames
LOOKED_S, PLATEAU_S, RAMP_S = 0.6, 1.5, 0.3
LOW = 0.25  # of what lies about a contact: another may be as near
CLEAR_NOISE = 5.0  # a rise of fewer standard deviations is dated by its points alone

Values = NDArray[np.float64]


class FineLog:
    """Frames of a log, or of the newest part of it.

    Parameters
    ----------
    seconds, load : ndarray, shape (n_frames,)
    """

    def __init__(self, seconds: Values, load: Values) -> None:
        self._seconds = seconds
        self._load = load

    @property
    def is_fine(self) -> bool:
        """Whether its frames come fast enough."""
        return self._seconds.size > 2 and float(np.median(np.diff(self._seconds))) <= FINE_S

    def begun(self, near_s: float, stop_s: float) -> tuple[float, float]:
        """Where a contact that begins near a time and lasts until `stop_s` begins, and is full [s]."""
        before = self._level(near_s - PLATEAU_S, near_s - RAMP_S, LOW)
        within_s = min(RAMP_S, 0.5 * max(0.0, stop_s - near_s))
        rise = self._level(near_s + within_s, min(stop_s, near_s + PLATEAU_S)) - before
        enter, full = (self._passed(near_s, before + share * rise, rise, 1) for share in (ENTERED, FULL))
        begin = near_s if enter is None else enter
        return begin, max(begin, begin if full is None else full)

    def over(self, near_s: float, start_s: float) -> float:
        """Where the contact that began at `start_s` and ends near a time is over [s]."""
        within_s = min(RAMP_S, 0.5 * max(0.0, float(self._seconds[-1]) - near_s))
        after = self._level(near_s + within_s, near_s + PLATEAU_S, LOW)
        rise = self._level(max(start_s, near_s - PLATEAU_S), near_s - RAMP_S) - after
        leave = self._passed(near_s, after + LEFT * rise, rise, -1)
        return near_s if leave is None else leave

    def _level(self, from_s: float, to_s: float, share: float = 0.5) -> float:
        """Level that a share of a while lies below, NaN where there is none."""
        first, stop = np.searchsorted(self._seconds, [from_s, to_s])
        return float(np.quantile(self._load[first:stop], share)) if stop > first else float("nan")

    def _passed(self, near_s: float, wanted: float, rise: float, way: int) -> float | None:
        """Where the load rose (1) or fell (-1) through a level near a time; None where it is not clear."""
        first, stop = np.searchsorted(self._seconds, [near_s - LOOKED_S, near_s + LOOKED_S])
        part = self._load[first:stop]
        noise = float(np.median(np.abs(np.diff(part)))) if part.size > 2 else float("nan")
        if not rise > CLEAR_NOISE * noise:
            return None
        over = part >= wanted
        turns = over[1:] & ~over[:-1] if way > 0 else over[:-1] & ~over[1:]
        places = first + np.flatnonzero(turns)
        if not places.size:
            return None
        i = int(places[0] if way > 0 else places[-1])
        return _between(self._seconds[i : i + 2], self._load[i : i + 2], wanted)


def _between(seconds: Values, load: Values, wanted: float) -> float:
    """Where a straight line between two frames passes a level."""
    share = (wanted - load[0]) / (load[1] - load[0]) if load[1] != load[0] else 1.0
    return float(seconds[0] + min(1.0, max(0.0, share)) * (seconds[1] - seconds[0]))
