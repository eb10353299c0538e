"""The story of a load log while it goes on: told anew every second from the stretches known so far."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.decide.load_levels import Levels, cut_levels, joined, step_of, tell_story

POINT_S = 0.2  # a story needs no faster log than this
STORY_S = 600.0  # what is older is forgotten
CUT_AGAIN_S = 90.0  # older stretches stay as they are, so that a look costs the same after hours
SETTLED_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """What the story says of the newest stretch.

    Attributes
    ----------
    kind : int
        AIR, CUT, SPINDLE, IDLE or STANDING of `load_kernels`.
    idle : float
        Idle level in force, NaN where none is known yet.
    least, cut_scale, noise : float
        Least rise that is a cut, rise of the strong cuts, and standard deviation of a point.
    """

    kind: int
    idle: float
    least: float
    cut_scale: float
    noise: float


class StorySoFar:
    """Keeps a log as stretches, and says what the newest one is."""

    def __init__(self) -> None:
        self._seconds: list[float] = []
        self._load: list[float] = []
        self._waiting: list[float] = []
        self._told_s: list[float] = []
        self._settled: Levels | None = None
        self._noise = 0.0

    def push(self, time_s: float, load: float, *, told: bool) -> None:
        """Keep the next value; `told` where the source told another spindle speed since the last."""
        if told:
            self._told_s.append(time_s)
        self._waiting.append(load)
        if not self._seconds or time_s - self._seconds[-1] >= POINT_S - 1e-6:
            self._seconds.append(time_s)
            self._load.append(sum(self._waiting) / len(self._waiting))
            self._waiting.clear()

    def look(self, *, percent: bool) -> Now | None:
        """What is known now; None in the first moments."""
        if len(self._load) < 3:
            return None
        seconds, load = np.array(self._seconds), np.array(self._load)
        step = step_of(load) if percent else 0.0
        newest = cut_levels(seconds, load, step=step, blocks_s=np.empty(0), quietest=self._noise)
        levels = newest if self._settled is None else joined(self._settled, newest)
        story = tell_story(levels, percent=percent, step=step, speeds_s=np.array(self._told_s))
        self._settle(newest, seconds)
        return Now(
            kind=int(story.kind[-1]),
            idle=float(story.idle[-1]),
            least=story.least,
            cut_scale=story.cut_scale,
            noise=levels.noise,
        )

    def _settle(self, newest: Levels, seconds: NDArray[np.float64]) -> None:
        """Let stretches that are over for long stay as they are."""
        if seconds[-1] - seconds[0] < CUT_AGAIN_S:
            return
        over = int(np.searchsorted(newest.stop_s, seconds[-1] - SETTLED_S))
        if over == 0:
            return
        first = newest.first(over)
        self._settled = first if self._settled is None else joined(self._settled, first)
        self._settled = self._settled.since(seconds[-1] - STORY_S)
        self._noise = self._settled.noise
        n_points = int(newest.edges[over])
        del self._seconds[:n_points], self._load[:n_points]
        self._told_s = [time_s for time_s in self._told_s if time_s > seconds[-1] - STORY_S]
