"""Contact from a whole load log, looked at from both sides; a new block makes a new level likelier."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames
from listen.decide.load_kernels import CUT, IDLE, LONGEST_SPIKE_S, SPINDLE, STANDING
from listen.decide.load_levels import Levels, Story, cut_levels, opened, step_of, tell_story
from listen.decide.load_states import IS_PERCENT, LOAD, SIGN, between
from listen.states import Event, State
from listen.timeline import Mark, MarkKind

ENTERED, LEFT = 0.3, 0.7  # a drive answers late: contact begins and ends with the change, not at its middle
CLEAR_NOISE = 5.0  # a rise of fewer standard deviations is dated by its stretches alone
LASTS_S = 0.7
SETTLES_S = 1.5
SPIKE_RATIO = 3.0
SAME_IDLE = 0.1
NEAR_BLOCK = 1.5  # values of the log
BLIP_S, BLIP_SHARE = 2.0, 0.15  # a shorter and smaller rise is a rapid move


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenContact:
    """One contact that the load shows: ends [samples], and how far it rose over idle [unit of the load]."""

    start: int
    full: int
    stop: int
    rise: float


def second_look_load(frames: Frames, marks: Iterable[Mark], *, rate: int) -> tuple[Event, ...]:
    """Contacts as known after the whole log was read.

    Parameters
    ----------
    frames : Frames
        Load frames of the whole run, columns as ``LOAD_FEATURES``. Not changed.
    marks : iterable of Mark
        Line marks tell where a new level is likely, speeds where a new idle level is.
    rate : int
        Audio sample rate [Hz].

    Returns
    -------
    tuple of Event
        Confirmed events in order, decided at the end of the log.
    """
    return _events(contacts_of_load(frames, marks, rate=rate), int(frames.at[-1]) if len(frames) else 0, rate)


def contacts_of_load(frames: Frames, marks: Iterable[Mark], *, rate: int) -> tuple[SeenContact, ...]:
    """The same as contacts, with their rises; parameters as for `second_look_load`."""
    if len(frames) < 3:
        return ()
    marks = tuple(marks)
    seconds = frames.at / rate
    load = (
        frames.values[:, LOAD] * frames.values[:, SIGN] * frames.values[-1, SIGN]
    )  # as it came out at the end
    percent, step = bool(frames.values[-1, IS_PERCENT]), step_of(load)
    blocks_s = _times(marks, rate, MarkKind.LINE)
    levels = cut_levels(seconds, load, step=step, blocks_s=blocks_s)
    speeds_s = _times(marks, rate, MarkKind.SPINDLE_SPEED, MarkKind.SPINDLE_ON)
    story = tell_story(levels, percent=percent, step=step, speeds_s=speeds_s)
    levels, story = opened(levels, story, seconds, load)
    points = _Points(at=frames.at, load=load, levels=levels, story=story)
    runs = [run for run in _runs(story.kind == CUT) if not _is_spindle(levels, story, *run)]
    near_s = NEAR_BLOCK * float(np.median(np.diff(seconds)))
    found = [_at_blocks(points.contact(first, last), blocks_s, near_s, rate) for first, last in runs]
    blip = round(BLIP_S * rate)
    return tuple(
        one
        for one in found
        if one.stop > one.start and (one.stop - one.start > blip or one.rise > BLIP_SHARE * story.cut_scale)
    )


def _times(marks: tuple[Mark, ...], rate: int, *kinds: MarkKind) -> NDArray[np.float64]:
    return np.array(sorted({mark.at / rate for mark in marks if mark.kind in kinds}))


def _at_blocks(one: SeenContact, blocks_s: NDArray[np.float64], near_s: float, rate: int) -> SeenContact:
    """The contact with its ends at the blocks that begin as near as the log is fine."""
    start, stop = (_snapped(at, blocks_s, near_s, rate) for at in (one.start, one.stop))
    return replace(one, start=start, full=max(one.full, start), stop=stop)


def _snapped(at: int, blocks_s: NDArray[np.float64], near_s: float, rate: int) -> int:
    if not blocks_s.size:
        return at
    nearest = float(blocks_s[np.argmin(np.abs(blocks_s - at / rate))])
    return round(nearest * rate) if abs(nearest - at / rate) <= near_s else at


def _runs(true: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """First and last place of each run of true ones."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(int)))
    yield from zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True)


def _is_spindle(levels: Levels, story: Story, first: int, last: int) -> bool:
    """Whether a short rise is the spindle: far above all cuts and not back to the same idle, or settling.

    A plunge may rise as far, but the spindle idles after it as before.
    """
    lasts = levels.stop_s[last] - levels.start_s[first]
    height = float(levels.level[first : last + 1].max() - story.idle[first])
    if lasts <= LONGEST_SPIKE_S and height > SPIKE_RATIO * story.cut_scale:
        return not _same_after(levels, story, first, last)
    beside = story.kind[max(0, first - 1) : last + 2]
    return lasts <= SETTLES_S and bool(np.isin(beside, (SPINDLE, STANDING)).any())


def _same_after(levels: Levels, story: Story, first: int, last: int) -> bool:
    """Whether the load comes back to the idle level that it left."""
    before = float(story.idle[first])
    after = levels.level[last + 1 : last + 5][story.kind[last + 1 : last + 5] == IDLE]
    width = max(3.0 * levels.noise, SAME_IDLE * abs(before))
    return bool(after.size and abs(after[0] - before) < width)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Points:
    """The log with its story, for dating ends between frames."""

    at: NDArray[np.int64]
    load: NDArray[np.float64]
    levels: Levels
    story: Story

    def contact(self, first: int, last: int) -> SeenContact:
        """The contact of stretches `first` to `last`."""
        levels, idle = self.levels, float(self.story.idle[first])
        length = levels.stop_s[first : last + 1] - levels.start_s[first : last + 1]
        lasting = [first + int(i) for i in np.flatnonzero(length >= LASTS_S)]
        lasting = lasting or [first + int(np.argmax(levels.level[first : last + 1]))]
        heights = levels.level[first : last + 1] - idle
        begin, end = (float(levels.level[i]) - idle for i in (lasting[0], lasting[-1]))
        return SeenContact(
            start=self._entered(first, lasting[0], idle, begin, ENTERED),
            full=self._entered(first, lasting[0], idle, begin, 0.9),
            stop=self._left(last, lasting[-1], idle, end),
            rise=float(np.average(heights, weights=length)),
        )

    def _entered(self, first: int, full: int, idle: float, rise: float, share: float) -> int:
        """Where the load first passed a share of its rise [samples]."""
        edges, noise = self.levels.edges, self.levels.noise
        if rise > CLEAR_NOISE * noise:
            wanted = idle + share * rise
            for i in range(max(1, int(edges[first]) - 1), min(int(edges[full]) + 2, self.load.size)):
                if self.load[i - 1] < wanted <= self.load[i]:
                    return between(self._point(i - 1), self._point(i), wanted)
        return int(self.at[edges[first]])

    def _left(self, last: int, full: int, idle: float, rise: float) -> int:
        """Where the load last fell through a share of its rise [samples]."""
        edges, noise = self.levels.edges, self.levels.noise
        stop = min(int(edges[last + 1]), self.load.size - 1)
        if rise > CLEAR_NOISE * noise:
            wanted = idle + LEFT * rise
            for i in range(stop, max(0, int(edges[full + 1]) - 2), -1):
                if self.load[i - 1] >= wanted > self.load[i]:
                    return between(self._point(i - 1), self._point(i), wanted)
        return int(self.at[stop])

    def _point(self, i: int) -> tuple[int, float]:
        return int(self.at[i]), float(self.load[i])


def _events(contacts: tuple[SeenContact, ...], end: int, rate: int) -> tuple[Event, ...]:
    events: list[Event] = []
    for one in contacts:
        places = ((State.ENTRY, one.start), (State.STEADY, max(one.start, min(one.full, one.stop))))
        for state, at in (*places, (State.EXIT, one.stop), (State.AIR, one.stop)):
            events.append(
                Event(state=state, at=at, decided_at=max(end, at), probability=0.95, spread=round(0.1 * rate))
            )
    return tuple(events)
