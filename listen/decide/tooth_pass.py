"""How fast the teeth hit: the tooth-pass frequency of one contact, by the lines that stay.

Conventions
-----------
A comb is a spindle speed times a factor; its lines are the whole multiples of the turning of the spindle.
Runout sings at every turn, teeth at every so many turns: both are multiples of the turning.
"""

from dataclasses import dataclass
from math import gcd

import numpy as np
from numpy.typing import NDArray

from listen.states import Turning

STAYS = 0.25  # share of the looks in which a line must stand
WIDTH_HZ = 4.0  # how far apart two looks put the same line at the most
SIGMA_HZ, SIGMA_SHARE = 1.5, 0.001  # how exactly a lasting line is placed
KNOWN_OFF = 0.03  # a spindle keeps its speed to this
FIRST_OF_CHANCE = 9  # from this multiple on, a quarter of the way to the next lies within that
SLOWEST, FASTEST = 0.4, 1.3  # of the program's speed: what an override or a wrong word may make of it
STEP = 0.0005  # from factor to factor
CLEAR, CLEARLY = 4.0, 7.0  # standard deviations over chance, at the program's speed and at another
CLEAR_WITHOUT = 2.5  # without the strongest line, where that is a high multiple of the turning
BEATS = 1.5  # another speed must score so many times what the program's does
LEAST_LINES, LEAST_LOOKS = 2, 6
LINES_FOR_OTHER = 4
ORDERS_FOR_OTHER = 3  # distinct ones that another number of flutes takes
SAME_SPEED = 0.01
LEAST_SPREAD = 0.001  # share of the frequency: a speed sags under load


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothPass:
    """A tooth-pass frequency and one standard deviation of it [Hz], and the turning behind it [1/s]."""

    hz: float
    spread_hz: float
    spindle_hz: float

    def agrees(self, other: "ToothPass") -> bool:
        """Whether another tells the same speed."""
        return abs(other.spindle_hz - self.spindle_hz) <= SAME_SPEED * self.spindle_hz


def tooth_pass(looks: NDArray[np.float32], turnings: tuple[Turning, ...]) -> ToothPass | None:
    """The tooth-pass frequency that the lines of a contact show, None where none stands out.

    Parameters
    ----------
    looks : ndarray, shape (n_looks, n_lines, 3)
        Lines of each look [Hz, dB, dB over]; zeros for none.
    turnings : tuple of Turning
        What the program has; one of them turns, perhaps at another speed.
    """
    hz, weight = lasting_lines(looks)
    combs = [_combs(hz, weight, one) for one in turnings if one.spindle_hz > 0.0 and one.flutes > 0]
    if hz.size < LEAST_LINES or not combs:
        return None
    known = max((pair[0] for pair in combs), key=lambda comb: comb.score)
    other = max((pair[1] for pair in combs), key=lambda comb: comb.score)
    clearly_other = hz.size >= LINES_FOR_OTHER and other.score >= max(CLEARLY, BEATS * known.score)
    best = other if clearly_other else known
    if not (clearly_other or known.score >= CLEAR) or _rests_on_one(hz, weight, best):
        return None
    return _told(hz, weight, best)


def lasting_lines(looks: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies [Hz] of the lines that stand in many looks, and their weight, both (n_found,)."""
    rows = looks.reshape(-1, 3).astype(np.float64)
    rows = rows[rows[:, 0] > 0.0]
    rows = rows[np.argsort(rows[:, 0])]
    found: list[tuple[float, float]] = []
    while len(rows) and len(looks) >= LEAST_LOOKS:
        hz = rows[:, 0]
        first = np.searchsorted(hz, hz - WIDTH_HZ)
        last = np.searchsorted(hz, hz + WIDTH_HZ, side="right")
        most = int(np.argmax(last - first))
        near = rows[first[most] : last[most]]
        if len(near) < STAYS * len(looks):
            break
        centre = float(np.median(near[:, 0]))
        found.append((centre, float(near[:, 2].sum()) / len(looks)))
        rows = rows[np.abs(hz - centre) > 2.0 * WIDTH_HZ]
    table = np.array(found).reshape(-1, 2)
    return table[:, 0], table[:, 1]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comb:
    turning: Turning
    factor: float
    score: float


def _combs(hz: NDArray[np.float64], weight: NDArray[np.float64], turning: Turning) -> tuple[_Comb, _Comb]:
    """The best comb at the program's speed, and the best at another."""
    factors = np.arange(SLOWEST, FASTEST, STEP)
    scores = _scores(hz, weight, turning.spindle_hz * factors)
    near = np.abs(factors - 1.0) <= KNOWN_OFF
    best = [int(np.argmax(np.where(mask, scores, -np.inf))) for mask in (near, ~near)]
    known, other = (_Comb(turning=turning, factor=float(factors[i]), score=float(scores[i])) for i in best)
    return known, other


def _scores(
    hz: NDArray[np.float64], weight: NDArray[np.float64], turn_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How far the lines lie on each comb, in standard deviations over lines placed by chance."""
    sigma = np.maximum(SIGMA_HZ, SIGMA_SHARE * hz)
    apart = hz - np.maximum(np.rint(hz / turn_hz[:, None]), 1.0) * turn_hz[:, None]
    fits = np.exp(-0.5 * (apart / sigma) ** 2)
    chance = np.minimum(np.sqrt(2.0 * np.pi) * sigma / turn_hz[:, None], 0.6)
    spread = np.sqrt((weight**2 * np.maximum(chance / np.sqrt(2.0) - chance**2, 0.01)).sum(axis=1)) + 1e-9
    scores: NDArray[np.float64] = (weight * (fits - chance)).sum(axis=1) / spread
    return scores


def _orders(hz: NDArray[np.float64], comb: _Comb) -> NDArray[np.int64]:
    """Which multiple of the turning each line is, shape (n_lines,); 0 where it is none."""
    turn_hz = comb.turning.spindle_hz * comb.factor
    orders = np.maximum(np.rint(hz / turn_hz), 1.0)
    on = np.abs(hz - orders * turn_hz) <= 2.0 * np.maximum(SIGMA_HZ, SIGMA_SHARE * hz)
    return np.where(on, orders, 0.0).astype(np.int64)


def _rests_on_one(hz: NDArray[np.float64], weight: NDArray[np.float64], comb: _Comb) -> bool:
    """Whether its strongest line makes the comb: a high multiple always lies on one at some speed nearby.

    Then the lines other than that and its multiples must show the same speed, too.
    """
    orders = _orders(hz, comb)
    strongest = int(orders[np.argmax(np.where(orders > 0, weight, -np.inf))])
    if 0 < strongest < FIRST_OF_CHANCE:
        return False
    others = orders % max(strongest, 1) > 0
    turn_hz = np.array([comb.turning.spindle_hz * comb.factor])
    rest = others | (orders == 0)
    return not others.any() or float(_scores(hz[rest], weight[rest], turn_hz)[0]) < CLEAR_WITHOUT


def _told(hz: NDArray[np.float64], weight: NDArray[np.float64], comb: _Comb) -> ToothPass:
    """The comb refined by its own lines; the flutes are the program's unless no line fits their number."""
    orders = _orders(hz, comb)
    on = orders > 0
    turns, share = hz[on] / orders[on], weight[on] * orders[on]
    mean = float(np.average(turns, weights=share))
    error = float(np.sqrt(np.average((turns - mean) ** 2, weights=share) / max(1, on.sum() - 1)))
    flutes = _flutes(orders[on].tolist(), comb.turning.flutes)
    spread = flutes * max(error, LEAST_SPREAD * mean)
    return ToothPass(hz=flutes * mean, spread_hz=spread, spindle_hz=mean)


def _flutes(orders: list[int], flutes: int) -> int:
    """The program's number of flutes, unless all lines are multiples of another that does not fit it."""
    common = gcd(*orders) if len(set(orders)) >= ORDERS_FOR_OTHER else 1
    return common if 2 <= common <= 12 and flutes % common and common % flutes else flutes
