"""A tooth that is gone: from one moment on the cut sings once a turn, where it had sung tooth by tooth.

Conventions
-----------
Runout sings once a turn from the first cut on, and coolant is louder everywhere: only a rise of the
lines between those of the teeth counts, over what they had before in the same contact, and over the
rise of the teeth's lines and of what lies between all lines.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.decide.ranks import at_rank
from listen.decide.tooth_pass import KNOWN_OFF, ToothPass, tooth_pass
from listen.states import Finding, Turning

AFTER_S, BEFORE_S, LEAST_BEFORE_S = 1.6, 8.0, 1.5
EVERY_S = 0.4
LASTS = 0.85  # share of the time after for which it must have lasted
HIGHEST_TURN = 6  # lines up to here, or one above the tooth pass: higher ones the narrow bands cannot part
TEETH = 3  # multiples of the tooth pass that are looked at
LINE_HZ = 20.0  # half the width of a line in a window of 100 ms
LOWEST_HZ = 130.0  # below this no machine is quiet; common practice, no source
RISE_DB = 5.0  # cuts that grow or shrink rise by less; `tools/bench ear --findings` prints false ones
MOST_DB, LEAST_LINES = 2.0, 2  # by so much the two that rose most may rise more than all
ALONE_DB = 6.0  # most by which one line counts for more than the next: alone it may be a tone of the shop
HELD = 0.35  # share of the looks that may be below what counts as a level: a second of talk is no change
SUREST, BELIEF_PER_DB = 0.95, 1.0 / 8.0


class TurnListener:
    """Follows the narrow bands of one contact after another, at the speeds that the program has.

    Parameters
    ----------
    edges_hz : ndarray, shape (n_fine + 1,)
        Edges of the narrow bands [Hz].
    looks_per_s : float
        How often `look` is called.
    turnings : tuple of Turning
        Without any nothing is told, and nothing of a tool that only makes holes: what a peck sings at
        is no measure for the next, and the ear may take two of them for one cut.
    """

    def __init__(
        self, edges_hz: NDArray[np.float64], *, looks_per_s: float, turnings: tuple[Turning, ...]
    ) -> None:
        self._turnings = turnings
        places = [_places_of(edges_hz, one) for one in turnings if one.flutes > 1 and not one.holes]
        can_tell = [one for one in places if one.turns.size >= LEAST_LINES and one.teeth.size]
        self._needed = np.unique([band for one in can_tell for band in one.bands]).astype(int)
        self._places = [one.among(self._needed) for one in can_tell]
        self._after, self._least = (round(s * looks_per_s) for s in (AFTER_S, LEAST_BEFORE_S))
        self._every = max(1, round(EVERY_S * looks_per_s))
        self._looks: deque[tuple[int, NDArray[np.float64]]] = deque(
            maxlen=self._after + round(BEFORE_S * looks_per_s)
        )
        self.end()

    def end(self) -> None:
        """The contact is over, or breaks off: what was heard counts no more."""
        self._steady = False
        self._n_seen = 0
        self._looks.clear()

    def begin(self) -> None:
        """The cut has become steady: from here on it is held against itself."""
        self.end()
        self._steady = True

    def look(
        self, at: int, fine_db: NDArray[np.float64], so_far: Callable[[], NDArray[np.float32]]
    ) -> tuple[Finding, ...]:
        """Take the narrow bands of one frame, and tell of a rise once it has lasted.

        Parameters
        ----------
        at : int
            [samples]
        fine_db : ndarray, shape (n_fine,)
        so_far : callable
            Gives the lines of the contact up to here, (n_looks, n_lines, 3).
        """
        if not (self._steady and self._places):
            return ()
        self._looks.append((at, fine_db[self._needed]))
        self._n_seen += 1
        if self._n_seen % self._every or len(self._looks) < self._after + self._least:
            return ()
        found = self._found(at, so_far)
        if found:
            self.begin()  # what comes next is held against the new sound
        return found

    def _found(self, at: int, so_far: Callable[[], NDArray[np.float32]]) -> tuple[Finding, ...]:
        bands = np.array([needed for _, needed in self._looks])
        rises = at_rank(bands[-self._after :], HELD) - at_rank(bands[: -self._after], HELD)
        for places in self._places:
            rise = places.rise_db(rises)
            if rise < RISE_DB:
                continue
            since = _since(bands[:, places.turns].mean(axis=1))
            if since <= len(bands) - LASTS * self._after and self._turns(places.turning, so_far()):
                return (_finding(places.turning, rise, start=self._looks[since][0], at=at),)
        return ()

    def _turns(self, turning: Turning, looks: NDArray[np.float32]) -> bool:
        """Whether the lines of the contact, all or the latest, show this tool at its speed, and no other."""
        parts = [tooth_pass(part, self._turnings) for part in (looks, looks[-self._after :])]
        told = [one for one in parts if one]
        return bool(told) and all(_is_of(one, turning) for one in told)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Places:
    """Which bands hold one line of the turning spindle, which one of the teeth, and which none."""

    turning: Turning
    turns: NDArray[np.intp]
    teeth: NDArray[np.intp]
    none: NDArray[np.intp]

    @property
    def bands(self) -> list[int]:
        """All that count."""
        return [*self.turns.tolist(), *self.teeth.tolist(), *self.none.tolist()]

    def among(self, needed: NDArray[np.intp]) -> "_Places":
        """The same where only the needed bands are kept, in order."""
        turns, teeth, none = (np.searchsorted(needed, bands) for bands in (self.turns, self.teeth, self.none))
        return _Places(turning=self.turning, turns=turns, teeth=teeth, none=none)

    def rise_db(self, rises_db: NDArray[np.float64]) -> float:
        """By how much the lines between the teeth's rose over all else, given the rise of each band."""
        turns, teeth = np.sort(rises_db[self.turns]), rises_db[self.teeth]
        turns = np.minimum(turns, turns[-LEAST_LINES] + ALONE_DB)
        none = float(np.median(rises_db[self.none])) if self.none.size else 0.0
        over_all = turns.mean() - max(0.0, teeth.mean(), none)
        most = turns[-LEAST_LINES:].mean() - max(0.0, float(np.median(teeth)), none)
        return float(min(over_all + MOST_DB, most))


def _places_of(edges_hz: NDArray[np.float64], turning: Turning) -> _Places:
    most = max(turning.flutes + 1, HIGHEST_TURN)
    lines = {turn: _band_of_one(edges_hz, turn, turning.spindle_hz) for turn in range(1, most + 1)}
    found = {turn: band for turn, band in lines.items() if band is not None}
    return _Places(
        turning=turning,
        turns=np.array([band for turn, band in found.items() if turn % turning.flutes], dtype=int),
        teeth=np.array(
            [band for turn, band in found.items() if turn % turning.flutes == 0][:TEETH], dtype=int
        ),
        none=_bands_of_none(edges_hz, turning.spindle_hz, most),
    )


def _band_of_one(edges_hz: NDArray[np.float64], turn: int, turn_hz: float) -> int | None:
    """The band with this line of the spindle and no other, None where there is none."""
    band = int(np.searchsorted(edges_hz, turn * turn_hz)) - 1
    if turn * turn_hz < LOWEST_HZ or not 0 <= band < edges_hz.size - 1:
        return None
    low, high = edges_hz[band] - LINE_HZ, edges_hz[band + 1] + LINE_HZ
    return band if (turn - 1) * turn_hz < low and high < (turn + 1) * turn_hz else None


def _bands_of_none(edges_hz: NDArray[np.float64], turn_hz: float, most: int) -> NDArray[np.intp]:
    """Bands below a turn above the highest that no line reaches into."""
    low, high = edges_hz[:-1] - LINE_HZ, edges_hz[1:] + LINE_HZ
    is_free = np.floor(high / turn_hz) == np.floor(low / turn_hz)
    return np.flatnonzero((low > LOWEST_HZ) & (high < (most + 1) * turn_hz) & is_free)


def _is_of(told: ToothPass, turning: Turning) -> bool:
    """Whether lines tell this speed, and as many flutes."""
    same_speed = abs(told.spindle_hz / turning.spindle_hz - 1.0) <= KNOWN_OFF
    return same_speed and round(told.hz / told.spindle_hz) == turning.flutes


def _since(levels_db: NDArray[np.float64]) -> int:
    """Where a row of levels changes: most of what is below their mean lies before, most above it after."""
    return min(int(np.argmin(np.cumsum(levels_db - levels_db.mean()))) + 1, levels_db.size - 1)


def _finding(turning: Turning, rise_db: float, *, start: int, at: int) -> Finding:
    return Finding(
        kind="sound changed once a turn",
        start=start,
        stop=at,
        decided_at=at,
        frequency_hz=turning.spindle_hz,
        level_db=rise_db,
        probability=min(0.5 + (rise_db - RISE_DB + 1.0) * BELIEF_PER_DB, SUREST),
    )
