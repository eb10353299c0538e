"""Contact decided from spindle load alone: provisional at once, confirmed when it has lasted.

Conventions
-----------
Frames come from `measure.load`, columns as its ``LOAD_FEATURES``: load, idle, noise,
is_percent, standing, sign.
"""

from collections import deque
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames
from listen.errors import ListenError
from listen.states import Event, Standing, State

LOAD, IDLE, NOISE, IS_PERCENT, STANDING, SIGN = range(6)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSettings:
    """When a rise of load is contact.

    Attributes
    ----------
    least_percent : float
        Least rise in percent of rated load: controls show whole percents, and less than this
        over a quiet idle says nothing.
    least_share_of_idle, least_share_of_cut : float
        Least rise of a current or power, over idle before the first cut is known, and
        over the strong ones (third quartile) of the last ten after it: feeding in air alone
        adds up to a sixth of a cut.
    noise_times : float
        Least rise in standard deviations of the idle level.
    confirm_s, start_s : float
        How long a rise must last; `start_s` where the spindle may only be starting.
    end_s : float
        How long it must be gone [s].
    strongest_cut : float
        Rise of the strongest cut where it is known beforehand, 0 where not.
    sure_of_idle : float
        A current or power that rises by this many times its idle level is a cut, whatever came
        before. A smaller first rise may be feeding in air: it stays provisional until there is
        something to compare it with.
    n_like : int
        Rises of about one height after which they are taken for cuts: nothing higher came.
    gone_s : float
        A log silent for longer says nothing of what came between [s].
    """

    least_percent: float = 0.15
    least_share_of_idle: float = 0.3
    least_share_of_cut: float = 0.25
    noise_times: float = 4.0
    confirm_s: float = 0.3
    start_s: float = 3.0
    end_s: float = 0.15
    strongest_cut: float = 0.0
    sure_of_idle: float = 1.5
    n_like: int = 3
    gone_s: float = 3.0


class DecideLoad:
    """Turn load frames into events; nothing here knows the program or the sound.

    Parameters
    ----------
    rate : int
        Audio sample rate [Hz].
    settings : LoadSettings
    """

    def __init__(self, *, rate: int, settings: LoadSettings | None = None) -> None:
        self._rate = rate
        self._settings = settings or LoadSettings()
        self._recent: deque[tuple[int, float]] = deque()  # (at, load) of the last seconds
        self._begun: Event | None = None  # provisional entry
        self._in_contact = False
        self._below_at: int | None = None
        self._idle = self._sign = 0.0
        self._peak = 0.0
        known = self._settings.strongest_cut
        self._cuts: deque[float] = deque([known] if known > 0.0 else [], maxlen=10)
        self._unsure: list[float] = []  # heights of rises that may have been feeding in air
        self._last_at = 0
        self._slow = Slow()
        self._closed = False

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        return round((self._settings.start_s + 0.5) * self._rate)

    def push(self, frames: Frames) -> tuple[Event, ...]:
        """Take the next frames, give the events they decide (often none)."""
        if self._closed:
            raise ListenError("push() after close(): make a new DecideLoad per run")
        events: list[Event] = []
        for at, row in zip(frames.at, frames.values, strict=True):
            events += self._step(int(at), row)
        return tuple(events)

    def close(self) -> tuple[Event, ...]:
        """End the stream; a contact still open ends where the load ends."""
        if self._closed:
            return ()
        self._closed = True
        return self._end(self._last_at, self._last_at, 0.6) if self._in_contact else self._withdraw()

    def _step(self, at: int, row: NDArray[np.float64]) -> tuple[Event, ...]:
        before: tuple[Event, ...] = ()
        if row[SIGN] != self._sign:
            before = self._turn(at, float(row[SIGN]))
        silent = at - self._last_at > self._settings.gone_s * self._rate
        if silent and self._recent:
            before += self._end(self._last_at, at, 0.5) if self._in_contact else self._withdraw()
            self._recent.clear()
        self._last_at = at
        self._recent.append((at, float(row[LOAD])))
        while self._recent[0][0] < at - 8.0 * self._rate:
            self._recent.popleft()
        self._idle = float(row[IDLE])
        rise = float(row[LOAD] - row[IDLE])
        least = self.least_rise(row)
        above = rise > least or self._slow.push(rise, least, row, at / self._rate, self._settings)
        return before + (self._inside(at, above, rise) if self._in_contact else self._outside(at, above, row))

    def _turn(self, at: int, sign: float) -> tuple[Event, ...]:
        """Begin anew where it comes out that the load rises the other way."""
        events = self._end(self._last_at, at, 0.5) if self._in_contact else self._withdraw()
        if not self._settings.strongest_cut:
            self._cuts.clear()
        if self._sign:
            self._recent = deque((when, -load) for when, load in self._recent)
        self._sign = sign
        return events

    def least_rise(self, row: NDArray[np.float64]) -> float:
        """Least rise over idle that is contact now, in the unit of the load."""
        settings = self._settings
        noise = settings.noise_times * float(row[NOISE])
        if row[IS_PERCENT]:
            return max(settings.least_percent, noise)
        if self._cuts:
            return max(settings.least_share_of_cut * float(np.quantile(self._cuts, 0.75)), noise)
        of_idle = settings.least_share_of_idle * abs(float(row[IDLE]))
        of_cut = settings.least_share_of_cut * self._cut_peak if self._in_contact else 0.0
        return max(of_idle, of_cut, noise)

    def _outside(self, at: int, above: bool, row: NDArray[np.float64]) -> tuple[Event, ...]:
        if not above:
            return self._withdraw()
        rise = float(row[LOAD] - row[IDLE])
        self._peak = max(self._peak, rise)
        if self._begun is None:
            self._begun = Event(
                state=State.ENTRY,
                at=self._crossing(at, rise),
                decided_at=at,
                probability=0.6,
                spread=self._rate // 5,
                standing=Standing.PROVISIONAL,
            )
            self._begun_at = at
            return (self._begun,)
        waited = at - self._begun_at >= self._wait_s(row) * self._rate - 1
        return self._confirm(at) if waited and self._may_be_cut(at, row) else ()

    def _may_be_cut(self, at: int, row: NDArray[np.float64]) -> bool:
        """Whether there is something to compare a rise of current or power with, or none is needed."""
        if row[IS_PERCENT] or self._cuts:
            return True
        height = self._plateau(at)
        like = [other for other in self._unsure if 0.5 * height <= other <= 2.0 * height]
        far_above = bool(self._unsure) and height > 2.5 * max(self._unsure)
        sure = height > self._settings.sure_of_idle * abs(float(row[IDLE]))
        return sure or far_above or len(like) >= self._settings.n_like

    def _wait_s(self, row: NDArray[np.float64]) -> float:
        """How long a rise must last: longer where it may be a spindle starting or stopping."""
        if row[STANDING]:
            return self._settings.start_s
        huge = bool(self._cuts) and self._peak > 2.5 * max(self._cuts)
        return 1.5 if huge else self._settings.confirm_s

    def _confirm(self, at: int) -> tuple[Event, ...]:
        assert self._begun is not None
        plateau = self._plateau(at)
        entry = replace(
            self._begun,
            at=self._first_crossing(plateau / 2.0),
            decided_at=at,
            probability=0.95,
            standing=Standing.CONFIRMED,
        )
        steady_at = max(entry.at, self._first_crossing(0.9 * plateau))
        self._in_contact, self._begun, self._below_at = True, None, None
        self._cut_peak = plateau
        return (
            entry,
            Event(state=State.STEADY, at=steady_at, decided_at=at, probability=0.9, spread=self._rate // 10),
        )

    def _inside(self, at: int, above: bool, rise: float) -> tuple[Event, ...]:
        if above:
            self._below_at = None
            return ()
        self._below_at = at if self._below_at is None else self._below_at
        if at - self._below_at < self._settings.end_s * self._rate and not self._slow_log():
            return ()
        return self._end(self._last_crossing(), at, 0.95)

    def _slow_log(self) -> bool:
        """Whether one sample lasts as long as an end must."""
        if len(self._recent) < 2:
            return True
        return self._recent[-1][0] - self._recent[-2][0] >= self._settings.end_s * self._rate

    def _end(self, end_at: int, at: int, probability: float) -> tuple[Event, ...]:
        if not self._settings.strongest_cut:
            self._cuts.append(self._cut_peak)
        self._in_contact, self._below_at, self._peak = False, None, 0.0
        spread = self._rate // 10
        exit_at = min(end_at, at)
        return (
            Event(state=State.EXIT, at=exit_at, decided_at=at, probability=probability, spread=spread),
            Event(state=State.AIR, at=exit_at, decided_at=at, probability=probability, spread=spread),
        )

    def _withdraw(self) -> tuple[Event, ...]:
        peak, self._peak = self._peak, 0.0
        if self._begun is None:
            return ()
        if not self._cuts and self._last_at - self._begun_at >= self._settings.confirm_s * self._rate:
            self._unsure.append(peak)
        gone = replace(self._begun, decided_at=self._last_at, standing=Standing.WITHDRAWN, probability=0.95)
        self._begun = None
        return (gone,)

    def _plateau(self, at: int) -> float:
        """Rise over idle in the last third of a second."""
        last = [load for when, load in self._recent if when > at - 0.34 * self._rate]
        return float(np.median(last)) - self._idle

    def _crossing(self, at: int, rise: float) -> int:
        """Where the load passed half of `rise` on its way to the newest value."""
        if len(self._recent) < 2:
            return at
        return between(self._recent[-2], self._recent[-1], self._idle + rise / 2.0)

    def _first_crossing(self, rise: float) -> int:
        """Where the load first passed `rise` since the provisional entry."""
        assert self._begun is not None
        points = list(self._recent)
        for before, after in pairwise(points):
            if after[0] >= self._begun_at and before[1] - self._idle < rise <= after[1] - self._idle:
                return between(before, after, self._idle + rise)
        return self._begun.at

    def _last_crossing(self) -> int:
        """Where the load last fell through half of what it had in the second before."""
        points = list(self._recent)
        assert self._below_at is not None
        near = [load for at, load in points if self._below_at - 0.8 * self._rate <= at <= self._below_at]
        half = self._idle + (max(near) - self._idle) / 2.0
        for before, after in zip(points[-2::-1], points[:0:-1], strict=False):
            if after[0] < self._below_at - self._rate:
                break
            if before[1] >= half > after[1]:
                return between(before, after, half)
        return self._below_at


class Slow:
    """Sees a rise below the noise of single values by its mean over eight seconds."""

    def __init__(self) -> None:
        self._kept: deque[tuple[float, float]] = deque()

    def push(
        self, rise: float, least: float, row: NDArray[np.float64], time_s: float, settings: LoadSettings
    ) -> bool:
        """Whether the mean of the last two and of the last eight seconds stands out."""
        self._kept.append((time_s, max(-least, min(least, rise))))
        while self._kept[0][0] < time_s - 8.0:
            self._kept.popleft()
        if not row[IS_PERCENT] or row[NOISE] <= 0.0 or len(self._kept) < 20:
            return False
        long = [rise for _, rise in self._kept]
        short = [rise for at, rise in self._kept if at > time_s - 2.0]
        stands_out = max(settings.least_percent, settings.noise_times * float(row[NOISE]) / len(long) ** 0.5)
        return bool(np.mean(long) > stands_out and np.mean(short) > stands_out)


def between(before: tuple[int, float], after: tuple[int, float], level: float) -> int:
    """Where a straight line between two points passes `level` [samples]."""
    (start, low), (stop, high) = before, after
    if high == low:
        return stop
    share = min(1.0, max(0.0, (level - low) / (high - low)))
    return round(start + share * (stop - start))
