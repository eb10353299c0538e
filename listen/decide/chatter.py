"""Chatter: a strong line off the comb of the teeth that stays where it is while the tool cuts."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.decide.ranks import middle
from listen.decide.tooth_pass import KNOWN_OFF, LEAST_LOOKS, lasting_lines, tooth_pass
from listen.states import Finding, Turning

CHATTER_S = 0.35  # a line must stand out for so long: entries and exits sing for less
CHATTER_OVER_DB = 18.0  # off the comb of a known speed: a mode that noise strikes seldom does
DROWNS_ALL_DB = 21.0  # where the speed is not known: a line of a clean cut seldom does
LOWEST_MODE_HZ = 300.0  # tool and spindle sing above this, voices below; common practice, no source
SAME_LINE = 0.02  # share of the frequency within which it is the same line
OFF_COMB_HZ, OFF_COMB = 6.0, 0.004  # or share; a window of 100 ms tells lines 10 Hz apart
DENSE_HZ = 4.0 * OFF_COMB_HZ  # below this the lines of a comb run together
CANNOT_TELL = 0.35  # share of all frequencies that lie on a comb by chance, from which it tells nothing
TOWERS_DB, LEADS_DB = 32.0, 6.0  # there: over its neighbours, and over all lines but its own multiples
# Chatter that takes every second tooth sings half-way between their lines; runout would have from the start.
LEAST_LOOKS_BEFORE, STOOD = 25, 0.1
SQUEAL_S = 1.2  # one that began with the entry must stand for so long
MAY_SQUEAL = 0.75  # most belief in what has stood for less: so long an exit may squeal, too
# Chatter keeps its frequency to this share, or so many hertz; a mode that noise strikes wanders.
STEADY, STEADY_HZ = 0.0035, 2.0
LATER_OVER_DB = 22.0  # a line behind the teeth's
SUREST = 0.95
SURER = 0.15  # by so much the belief must have grown to tell of it again in the same contact
MULTIPLES = (1, 2)  # of the tooth-pass frequency, that stand alone at times
STANDS = 0.75  # share of these looks in which it must stand: a mode that is struck comes and goes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    """One line through the looks in which it stands, each array of shape (n_found,).

    Attributes
    ----------
    look : ndarray
        Which looks.
    hz, over_db, lead_db : ndarray
        Its frequency [Hz]; its level over its neighbours, and over all lines but its multiples [dB].
    """

    look: NDArray[np.intp]
    hz: NDArray[np.float32]
    over_db: NDArray[np.float32]
    lead_db: NDArray[np.float32]


class ChatterListener:
    """Follows the lines of one contact after another.

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
        self._teeth_hz = sorted({one.spindle_hz * max(one.flutes, 1) for one in turnings})
        self._stands_out_db = CHATTER_OVER_DB if turnings else DROWNS_ALL_DB
        self._n_long = 1 + round(SQUEAL_S * looks_per_s)
        self._looks: deque[tuple[int, NDArray[np.float32]]] = deque(maxlen=self._n_long)
        self._told: list[Finding] = []
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
        self._told = []
        self._air_hz = lasting_lines(air)[0] if len(air) >= LEAST_LOOKS else self._air_hz
        self._entry_hz = now[:, 0]

    def break_off(self) -> None:
        """The contact may be over, or goes on after all: what was seen so far counts no more."""
        self._looks.clear()

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
        self._looks.append((at, lines))
        if len(self._looks) < self._n_looks:
            return ()
        for frequency, _, over in lines.tolist():
            if self._may_stand_out(frequency, over):
                found = self._lasting(at, frequency)
                if found and self._is_clean(found.frequency_hz, so_far()):
                    self._air_hz = np.append(self._air_hz, frequency)
                elif found:
                    self._told.append(found)
                    return (found,)
        return ()

    def _may_stand_out(self, frequency: float, over_db: float) -> bool:
        """Whether a line is none that machine or teeth sing, and not told already."""
        if frequency < LOWEST_MODE_HZ or over_db < self._stands_out_db or self._is_plain(frequency):
            return False
        return not self._was_told(SUREST)

    def _stands_out(self, frequency: float, over_db: float, lead_db: float) -> bool:
        """Whether it is strong enough."""
        if not self._may_stand_out(frequency, over_db):
            return False
        if self._is_hidden(frequency) or self._is_half(frequency):
            return over_db >= TOWERS_DB and lead_db >= LEADS_DB
        return over_db >= LATER_OVER_DB or lead_db >= 0.0

    def _lasting(self, at: int, frequency: float) -> Finding | None:
        """What is found, where the line has lasted, keeps its frequency, and was not told before."""
        line = _line_through(np.array([lines for _, lines in self._looks]), frequency)
        first = len(self._looks) - self._n_looks
        late = line.look >= first
        if late.sum() < STANDS * self._n_looks:
            return None
        lead = float(middle(line.lead_db[late]))
        if lead < 0.0 or _is_among(frequency, self._entry_hz):
            first = len(self._looks) - self._n_long
        late = line.look >= first
        if first < 0 or late.sum() < STANDS * (len(self._looks) - first) or not _is_steady(line.hz):
            return None
        hz, level = float(middle(line.hz[late])), float(middle(line.over_db[late]))
        is_long = line.look.size >= STANDS * self._n_long
        belief = min(self._belief(level, lead), SUREST if is_long else MAY_SQUEAL)
        if self._was_told(belief) or not self._stands_out(hz, level, lead):
            return None
        return Finding(
            kind="chatter",
            start=self._looks[int(line.look[0 if is_long else -late.sum()])][0],
            stop=at,
            decided_at=at,
            frequency_hz=hz,
            level_db=level,
            probability=belief,
        )

    def _belief(self, over_db: float, lead_db: float) -> float:
        least_db = self._stands_out_db if lead_db >= 0.0 else LATER_OVER_DB
        return float(np.clip(0.5 + (over_db - least_db) / 20.0, 0.5, SUREST))

    def _was_told(self, belief: float) -> bool:
        """Whether chatter was told in this contact, and about as surely: its lines are many."""
        return any(belief < told.probability + SURER for told in self._told)

    def _is_clean(self, frequency: float, looks: NDArray[np.float32]) -> bool:
        """Whether a line is one of a clean cut after all, by the looks of the contact so far."""
        if not self._is_half(frequency):
            return self._is_of_teeth(frequency, looks)
        before = looks[: -self._n_long, :, 0]
        stood = (np.abs(before - frequency) <= OFF_COMB_HZ).any(axis=1)
        return len(before) < LEAST_LOOKS_BEFORE or bool(stood.mean() > STOOD)

    def _is_of_teeth(self, frequency: float, looks: NDArray[np.float32]) -> bool:
        """Whether the line is of the comb that is really heard, should the speed be another.

        A line between those of the teeth is of a comb only where others than itself and its multiples
        say so: at some speed a few percent off it always is.
        """
        if self._may_be_of_teeth(frequency):
            return True
        teeth = tooth_pass(looks, self._turnings)
        if teeth and _on_comb(frequency, teeth.hz) and _by_chance(frequency, teeth.hz) <= CANNOT_TELL:
            return True
        if self._is_hidden(frequency):
            return False
        others = tooth_pass(_without(frequency, looks), self._turnings)
        if teeth is None or others is None or not teeth.agrees(others):
            return False
        return _on_comb(frequency, _line_step_hz(others.spindle_hz, others.hz))

    def _may_be_of_teeth(self, frequency: float) -> bool:
        """Whether one line alone may be the teeth's at a speed a little off the program's."""
        return any(
            abs(frequency - times * teeth_hz) <= KNOWN_OFF * times * teeth_hz
            for teeth_hz in self._teeth_hz
            for times in MULTIPLES
        )

    def _is_plain(self, frequency: float) -> bool:
        """Whether the machine sings it in air, or the teeth."""
        if _is_among(frequency, self._air_hz):
            return True
        if not self._turnings:
            return _is_among(frequency, self._entry_hz)
        combs_hz = (*self._combs_hz, *self._teeth_hz)
        return not self._is_half(frequency) and any(
            _on_comb(frequency, hz) and _by_chance(frequency, hz) <= CANNOT_TELL for hz in combs_hz
        )

    def _is_half(self, frequency: float) -> bool:
        """Whether it lies half-way between lines of an even number of teeth: runout sings there, too."""
        return any(
            one.flutes % 2 == 0
            and _on_comb(frequency - 0.5 * hz, hz)
            and _by_chance(frequency, hz) <= CANNOT_TELL
            for one in self._turnings
            for hz in (one.spindle_hz * one.flutes,)
        )

    def _is_hidden(self, frequency: float) -> bool:
        """Whether any frequency near this one is likely to lie on a comb: then that says nothing."""
        return sum(_by_chance(frequency, comb) for comb in self._combs_hz) > CANNOT_TELL


def _by_chance(frequency: float, step_hz: float) -> float:
    """Share of the frequencies near this one that count as on the comb."""
    return 2.0 * max(OFF_COMB_HZ, OFF_COMB * frequency) / step_hz


def _line_through(looks: NDArray[np.float32], frequency: float) -> _Line:
    """The lines nearest to a frequency in (n_looks, n_lines, 3) looks, where they are the same."""
    hz, level = looks[:, :, 0], looks[:, :, 1]
    nearest = np.abs(hz - frequency).argmin(axis=1)
    own = looks[np.arange(len(looks)), nearest]
    look = np.flatnonzero(np.abs(own[:, 0] - frequency) <= SAME_LINE * frequency)
    others = (_off_combs(hz, frequency) > SAME_LINE * frequency) & (hz > 0.0)
    loudest = np.where(others, level, -np.inf).max(axis=1)
    return _Line(look=look, hz=own[look, 0], over_db=own[look, 2], lead_db=own[look, 1] - loudest[look])


def _is_steady(hz: NDArray[np.float32]) -> bool:
    """Whether a line stays at its frequency, by its standard deviation."""
    return float(hz.std()) <= max(STEADY_HZ, STEADY * float(hz.mean()))


def _without(frequency: float, looks: NDArray[np.float32]) -> NDArray[np.float32]:
    """The looks without a line and its multiples."""
    others = looks.copy()
    others[_off_combs(looks[:, :, 0], frequency) <= OFF_COMB_HZ] = 0.0
    return others


def _off_combs(hz: NDArray[np.floating], step_hz: float) -> NDArray[np.floating]:
    """How far each frequency is from the nearest line of a comb [Hz]; the comb begins at its first line."""
    apart: NDArray[np.floating] = np.abs(hz - np.maximum(np.rint(hz / step_hz), 1.0) * step_hz)
    return apart


def _is_among(frequency: float, others: NDArray[np.floating]) -> bool:
    return bool((np.abs(others - frequency) <= SAME_LINE * frequency).any())


def _line_step_hz(spindle_hz: float, tooth_pass_hz: float) -> float:
    """From line to line [Hz]: runout sings at every turn, where those lines can be told apart."""
    return spindle_hz if spindle_hz >= DENSE_HZ else tooth_pass_hz


def _on_comb(frequency: float, step_hz: float) -> bool:
    return abs(frequency - round(frequency / step_hz) * step_hz) <= max(OFF_COMB_HZ, OFF_COMB * frequency)
