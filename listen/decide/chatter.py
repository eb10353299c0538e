"""Chatter: a strong line off the comb of the teeth that stays where it is while the tool cuts."""

from collections import deque
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from listen.decide.tooth_pass import KNOWN_OFF, LEAST_LOOKS, lasting_lines, tooth_pass
from listen.states import Finding, Turning

CHATTER_S = 0.35  # a line must stand out for so long: entries and exits sing for less
CHATTER_OVER_DB = 15.0  # off the comb of a known speed
DENSE_OVER_DB = 18.0  # where the spindle turns so slowly that its lines run together
DROWNS_ALL_DB = 21.0  # where the speed is not known: a line of a clean cut seldom does
LOWEST_MODE_HZ = 300.0  # tool and spindle sing above this, voices below; common practice, no source
SAME_LINE = 0.02  # share of the frequency within which it is the same line
OFF_COMB_HZ = 6.0  # a window of 100 ms tells lines 10 Hz apart
DENSE_HZ = 4.0 * OFF_COMB_HZ  # below this the lines of a comb run together
SQUEAL_S = 1.2  # one that began with the entry must stand for so long
# Chatter keeps its frequency to this share, or so many hertz; a mode that noise strikes wanders.
STEADY, STEADY_HZ = 0.006, 2.0
LATER_OVER_DB = 18.0  # a line behind the teeth's
SUREST, BEHIND_SUREST = 0.95, 0.75  # belief; behind the teeth it may be a tone of the shop
MULTIPLES = (1, 2)  # of the tooth-pass frequency, that stand alone at times
STANDS = 0.75  # share of these looks in which it must stand: a mode that is struck comes and goes


class ChatterListener:
    """Follows the strongest line of one contact after another.

    Parameters
    ----------
    looks_per_s : float
        How often `look` is called.
    turnings : tuple of Turning
        None where the speed is not known; then chatter is looked for only as a line that comes
        up with the contact and drowns all else.
    """

    def __init__(self, *, looks_per_s: float, turnings: tuple[Turning, ...]) -> None:
        self._n_looks = 1 + round(CHATTER_S * looks_per_s)
        self._turnings = turnings
        self._combs_hz = sorted(
            {_line_step_hz(one.spindle_hz, one.spindle_hz * max(one.flutes, 1)) for one in turnings}
        )
        self._stands_out_db = _stands_out_db(turnings)
        self._n_long = 1 + round(SQUEAL_S * looks_per_s)
        self._looks: deque[tuple[int, float, float]] = deque(maxlen=self._n_long)
        self._behind: deque[bool] = deque(maxlen=self._n_looks)  # whether the teeth were stronger
        self._told = False
        self._air_hz: NDArray[np.float64] = np.zeros(0)
        self._entry_hz: NDArray[np.float32] = np.zeros(0, dtype=np.float32)

    def begin(self, air: NDArray[np.float32], now: NDArray[np.float32]) -> None:
        """A contact has begun; what sings before it is the machine's, not chatter.

        Parameters
        ----------
        air : ndarray, shape (n_looks, n_lines, 3)
            Lines before the contact; with too few looks those before an earlier one count.
        now : ndarray, shape (n_lines, 3)
            Lines when the contact was confirmed: its teeth's where the speed is not known, or a
            squeal of the entry, which must last for longer to count.
        """
        self.break_off()
        self._told = False
        self._air_hz = lasting_lines(air)[0] if len(air) >= LEAST_LOOKS else self._air_hz
        self._entry_hz = now[:, 0]

    def break_off(self) -> None:
        """The contact may be over, or goes on after all: what was seen so far counts no more."""
        self._looks.clear()
        self._behind.clear()

    def look(
        self, at: int, lines: NDArray[np.float32], so_far: Callable[[], NDArray[np.float32]]
    ) -> tuple[Finding, ...]:
        """Take the lines of one frame, and tell of chatter once it has lasted.

        Parameters
        ----------
        at : int
            [samples]
        lines : ndarray, shape (n_lines, 3)
        so_far : callable
            Gives the lines of the contact up to here, (n_looks, n_lines, 3).
        """
        frequency, over = self._strongest(lines)
        self._looks.append((at, frequency, over))
        self._behind.append(frequency != float(lines[0, 0]))
        if self._told or frequency == 0.0:
            return ()
        is_squeal = _is_among(frequency, self._entry_hz) or self._is_behind()
        n_looks = self._n_long if is_squeal else self._n_looks
        near = [look if abs(frequency - look[1]) <= SAME_LINE * look[1] else None for look in self._looks]
        latest = [look for look in near[-n_looks:] if look is not None]
        if len(self._looks) < n_looks or len(latest) < STANDS * n_looks:
            return ()
        if not _is_steady([look for look in near if look is not None]):
            return ()
        if self._is_of_teeth(frequency, so_far()):
            self._air_hz = np.append(self._air_hz, frequency)
            return ()
        self._told = True
        return (self._finding(at, latest),)

    def _is_behind(self) -> bool:
        """Whether the teeth have been louder of late."""
        return sum(self._behind) > 0.5 * self._n_looks

    def _is_of_teeth(self, frequency: float, looks: NDArray[np.float32]) -> bool:
        """Whether the line is of the comb that is really heard, should the speed be another.

        A line between those of the teeth is of a comb only where others than itself and its multiples
        say so: at some speed a few percent off it always is.
        """
        teeth = tooth_pass(looks, self._turnings)
        if teeth is None:
            return self._may_be_of_teeth(frequency)
        if not _on_comb(frequency, _line_step_hz(teeth.spindle_hz, teeth.hz)):
            return False
        if _on_comb(frequency, teeth.hz):
            return True
        others = tooth_pass(_without(frequency, looks), self._turnings)
        return others is not None and _on_comb(frequency, _line_step_hz(others.spindle_hz, others.hz))

    def _may_be_of_teeth(self, frequency: float) -> bool:
        """Whether one line alone may be the teeth's at a speed a little off the program's."""
        return any(
            abs(frequency - times * teeth_hz) <= KNOWN_OFF * times * teeth_hz
            for teeth_hz in (one.spindle_hz * max(one.flutes, 1) for one in self._turnings)
            for times in MULTIPLES
        )

    def _finding(self, at: int, looks: list[tuple[int, float, float]]) -> Finding:
        level = float(np.median([over for _, _, over in looks]))
        surest = BEHIND_SUREST if self._is_behind() else SUREST
        return Finding(
            kind="chatter",
            start=looks[0][0],
            stop=at,
            decided_at=at,
            frequency_hz=float(np.median([frequency for _, frequency, _ in looks])),
            level_db=level,
            probability=float(np.clip(0.5 + (level - self._stands_out_db) / 20.0, 0.5, surest)),
        )

    def _strongest(self, lines: NDArray[np.float32]) -> tuple[float, float]:
        """The strongest line that the teeth do not sing [Hz, dB over], zeros where it is no chatter."""
        for i, (frequency, _, over) in enumerate(lines.tolist()):
            if frequency >= LOWEST_MODE_HZ and not self._is_plain(frequency):
                least = max(self._stands_out_db, LATER_OVER_DB) if i else self._stands_out_db
                return (frequency, over) if over >= least else (0.0, 0.0)
        return 0.0, 0.0

    def _is_plain(self, frequency: float) -> bool:
        """Whether the machine sings it in air, or the teeth."""
        if _is_among(frequency, self._air_hz) or any(_on_comb(frequency, comb) for comb in self._combs_hz):
            return True
        return not self._combs_hz and _is_among(frequency, self._entry_hz)


def _is_steady(looks: list[tuple[int, float, float]]) -> bool:
    """Whether the line stays at its frequency, by its standard deviation."""
    hz = np.array([frequency for _, frequency, _ in looks])
    return float(hz.std()) <= max(STEADY_HZ, STEADY * float(hz.mean()))


def _without(frequency: float, looks: NDArray[np.float32]) -> NDArray[np.float32]:
    """The looks without a line and its multiples."""
    others = looks.copy()
    others[_on_combs(looks[:, :, 0], frequency)] = 0.0
    return others


def _on_combs(hz: NDArray[np.float32], step_hz: float) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = (hz > 0.0) & (np.abs(hz - np.rint(hz / step_hz) * step_hz) <= OFF_COMB_HZ)
    return found


def _is_among(frequency: float, others: NDArray[np.floating]) -> bool:
    return bool((np.abs(others - frequency) <= SAME_LINE * frequency).any())


def _stands_out_db(turnings: tuple[Turning, ...]) -> float:
    if not turnings:
        return DROWNS_ALL_DB
    apart = all(turning.spindle_hz >= DENSE_HZ for turning in turnings)
    return CHATTER_OVER_DB if apart else DENSE_OVER_DB


def _line_step_hz(spindle_hz: float, tooth_pass_hz: float) -> float:
    """From line to line [Hz]: runout sings at every turn, where those lines can be told apart."""
    return spindle_hz if spindle_hz >= DENSE_HZ else tooth_pass_hz


def _on_comb(frequency: float, step_hz: float) -> bool:
    return abs(frequency - round(frequency / step_hz) * step_hz) <= max(OFF_COMB_HZ, 0.004 * frequency)
