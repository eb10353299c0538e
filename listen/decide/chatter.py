"""Chatter: a strong line off the comb of the teeth that stays where it is while the tool cuts."""

import numpy as np
from numpy.typing import NDArray

from listen.states import Finding, Turning

CHATTER_S = 0.35  # a line must stand out for so long: entries and exits sing for less
CHATTER_OVER_DB = 20.0  # off the comb of a known speed; a mode that every tooth strikes sings at 15
DENSE_OVER_DB = 26.0  # where the spindle turns so slowly that its lines run together
DROWNS_ALL_DB = 22.0  # where the speed is not known: a line of a clean cut seldom does
LOWEST_MODE_HZ = 250.0  # tool and spindle sing above this; common practice, no source
SAME_LINE = 0.02  # share of the frequency within which it is the same line
OFF_COMB_HZ = 6.0  # a window of 100 ms tells lines 10 Hz apart
DENSE_HZ = 4.0 * OFF_COMB_HZ  # below this the lines of a comb run together
KEPT_LOOKS = 3  # so many looks are kept while no line stands out


class ChatterListener:
    """Follows the strongest line of one contact after another.

    Parameters
    ----------
    per_s : float
        Samples per second.
    turnings : tuple of Turning
        None where the speed is not known; then chatter is looked for only as a line that comes
        up with the contact and drowns all else.
    """

    def __init__(self, *, per_s: float, turnings: tuple[Turning, ...]) -> None:
        self._least = CHATTER_S * per_s
        self._combs_hz = sorted({_comb_hz(turning) for turning in turnings})
        self._stands_out_db = _stands_out_db(turnings)
        self._looks: list[tuple[int, float, float]] = []
        self._told = False
        self._air_hz: NDArray[np.float32] = np.zeros(0, dtype=np.float32)

    def begin(self, air: NDArray[np.float32]) -> None:
        """A contact has begun; `air` are the lines of the frames before it, (n_frames, n_lines, 3)."""
        self._looks, self._told = [], False
        self._air_hz = air[-1, :, 0] if len(air) else self._air_hz

    def break_off(self) -> None:
        """The contact may be over, or goes on after all: what was seen so far counts no more."""
        self._looks = []

    def look(self, at: int, lines: NDArray[np.float32]) -> tuple[Finding, ...]:
        """Take the lines of one frame, (n_lines, 3), and tell of chatter once it has lasted."""
        frequency, over = self._strongest_off_comb(*(float(value) for value in lines[0]))
        if frequency == 0.0:
            self._looks = self._looks[-KEPT_LOOKS:]
            return ()
        steady = [look for look in self._looks if abs(look[1] - frequency) <= SAME_LINE * frequency]
        self._looks = [*steady, (at, frequency, over)]
        if self._told or at - self._looks[0][0] < self._least:
            return ()
        self._told = True
        return (self._finding(at),)

    def _finding(self, at: int) -> Finding:
        level = float(np.median([over for _, _, over in self._looks]))
        return Finding(
            kind="chatter",
            start=self._looks[0][0],
            stop=at,
            decided_at=at,
            frequency_hz=float(np.median([frequency for _, frequency, _ in self._looks])),
            level_db=level,
            probability=float(np.clip(0.5 + (level - self._stands_out_db) / 20.0, 0.5, 0.95)),
        )

    def _strongest_off_comb(self, frequency: float, _level: float, over: float) -> tuple[float, float]:
        """The strongest line if it stands out, and is neither the comb's nor the air's; else zeros."""
        if over < self._stands_out_db or frequency < LOWEST_MODE_HZ or self._on_comb(frequency):
            return 0.0, 0.0
        in_air = bool((np.abs(self._air_hz - frequency) <= SAME_LINE * frequency).any())
        return (0.0, 0.0) if in_air else (frequency, over)

    def _on_comb(self, frequency: float) -> bool:
        near = max(OFF_COMB_HZ, 0.004 * frequency)
        return any(abs(frequency - round(frequency / comb) * comb) <= near for comb in self._combs_hz)


def _stands_out_db(turnings: tuple[Turning, ...]) -> float:
    if not turnings:
        return DROWNS_ALL_DB
    apart = all(turning.spindle_hz >= DENSE_HZ for turning in turnings)
    return CHATTER_OVER_DB if apart else DENSE_OVER_DB


def _comb_hz(turning: Turning) -> float:
    """From line to line [Hz]: runout sings at every turn, where those lines can be told apart."""
    alone = turning.spindle_hz >= DENSE_HZ
    return turning.spindle_hz if alone else turning.spindle_hz * max(turning.flutes, 1)
