"""Spindle load as frames: the load turned upwards, its idle level, and its noise.

Conventions
-----------
A load is turned so that it rises when the spindle works harder, whatever sign the clamp or
the control gives it. It stays in its own unit: percent of rated load, amperes or watts.
"""

from collections import deque

import numpy as np

from listen.blocks import Frames, LoadSample
from listen.errors import ListenError
from listen.timeline import Mark, MarkKind

LOAD_FEATURES = ("load", "idle", "noise", "is_percent", "standing", "sign")
STEP_S = 0.05  # faster logs are averaged to this
SHORT_S = 0.35  # a level is what lasts this long
SPIKE_S = 6.0  # a spindle is up to speed within this
CUT_S = 1.0
STANDING_PERCENT = 0.5  # below this a spindle may stand, by a control that shows whole percents
SPIKE_RATIO = 4.0  # a starting spindle draws at least this many times what it then idles with
COME_BACK_S = 45.0  # an idle level not seen for this long may have gone up
SMALL_RISE = 0.2  # so is one that is new and this small a part of the cuts before it
DWELL_S = 3.0  # and is believed where the load stays at it this long: moves between cuts are shorter
LOWEST_S = 60.0  # a lowest level not seen for this long is no longer waited for
FORGET_S = 180.0
DRIFT_S = 60.0  # an idle level drifts with this time constant
NOISE_FRAMES = 64
WHOLE_NOISE = 12.0**-0.5  # of rounding to whole percents: evenly spread over one percent
TOLERANCE = {True: 0.05, False: 0.0}  # least width of a level [percent of rated]; amperes have none


class MeasureLoad:
    """Turn load samples into frames with the idle level in force.

    Parameters
    ----------
    rate : int
        Audio sample rate [Hz], which `at` counts in.
    """

    def __init__(self, *, rate: int) -> None:
        self._rate = rate
        self._waiting: list[float] = []
        self._place = -1
        self._last_at = 0
        self._turn = Turn()
        self._idles = {1.0: IdleLevel(), -1.0: IdleLevel()}  # until it is known which way is up
        self._whole = True
        self._closed = False

    @property
    def latency(self) -> int:
        """Longest wait for a frame while samples keep coming [samples]."""
        return round(STEP_S * self._rate)

    def push(self, given: LoadSample | Mark) -> tuple[Frames, ...]:
        """Take the next sample or mark, give the frame that it completes, if any."""
        if self._closed:
            raise ListenError("push() after close(): make a new MeasureLoad per run")
        if isinstance(given, Mark):
            if given.kind in (MarkKind.SPINDLE_SPEED, MarkKind.SPINDLE_ON):
                for idle in self._idles.values():
                    idle.speed_changed()
            return ()
        place = int(given.at / (STEP_S * self._rate))
        made = self._frame() if place != self._place else ()
        self._place = place
        self._turn.is_percent = given.kind == "load_percent"
        self._waiting.append(given.percent)
        self._whole = self._whole and float(given.percent).is_integer()
        self._last_at = given.at
        return made

    def close(self) -> tuple[Frames, ...]:
        """End the stream and give the frame that was still filling."""
        made = () if self._closed else self._frame()
        self._closed = True
        return made

    def _frame(self) -> tuple[Frames, ...]:
        if not self._waiting:
            return ()
        raw = sum(self._waiting) / len(self._waiting)
        self._waiting.clear()
        self._turn.push(raw)
        percent = self._turn.percent
        for sign, idle in self._idles.items():
            idle.least_noise = WHOLE_NOISE if percent and self._whole else 0.0
            idle.push(sign * raw, self._last_at / self._rate, least=TOLERANCE[percent])
        idle = self._idles[self._turn.sign]
        row = [
            self._turn.sign * raw,
            idle.level,
            idle.noise,
            float(percent),
            float(idle.standing),
            self._turn.sign,
        ]
        return (Frames(at=np.array([self._last_at], dtype=np.int64), values=np.array([row])),)


class Turn:
    """Which way is up: the sign that the running spindle gives the load."""

    def __init__(self) -> None:
        self.sign = 1.0
        self.is_percent = True
        self._sum = 0.0
        self._size = 0.0
        self._n = 0

    @property
    def percent(self) -> bool:
        """True for percent of rated load, which is never below zero."""
        return self.is_percent and self.sign > 0

    def push(self, raw: float) -> None:
        """Let the next value vote.

        It votes with its size, but with three times the mean size at most: the spike of a
        stopping spindle has the other sign and must not outvote minutes of idling. The sign
        changes only where the votes are clear: a sensor's noise about zero has none.
        """
        self._n += 1
        self._size += abs(raw)
        mean = self._size / self._n
        self._sum += max(-3.0 * mean, min(3.0 * mean, raw))
        if abs(self._sum) >= 3.0 * mean * self._n**0.5:
            self.sign = -1.0 if self._sum < 0.0 else 1.0


class IdleLevel:
    """What the spindle draws without cutting, at the speed it has now.

    It follows down at once, drifts slowly, and goes up in four cases only: the spindle started
    or changed speed with a spike; a mark says that the speed changed; a new lowest level came
    back after a rise; or one has lasted for minutes.
    """

    def __init__(self) -> None:
        self.level = float("nan")
        self.noise = 0.0
        self.least_noise = 0.0  # of the rounding of the log
        self._noise = Noise()
        self._n_idle = 0
        self.standing = True  # until the first rise: then the spindle may only be starting
        self._recent: deque[tuple[float, float]] = deque()
        self._seen_s = 0.0  # last time at the idle level
        self._left_s = 0.0  # when the load last left it
        self._peak = 0.0
        self._new_speed = False
        self._higher = HigherIdle()

    def speed_changed(self) -> None:
        """Expect another idle level from here on."""
        self._new_speed = True

    def push(self, load: float, time_s: float, *, least: float) -> None:
        """Take the next value; `least` is how wide a level is at the least."""
        self._remember(load, time_s)
        self.noise = max(self.least_noise, self._noise.push(load, time_s))
        if not np.isfinite(self.level):
            self._settle(load, time_s)
            self.standing = least == 0.0 or load < STANDING_PERCENT
        width = self._width(least)
        if abs(load - self.level) <= width:
            self._drift(load, time_s, width)
        elif load < self.level:
            self._fall(time_s, width)
        else:
            self._rise(load, time_s, width)

    def _width(self, least: float) -> float:
        return max(least, 4.0 * self.noise, 0.02 * abs(self.level))

    def _remember(self, load: float, time_s: float) -> None:
        self._recent.append((time_s, load))
        while len(self._recent) > 3 and self._recent[1][0] <= time_s - SHORT_S:
            self._recent.popleft()

    def _short_level(self) -> tuple[float, float]:
        """Mean and range of the last half second."""
        values = [load for _, load in self._recent]
        return sum(values) / len(values), max(values) - min(values)

    def _settle(self, level: float, time_s: float) -> None:
        self.level = level
        self._n_idle = 0
        self._seen_s = self._left_s = time_s
        self._peak = level
        self._higher = HigherIdle()
        self._new_speed = False

    def _drift(self, load: float, time_s: float, width: float) -> None:
        if time_s - self._seen_s > CUT_S and self._peak - self.level > SPIKE_RATIO * width:
            self.standing = False  # up and back to the same level: that was a cut
        self._n_idle += 1
        share = max(1.0 / (self._n_idle + 1), min(1.0, (time_s - self._seen_s) / DRIFT_S))
        self.level += share * (load - self.level)
        self._seen_s = self._left_s = time_s
        self._peak = load
        self._higher = HigherIdle()

    def _fall(self, time_s: float, width: float) -> None:
        mean, spread = self._short_level()
        if self.level - mean <= width or spread > max(4.0 * width, 0.5 * abs(mean)):
            return
        self.standing = self.standing or mean < 0.2 * self.level
        self._settle(mean, time_s)

    def _rise(self, load: float, time_s: float, width: float) -> None:
        if load > self._peak:
            self._peak = load
        if time_s - self._left_s > SPIKE_S:
            self.standing = False  # a start is over sooner: this is cutting
        mean, spread = self._short_level()
        if spread > max(2.0 * width, 0.05 * abs(mean)):
            return
        higher = self._higher.found(
            mean,
            time_s,
            idle=self.level,
            width=width,
            away_s=time_s - self._seen_s,
            new_speed=self._new_speed,
        )
        if higher or self._after_spike(mean, time_s, width):
            self.standing = False
            self._settle(mean, time_s)

    def _after_spike(self, mean: float, time_s: float, width: float) -> bool:
        if time_s - self._left_s > SPIKE_S or mean - self.level <= width:
            return False
        return self._peak - self.level >= SPIKE_RATIO * (mean - self.level)


class HigherIdle:
    """Looks for a higher idle level while the load stays above the old one.

    The lowest level of the last minute is it where the load came back to it after a rise and
    then stayed, or where it stays there for very long: moves between cuts are short.
    """

    def __init__(self) -> None:
        self._lows: deque[tuple[float, float]] = deque()  # (time, level), levels increasing
        self._highs: deque[float] = deque(maxlen=1000)
        self._lowest = float("inf")
        self._visits = 0
        self._away = True
        self._came_s = 0.0

    def found(
        self, mean: float, time_s: float, *, idle: float, width: float, away_s: float, new_speed: bool
    ) -> bool:
        """Whether the level that the load has now is the new idle level."""
        self._highs.append(mean)
        self._remember(mean, time_s)
        lowest = self._lows[0][1]
        if abs(lowest - self._lowest) > width:
            self._lowest, self._visits, self._away = lowest, 1, False
            self._came_s = self._lows[0][0]
        if mean > self._lowest + 3.0 * width:
            self._away = True
        if mean > self._lowest + width:
            return False
        if self._away:
            self._visits, self._away, self._came_s = self._visits + 1, False, time_s
        stayed_s = time_s - self._came_s
        small = mean - idle <= SMALL_RISE * (max(self._highs) - idle)
        came_back = (self._visits >= 2 or small) and (new_speed or away_s > COME_BACK_S)
        return (came_back and stayed_s >= DWELL_S) or (away_s > FORGET_S and stayed_s >= LOWEST_S)

    def _remember(self, mean: float, time_s: float) -> None:
        while self._lows and self._lows[-1][1] >= mean:
            self._lows.pop()
        self._lows.append((time_s, mean))
        while self._lows[0][0] < time_s - LOWEST_S:
            self._lows.popleft()


class Noise:
    """Standard deviation of single values, from their steps, in the quietest of the last minutes."""

    def __init__(self) -> None:
        self._steps: deque[float] = deque(maxlen=NOISE_FRAMES)
        self._before: float | None = None
        self._quietest: deque[tuple[float, float]] = deque()  # (time, noise), noise increasing

    def push(self, load: float, time_s: float) -> float:
        """Noise with the next value counted [unit of the load].

        The mean of nine tenths of the steps is 0.84 of a standard deviation of normal values:
        the greatest tenth are the cuts, and the mean sees a load that toggles by whole percents.
        """
        if self._before is not None:
            self._steps.append(abs(load - self._before))
        self._before = load
        if len(self._steps) < 3:
            return 0.0
        steps = sorted(self._steps)[: max(1, len(self._steps) * 9 // 10)]
        noise = sum(steps) / len(steps) / 0.9
        if len(self._steps) < NOISE_FRAMES:
            return noise
        while self._quietest and self._quietest[-1][1] >= noise:
            self._quietest.pop()
        self._quietest.append((time_s, noise))
        while self._quietest[0][0] < time_s - FORGET_S:
            self._quietest.popleft()
        return 1.35 * self._quietest[0][1]  # the quietest of many lies low by this
