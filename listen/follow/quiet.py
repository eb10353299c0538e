"""Whether the ear nearly heard something where it heard nothing: a missed contact mostly is half heard.

Set from made sound at 12 and 6 dB by `python -m tools.tools_follow.measure_ear`: the mean log odds of the
belief in contact over 162 contacts that were missed and 1265 stretches of air, and how much likelier each
value is over the former (logistic regression, a polynomial of the log odds). What this run's own air is
believed at tells nothing beside it there; in a real room the ear may half hear a cut in all the air about,
and then that tells it from a miss. Until it is confirmed the live ear's mean is 0.3 ± 2.0 after a break in
a contact, -2.7 ± 1.2 after an end.
"""

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from listen.states import StateLikelihoods

Odds = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tells:
    """What an ear's mean log odds tell of a miss.

    Attributes
    ----------
    still, slope, bend : float
        Log of how much likelier log odds are over a miss than in air: a constant, and for each odd and its
        square [nats].
    air : float
        Mean log odds in air [nats].
    air_below : float
        What is likelier by less than this is taken for air.
    half_heard, heard : (mean, spread)
        Mean log odds over what was confirmed as contact, for 0.25 s or more: where it was air, before a cut,
        after one or alone, and over the first 0.6 s of cuts that were heard [nats].
    early, late : float
        Share of the contacts with a second of air beside them whose start the ear dates sooner by 0.3 s or
        more, whose end later.
    begun_late : float
        Share of the contacts whose start it dates later by 0.3 s or more.
    dated : (share, worth)
        Share of the contacts with any of the three, and how many contacts of a run that is worth: such
        dates come in rows, too (a beta distribution).
    firm : float
        Mean log odds from which a contact is firmly heard [nats].
    missed : (mean, spread, least)
        Mean log odds over a miss where all other contacts are heard, and firmly [nats], and the least that is
        made of little.
    """

    still: float
    slope: float
    bend: float
    air: float
    firm: float
    missed: tuple[float, float, float]
    air_below: float = 0.0
    half_heard: tuple[float, float] = (0.0, 0.0)
    heard: tuple[float, float] = (0.0, 0.0)
    early: float = 0.0
    late: float = 0.0
    begun_late: float = 0.0
    dated: tuple[float, float] = (1.0, 1.0)


# -3.1 ± 1.4 in air, 0.1 ± 1.6 over misses. Where all others are firm 16 of 692 are missed, with 332 more
# clips drawn alike 27 of 1310, one of them believed as little as air.
LIVE = Tells(
    still=2.08,
    slope=1.05,
    bend=-0.10,
    air=-3.1,
    firm=1.0,
    missed=(0.4, 1.5, 0.09),
    half_heard=(1.1, 1.4),
    heard=(3.4, 1.2),
    early=0.010,
    late=0.022,
    begun_late=0.034,
    dated=(0.048, 10.5),
)
# -4.7 ± 0.9 and 0.1 ± 2.4, of 1091 and 54; no real room's air is so quiet, so below even nothing is told.
# Where all others are firm 10 of 912 are missed, with 332 more clips drawn alike 24 of 1688, none below -1.7.
SECOND_LOOK = Tells(
    still=4.01,
    slope=1.12,
    bend=-0.06,
    air=-4.7,
    air_below=1.0,
    firm=2.0,
    missed=(1.1, 1.6, 0.06),
    half_heard=(1.8, 1.1),
    heard=(4.8, 0.8),
    early=0.007,
    late=0.008,
    begun_late=0.003,
    dated=(0.012, 7.5),
)
LEAST, MOST = 0.03, 20.0  # no more is made of it: real rooms sound otherwise
BREAK, STOP = (0.3, 2.0), (-2.7, 1.2)
MOST_BREAK = 5.0
N_FIRM = 6  # so many contacts about a place tell how firmly this run's are heard there
STEP_S, KEPT_S, KEPT_CONTACTS = 0.1, 600.0, 256
SURE = 0.995
NEAR_S = 1.0  # to either side of a contact that was not heard
LEAST_STEPS = 3  # tenths of a second that tell something
AT_ONCE, NOTHING = 64, np.empty(0)
EDGE_S = 0.1  # the ear comes a little late


class Quiet:
    """Keeps what an ear believed lately, a number for each tenth of a second.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    tells : Tells
        What the mean log odds of this ear tell of a miss, `LIVE` or `SECOND_LOOK`.
    kept_s : float
        So much of it [s].

    Attributes
    ----------
    none_missed : bool
        No contact of this run was found to be not heard though the cuts went on; set by who judges them.
    """

    def __init__(self, rate: int, *, tells: Tells = LIVE, kept_s: float = KEPT_S) -> None:
        self._tells = tells
        self._step = STEP_S * rate
        self._rate = rate
        n_steps = math.ceil(kept_s / STEP_S)
        self._sum, self._n = np.zeros(n_steps), np.zeros(n_steps)
        self._newest = -1  # step
        self._contacts: deque[tuple[float, float]] = deque(maxlen=KEPT_CONTACTS)  # end [s], mean log odds
        self.none_missed = True
        self._n_dated, self._n_wrongly = 0.0, 0.0  # contacts of this run, and those dated wrongly
        self._new: list[StateLikelihoods] = []

    def take(self, heard: StateLikelihoods) -> None:
        """Take the beliefs of the next frames."""
        self._new.append(heard)
        if len(self._new) >= AT_ONCE:
            self._add_up()

    def _add_up(self) -> None:
        """Add what is new to its tenths of a second, many pieces at once: that costs little."""
        at = np.concatenate([NOTHING, *(heard.at for heard in self._new)])
        contact = np.concatenate([NOTHING, *(heard.contact for heard in self._new)])
        self._new.clear()
        if at.size == 0:
            return
        steps = (at // self._step).astype(np.int64)
        self._clear(int(steps[-1]))
        belief = np.minimum(np.maximum(contact, 1.0 - SURE), SURE)
        slots = steps % self._n.size
        np.add.at(self._sum, slots, np.log(belief / (1.0 - belief)))
        np.add.at(self._n, slots, 1.0)

    def _clear(self, newest: int) -> None:
        """Make room up to step `newest`."""
        new = np.arange(max(self._newest + 1, newest + 1 - self._n.size), newest + 1) % self._n.size
        self._sum[new], self._n[new] = 0.0, 0.0
        self._newest = max(self._newest, newest)

    def for_a_miss(self, start_s: float, stop_s: float, now_s: float) -> float | None:
        """How much likelier what was believed from `start_s` to `stop_s` is of a missed contact than of air.

        None where nothing is known of it. What lies after `now_s` is not used.
        """
        found = float(self.for_misses(np.array([start_s]), np.array([stop_s]), now_s)[0])
        return found if math.isfinite(found) else None

    def for_misses(self, start_s: Odds, stop_s: Odds, now_s: float) -> Odds:
        """The same of many stretches at once, shape (n_stretches,); NaN where nothing is known."""
        found = np.full(start_s.shape, np.nan)
        asked = np.isfinite(start_s) & np.isfinite(stop_s)
        if self.is_told and asked.any():
            found[asked] = self._ratios(start_s[asked], stop_s[asked], now_s)
        return found

    def _ratios(self, start_s: Odds, stop_s: Odds, now_s: float) -> Odds:
        """The ratios; what is believed no less all about a stretch tells of neither."""
        near_from_s, near_until_s = float(start_s.min()) - NEAR_S, min(float(stop_s.max()) + NEAR_S, now_s)
        heard = self._heard(near_from_s, near_until_s)
        least = np.where(stop_s <= now_s, 1, LEAST_STEPS)
        odds = heard.means(start_s + EDGE_S, np.minimum(stop_s, now_s), least)
        before = heard.quietest(start_s - NEAR_S, start_s - EDGE_S)
        after = heard.quietest(stop_s + EDGE_S, np.minimum(stop_s + NEAR_S, now_s))
        about = np.minimum(before, after)
        louder = np.maximum(np.where(about < np.inf, about, -np.inf) - self._tells.air, 0.0)
        beside = np.where(louder > 0.0, np.maximum(1.0, self._ratio(odds - louder)), np.inf)
        result: Odds = np.minimum(self._ratio(odds), beside)
        return (
            np.minimum(result, self._among_firm(odds)) if self._is_firm(float(np.median(start_s))) else result
        )

    def _is_firm(self, place_s: float) -> bool:
        """Whether no contact of the run was missed, and those nearest to a place were all heard firmly."""
        nearest = sorted(self._contacts, key=lambda contact: abs(contact[0] - place_s))[:N_FIRM]
        is_known = self.none_missed and len(nearest) == N_FIRM
        return is_known and min(odds for _, odds in nearest) >= self._tells.firm

    def _among_firm(self, odds: Odds) -> Odds:
        """At most this is made of it for a miss where all others are firm: such a miss is half heard.

        The share of misses believed so little, over that of this run's air, half of which is.
        """
        mean, spread, least = self._tells.missed
        result: Odds = np.maximum(2.0 * ndtr((odds - mean) / spread), least)
        return np.where(odds < mean, result, np.inf)

    def _heard(self, start_s: float, stop_s: float) -> "_Heard":
        """What is known of a stretch, and of nothing that is kept no more."""
        steps = self._steps(start_s, stop_s)
        slots = steps % self._n.size
        return _Heard(int(steps[0]) if steps.size else 0, self._sum[slots], self._n[slots])

    def _steps(self, start_s: float, stop_s: float) -> NDArray[np.int64]:
        """The tenths of a second in a stretch that may be kept still."""
        self._add_up()
        first, last = math.ceil(start_s / STEP_S), math.floor(stop_s / STEP_S)
        return np.arange(max(first, self._newest + 1 - self._n.size, 0), min(last, self._newest))

    def _ratio(self, odds: Odds) -> Odds:
        """How much likelier each mean is over a missed contact than in air."""
        tells = self._tells
        ratio = np.exp(tells.still + tells.slope * odds + tells.bend * odds * odds)
        result: Odds = np.where(ratio < tells.air_below, LEAST, np.minimum(np.maximum(ratio, LEAST), MOST))
        return result

    @property
    def is_told(self) -> bool:
        """Whether this ear tells what it believes."""
        return self._newest >= 0 or bool(self._new)

    def for_a_break(self, start_s: float, now_s: float) -> float:
        """How much likelier what was believed since is of a cut that the ear lost than of an end."""
        odds = self.mean_odds(start_s + 0.5 * EDGE_S, now_s)
        return 1.0 if odds is None else _of_normals(odds, BREAK, STOP)

    def hear(self, start_s: float, stop_s: float) -> None:
        """Take a contact that was heard: how firmly tells how a miss would be."""
        odds = self.mean_odds(start_s + EDGE_S, stop_s)
        if odds is not None:
            self._contacts.append((stop_s, odds))

    def for_half_heard(self, start_s: float, stop_s: float) -> float:
        """How much likelier what was believed of a stretch heard as contact is of air that was taken for it.

        At least 1: what is firmly believed is not surer than it was said to be.
        """
        return max(self._for_air(start_s, stop_s, untold=1.0), 1.0)

    def for_air_before(self, start_s: float, stop_s: float) -> float:
        """Share of contacts that the ear begins sooner, times how much likelier it then believes as here."""
        return self._times_dated * self._tells.early * self._for_air(start_s, stop_s, untold=0.0)

    def for_air_after(self, start_s: float, stop_s: float) -> float:
        """The same of contacts that it ends later."""
        return self._times_dated * self._tells.late * self._for_air(start_s, stop_s, untold=0.0)

    def for_late_start(self, start_s: float, stop_s: float, now_s: float) -> float:
        """The same of contacts whose first part it misses."""
        return self._times_dated * self._tells.begun_late * (self.for_a_miss(start_s, stop_s, now_s) or 0.0)

    def date(self, wrongly: float) -> None:
        """Take a contact that was heard, and the belief that its start or end was dated wrongly."""
        self._n_dated += 1.0
        self._n_wrongly += wrongly

    @property
    def _times_dated(self) -> float:
        """How many times as often as usual this run's contacts are dated wrongly, by what was found."""
        share, worth = self._tells.dated
        return (worth * share + self._n_wrongly) / ((worth + self._n_dated) * share)

    def _for_air(self, start_s: float, stop_s: float, *, untold: float) -> float:
        is_known = math.isfinite(start_s) and math.isfinite(stop_s)
        odds = self.mean_odds(start_s, stop_s) if is_known else None
        if odds is None:
            return untold
        log_ratio = _log_density(odds, self._tells.half_heard) - _log_density(odds, self._tells.heard)
        return min(max(math.exp(log_ratio), LEAST), MOST)

    def mean_odds(self, start_s: float, stop_s: float, *, least: int = LEAST_STEPS) -> float | None:
        """Mean log odds of contact in a stretch; None where too little is known of it."""
        steps = self._steps(start_s, stop_s)
        n = self._n[steps % self._n.size]
        if np.count_nonzero(n) < least:
            return None
        return float(self._sum[steps % self._n.size].sum() / n.sum())


class _Heard:
    """Sums of the log odds in each tenth of a second from `first` on, and how many frames each has."""

    def __init__(self, first: int, total: Odds, n: Odds) -> None:
        self._first = first
        self._odds = np.where(n > 0.0, total / np.maximum(n, 1.0), np.inf)
        self._sums, self._frames, self._known = (_running(each) for each in (total, n, n > 0.0))

    def _between(self, start_s: Odds, stop_s: Odds) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """First and one past the last tenth of each stretch that is known."""
        most = self._odds.size
        begin = np.clip(np.ceil(start_s / STEP_S).astype(np.int64) - self._first, 0, most)
        end = np.clip(np.floor(stop_s / STEP_S).astype(np.int64) - self._first, 0, most)
        return begin, np.maximum(begin, end)

    def means(self, start_s: Odds, stop_s: Odds, least: NDArray[np.int64]) -> Odds:
        """Mean log odds of each stretch; NaN where fewer tenths than `least` are known."""
        begin, end = self._between(start_s, stop_s)
        n = self._frames[end] - self._frames[begin]
        is_known = self._known[end] - self._known[begin] >= least
        total = self._sums[end] - self._sums[begin]
        result: Odds = np.where(is_known, total / np.maximum(n, 1.0), np.nan)
        return result

    def quietest(self, start_s: Odds, stop_s: Odds) -> Odds:
        """The least log odds in each stretch of a second at most; infinite where none is known."""
        begin, end = self._between(start_s, stop_s)
        index = begin[:, None] + np.arange(round(NEAR_S / STEP_S))
        odds = np.append(self._odds, np.inf)[np.minimum(index, self._odds.size)]
        result: Odds = np.where(index < end[:, None], odds, np.inf).min(axis=1)
        return result


def _running(values: NDArray[np.generic]) -> Odds:
    """Sums of all values before each place, shape (n_values + 1,)."""
    return np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])


def _of_normals(odds: float, loud: tuple[float, float], quiet: tuple[float, float]) -> float:
    """Ratio of two normals; beyond their means it is not trusted to go on."""
    inside = min(max(odds, quiet[0]), loud[0])
    log_ratio = _log_density(inside, loud) - _log_density(inside, quiet)
    return min(math.exp(log_ratio), MOST_BREAK)


def _log_density(x: float, of: tuple[float, float]) -> float:
    """Of a normal, up to a constant."""
    mean, spread = of
    return -0.5 * ((x - mean) / spread) ** 2 - math.log(spread)
