"""Contact decided from spindle load alone: provisional at once, confirmed when it has lasted.

Conventions
-----------
Frames come from `measure.load`, columns as its ``LOAD_FEATURES``: load, is_percent, told, sign.
What is idle, and whether a rise is a cut at all, says the story of the log so far.
"""

from collections import deque
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames
from listen.decide.load_kernels import AIR, CUT, IDLE, SPINDLE, STANDING
from listen.decide.load_now import Now, StorySoFar
from listen.errors import ListenError
from listen.states import Event, Standing, State

LOAD, IS_PERCENT, TOLD, SIGN = range(4)
FAR_ABOVE = 2.5  # a strong cut: a spindle that starts or stops, or a plunge


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSettings:
    """When a rise of load is contact.

    Attributes
    ----------
    least_share_of_idle : float
        Least rise of a current or power over idle, before the first cut is known.
    noise_times : float
        A rise of this many standard deviations of the idle level is seen at once; a smaller one
        where the story has seen it.
    share_of_plateau : float
        Below this share of what it rose by, a contact is over.
    confirm_s : float
        How long a rise must last.
    end_s : float
        How long it must be gone [s].
    doubt_s : float
        How long the level of a contact must be called idle before it is believed to be.
    look_s, look_again_s : float
        How often the story is told, and how often while a rise waits to be confirmed [s].
    sure_of_idle : float
        A current or power that rises by this many times its idle level is a cut, whatever came
        before. A smaller first rise may be feeding in air: it stays provisional until there is
        something to compare it with.
    n_like : int
        Rises of about one height after which they are taken for cuts: nothing higher came.
    gone_s : float
        A log silent for longer says nothing of what came between [s].
    """

    least_share_of_idle: float = 0.3
    noise_times: float = 4.0
    share_of_plateau: float = 0.25
    confirm_s: float = 0.3
    end_s: float = 0.15
    doubt_s: float = 10.0
    look_s: float = 1.0
    look_again_s: float = 0.2
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
        self._story = StorySoFar()
        self._now: Now | None = None
        self._looked_at = 0
        self._doubted_at: int | None = None
        self._begun: Event | None = None  # provisional entry
        self._in_contact = False
        self._below_at: int | None = None
        self._idle = float("nan")
        self._sign = self._peak = self._cut_peak = 0.0
        self._percent = False
        self._cuts: deque[float] = deque(maxlen=10)
        self._unsure: list[float] = []  # heights of rises that may have been feeding in air
        self._rises: deque[float] = deque(maxlen=6000)  # of the contact
        self.rise = 0.0  # median rise over idle of the contact that ended last [unit of the load]
        self._last_at = 0
        self._closed = False

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        return round((self._settings.confirm_s + self._settings.look_s) * self._rate)

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
        load, self._percent = float(row[LOAD]), bool(row[IS_PERCENT])
        self._recent.append((at, load))
        while self._recent[0][0] < at - 8.0 * self._rate:
            self._recent.popleft()
        self._story.push(at / self._rate, load, told=bool(row[TOLD]))
        self._look(at, self._settings.look_s)
        return before + (self._inside(at, load) if self._in_contact else self._outside(at, row))

    def _look(self, at: int, every_s: float) -> None:
        """Have the story told anew where the last time was long ago."""
        if self._now is not None and at - self._looked_at < every_s * self._rate:
            return
        now, self._looked_at = self._story.look(percent=self._percent), at
        if self._in_contact and now is not None and self._doubts(now, at):
            return
        self._now, self._doubted_at = now, None
        if now is not None and (np.isfinite(now.idle) or now.kind == STANDING):
            self._idle = now.idle

    def _doubts(self, now: Now, at: int) -> bool:
        """Whether a story that has just made the level of a cut the idle level is to be waited for.

        Only what follows tells a long even cut from a new speed; a spindle that changes shows it.
        """
        if now.kind not in (AIR, IDLE) or not now.idle > self._idle + self._least():
            return False
        self._doubted_at = at if self._doubted_at is None else self._doubted_at
        return at - self._doubted_at < self._settings.doubt_s * self._rate

    def _turn(self, at: int, sign: float) -> tuple[Event, ...]:
        """Begin anew where it comes out that the load rises the other way."""
        events = self._end(self._last_at, at, 0.5) if self._in_contact else self._withdraw()
        self._cuts.clear()
        self._story, self._now = StorySoFar(), None
        if self._sign:
            self._recent = deque((when, -load) for when, load in self._recent)
            for when, load in self._recent:
                self._story.push(when / self._rate, load, told=False)
        self._sign = sign
        return events

    def _above(self, load: float) -> bool:
        """Whether the load lies above idle by what a cut adds, at once or by the story."""
        if self._now is None or not np.isfinite(self._idle):
            return False
        rise, least = load - self._idle, self._least()
        if rise <= least:
            return False
        return rise > self._settings.noise_times * self._now.noise or self._now.kind == CUT

    def _least(self) -> float:
        """Least rise over idle that is contact now, in the unit of the load."""
        assert self._now is not None
        settings = self._settings
        of_plateau = settings.share_of_plateau * self._cut_peak if self._in_contact else 0.0
        if self._percent or self._cuts:
            return max(self._now.least, of_plateau)
        return max(settings.least_share_of_idle * abs(self._idle), of_plateau)

    def _outside(self, at: int, row: NDArray[np.float64]) -> tuple[Event, ...]:
        if not self._above(float(row[LOAD])):
            return self._withdraw()
        rise = float(row[LOAD]) - self._idle
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
        if at - self._begun_at < self._wait_s() * self._rate - 1:
            return ()
        self._look(at, self._settings.look_again_s)
        seen = self._now is not None and self._now.kind == CUT
        return self._confirm(at) if seen and self._may_be_cut(at, row) else ()

    def _may_be_cut(self, at: int, row: NDArray[np.float64]) -> bool:
        """Whether there is something to compare a rise of current or power with, or none is needed."""
        if row[IS_PERCENT] or self._cuts:
            return True
        height = self._plateau(at)
        like = [other for other in self._unsure if 0.5 * height <= other <= 2.0 * height]
        far_above = bool(self._unsure) and height > 2.5 * max(self._unsure)
        sure = height > self._settings.sure_of_idle * abs(self._idle)
        return sure or far_above or len(like) >= self._settings.n_like

    def _wait_s(self) -> float:
        """How long a rise must last: longer where it may be a spindle stopping."""
        assert self._now is not None
        return 1.5 if self._peak > FAR_ABOVE * self._now.cut_scale else self._settings.confirm_s

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

    def _inside(self, at: int, load: float) -> tuple[Event, ...]:
        assert self._now is not None
        self._rises.append(load - self._idle)
        if self._now.kind in (SPINDLE, STANDING):
            return self._end(self._last_crossing(at), at, 0.8)
        if self._above(load):
            self._below_at = None
            return ()
        self._below_at = at if self._below_at is None else self._below_at
        if at - self._below_at < self._settings.end_s * self._rate and not self._slow_log():
            return ()
        return self._end(self._last_crossing(self._below_at), at, 0.95)

    def _slow_log(self) -> bool:
        """Whether one sample lasts as long as an end must."""
        if len(self._recent) < 2:
            return True
        return self._recent[-1][0] - self._recent[-2][0] >= self._settings.end_s * self._rate

    def _end(self, end_at: int, at: int, probability: float) -> tuple[Event, ...]:
        self._cuts.append(self._cut_peak)
        self.rise = float(np.median(self._rises)) if self._rises else self._cut_peak
        self._rises.clear()
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

    def _last_crossing(self, below_at: int) -> int:
        """Where the load last fell through half of what it had in the second before."""
        points = list(self._recent)
        near = [load for at, load in points if below_at - 0.8 * self._rate <= at <= below_at]
        half = self._idle + (max(near) - self._idle) / 2.0
        for before, after in zip(points[-2::-1], points[:0:-1], strict=False):
            if after[0] < below_at - self._rate:
                break
            if before[1] >= half > after[1]:
                return between(before, after, half)
        return below_at


def between(before: tuple[int, float], after: tuple[int, float], level: float) -> int:
    """Where a straight line between two points passes `level` [samples]."""
    (start, low), (stop, high) = before, after
    if high == low:
        return stop
    share = min(1.0, max(0.0, (level - low) / (high - low)))
    return round(start + share * (stop - start))
