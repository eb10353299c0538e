"""A running cut that the live ear stops believing in: how seldom it does so while the cut goes on.

The two-sided ear settles an end half a second after it. Long before that the belief of the live ear has
fallen; in running cuts it falls too, mostly for a moment. How often so deep and for so long was measured on
made sound by `python -m tools.tools_follow.measure_ear`. Machines differ a lot in it: a run learns its own.
"""

import math
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from listen.follow.priors import Floats
from listen.states import StateLikelihoods, log_odds

LEVELS = np.arange(0.0, 5.1, 0.5)  # how far below even odds [nats]
# Falls below each level that last for t frames of 10 ms, in a second of cutting: a power of t at each level.
# By the clips 300 to 519 of it, two minutes each; one machine that falls thirty times as often is left out.
FALLS_PER_S = np.exp(-1.9 - 0.98 * LEVELS - 0.10 * LEVELS**2)
FADES, FRAME_S = 0.79 - 0.03 * LEVELS, 0.01
MEASURED_PER_S = 20.43 / 3600.0  # dropouts of the ear that this was measured on
# Level and length of what is counted in a run, and how many falls the belief before the run is worth.
SHORT, SHORT_S, SHORT_WORTH = 2, 0.05, 0.5
LONG, LONG_S, LONG_WORTH = 1, 0.3, 0.25
# How long breaks last that are confirmed as ends: of 130, 50 % longer than 0.5 s, 20 % than 2 s.
SHORT_BREAK_S, LONG_BREAK_S = 0.3, 2.0  # half of them each
SETTLED_S = 1.5  # by then an end would be confirmed
UNTOLD_S = 0.25  # frames further apart do not follow each other


def break_lasts(length_s: Floats) -> Floats:
    """Chance that a confirmed break in a cut that goes on lasts longer than this."""
    result: Floats = 0.5 * np.exp(-length_s / SHORT_BREAK_S) + 0.5 * np.exp(-length_s / LONG_BREAK_S)
    return result


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """The belief in a running contact has fallen.

    Attributes
    ----------
    began, at : int
        When it fell, and until when that was seen [samples].
    per_s : float
        How often in a second of cutting it falls at least so deep and long while the cut goes on; infinite
        where it has come back.
    """

    began: int
    at: int
    per_s: float

    @property
    def is_over(self) -> bool:
        """Whether the cut is believed in again."""
        return self.per_s == math.inf


class LostCut:
    """Watches the live ear's belief while a contact runs.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    dropouts_per_s : float
        Of the ear, as stated: where it loses more cuts its belief falls more often.
    runs_on : callable
        Whether by the program the contact runs on well beyond a time [samples]; only there a fall tells.
    """

    def __init__(self, rate: int, *, dropouts_per_s: float, runs_on: Callable[[int], bool]) -> None:
        self._rate = rate
        self._runs_on = runs_on
        self._queue: deque[StateLikelihoods] = deque()
        self._per_level_s = dropouts_per_s / MEASURED_PER_S * FALLS_PER_S
        self._n_short = self._n_long = 0  # of this run
        self._cut_s = 0.0  # so much cutting was watched
        self._last: int | None = None  # frame
        self._above = np.zeros(LEVELS.size)  # when the belief was last above each level [samples]
        self._began: int | None = None  # the fall that goes on,
        self._tells = False  # whether the cut must run on there,
        self._longest_s = np.zeros(LEVELS.size)  # and how long it has been below each level [s]

    @property
    def is_told(self) -> bool:
        """Whether any belief in a running cut was told in this run."""
        return self._cut_s > 0.0

    @property
    def has_fallen(self) -> bool:
        """Whether the running cut is not believed in now."""
        return self._began is not None

    @property
    def times_long(self) -> float:
        """How many times as often as measured the belief falls for long in this run; 1 where none is told."""
        return self._times(self._n_long, LONG_WORTH, LONG, LONG_S)

    def _times(self, n: int, worth: float, level: int, lasted_s: float) -> float:
        """How many times as often as measured it falls in this run, by a count and what that is worth."""
        per_s = float(self._per_level_s[level] * (lasted_s / FRAME_S) ** -FADES[level])
        return (worth + n) / (worth + per_s * self._cut_s)

    def take(self, heard: StateLikelihoods) -> None:
        """Take the beliefs of the next frames."""
        if heard.at.size:
            self._queue.append(heard)

    def has_news(self, now: int) -> bool:
        """Whether frames up to `now` [samples] wait to be looked at."""
        return bool(self._queue) and bool(self._queue[0].at[0] <= now)

    def until(self, now: int, *, in_contact: bool) -> Iterator[Fall]:
        """Falls of the belief in a contact that runs, frame by frame up to `now` [samples]."""
        while self.has_news(now):
            heard = self._queue.popleft()
            n = int(np.searchsorted(heard.at, now, side="right"))
            if n < heard.at.size:
                self._queue.appendleft(_rows(heard, slice(n, None)))
                heard = _rows(heard, slice(n))
            if in_contact:
                yield from self._watch(heard)
            else:
                self._believe(int(heard.at[-1]))

    def _watch(self, heard: StateLikelihoods) -> Iterator[Fall]:
        if self._last is None or heard.at[0] - self._last > UNTOLD_S * self._rate:
            self._believe(int(heard.at[0]))
        if self._began is None and float(heard.contact.min()) > 0.5:
            self._cut_on(int(heard.at[-1]))
            return
        for at, odds in zip(heard.at.tolist(), log_odds(heard.contact).tolist(), strict=True):
            if odds > 0.0:
                yield from self._come_back(at)
                self._cut_on(at)
            else:
                yield from self._fall(at, odds)

    def _cut_on(self, at: int) -> None:
        """The cut is believed in up to here."""
        self._cut_s += (at - (self._last or at)) / self._rate
        self._believe(at)

    def _believe(self, at: int) -> None:
        """Nothing has fallen."""
        self._last, self._began = at, None
        self._above[:] = at

    def _come_back(self, at: int) -> Iterator[Fall]:
        if self._began is not None and self._tells:
            yield self._learn(at)

    def _learn(self, at: int) -> Fall:
        """A fall that was none tells of others in this run."""
        self._n_short += self._longest_s[SHORT] >= SHORT_S
        self._n_long += self._longest_s[LONG] >= LONG_S
        self._tells = False
        return Fall(began=self._began or at, at=at, per_s=math.inf)

    def _fall(self, at: int, odds: float) -> Iterator[Fall]:
        if self._began is None:
            self._began = self._last or at
            self._tells = self._runs_on(self._began)
            self._longest_s[:] = 0.0
        self._last = at
        self._above[-odds < LEVELS] = at
        lasted_s = (at - self._above) / self._rate
        self._longest_s = np.maximum(self._longest_s, lasted_s)
        if self._tells and at - self._began > SETTLED_S * self._rate:
            yield self._learn(at)
        elif self._tells:
            yield Fall(began=self._began, at=at, per_s=self._per_s(lasted_s))

    def _per_s(self, lasted_s: Floats) -> float:
        """How often the belief falls as deep and as long in this run, by the level at which it says most."""
        times = self._times(self._n_short, SHORT_WORTH, SHORT, SHORT_S)
        falls = times * self._per_level_s * np.maximum(lasted_s / FRAME_S, 1.0) ** -FADES
        return float(np.where(lasted_s > 0.0, falls, math.inf).min())


def _rows(heard: StateLikelihoods, rows: slice) -> StateLikelihoods:
    return StateLikelihoods(
        at=heard.at[rows], log_likelihood=heard.log_likelihood[rows], contact=heard.contact[rows]
    )
