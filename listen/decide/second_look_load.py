"""Contact from a whole load log, looked at from both sides, and block by block where lines are known."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames
from listen.decide.load_states import IDLE, LOAD, NOISE, SIGN, STANDING, DecideLoad, LoadSettings
from listen.states import Event, Standing, State
from listen.timeline import Mark, MarkKind

REACH_S = 45.0  # the idle level is looked for this far to both sides
HIGH_S = 120.0  # and the cuts it is compared with this far
LEVEL_S = 0.4  # a level is what lasts this long at the least
DWELL_S = 3.0  # and a higher idle level this long: moves between cuts are shorter
SMALL_RISE = 0.2  # a higher idle level is believed where it is this small a part of the cuts around
FLAT = 1.3  # a block with less than this many times the noise inside has one level


def second_look_load(
    frames: Frames, marks: Iterable[Mark], *, rate: int, settings: LoadSettings | None = None
) -> tuple[Event, ...]:
    """Contacts as known after the whole log was read.

    Parameters
    ----------
    frames : Frames
        Load frames of the whole run, columns as ``LOAD_FEATURES``. Not changed.
    marks : iterable of Mark
        Line marks let each block be judged by its mean.
    rate : int
        Audio sample rate [Hz].

    Returns
    -------
    tuple of Event
        Confirmed events in order, decided at the end of the log.
    """
    if not len(frames):
        return ()
    settings = settings or LoadSettings()
    frames = _turned(_without_false_standing(frames))
    lines = sorted({mark.at for mark in marks if mark.kind == MarkKind.LINE})
    frames = _level_noise(frames, lines)
    values = frames.values.copy()
    values[:, IDLE] = two_sided_idle(frames, rate=rate)
    seen = Frames(at=frames.at, values=values)
    first = _contacts(_decide(seen, rate, settings))
    strongest = float(np.quantile([_rise(seen, contact) for contact in first] or [0.0], 0.75))
    return _events(_contacts(_decide(seen, rate, replace(settings, strongest_cut=strongest))), seen, rate)


def _turned(frames: Frames) -> Frames:
    """Frames with the load turned the way that it came out at the end."""
    values = frames.values.copy()
    other = values[:, SIGN] != values[-1, SIGN]
    values[other, LOAD] *= -1.0
    values[other, IDLE] = values[~other, IDLE][0]
    values[other, STANDING] = 1.0
    values[:, SIGN] = values[-1, SIGN]
    return Frames(at=frames.at, values=values)


def _without_false_standing(frames: Frames) -> Frames:
    """Frames in which a spindle that came back to the level it had before was turning all along."""
    values = frames.values.copy()
    noise = float(np.median(values[:, NOISE]))
    edges = np.flatnonzero(np.diff(np.concatenate([[0.0], values[:, STANDING], [0.0]])))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop >= len(frames):
            break
        before, after = values[start:stop, IDLE], values[stop, IDLE]
        if abs(before - after).max() <= max(3.0 * noise, 0.05 * abs(after)):
            values[start:stop, STANDING] = 0.0
    return Frames(at=frames.at, values=values)


def _level_noise(frames: Frames, lines: list[int]) -> Frames:
    """Frames with one noise for the whole log, and with each block that only has noise at its mean."""
    values = frames.values.copy()
    noise = float(np.median(values[:, NOISE]))
    values[:, NOISE] = noise
    edges = np.searchsorted(frames.at, [*lines, int(frames.at[-1]) + 1])
    for start, stop in pairwise(edges):
        block = values[start:stop, LOAD]
        if block.size >= 2 and block.std(ddof=1) <= FLAT * noise * (1.0 + 1.0 / block.size**0.5):
            values[start:stop, LOAD] = block.mean()
            values[start:stop, NOISE] = noise / block.size**0.5
    return Frames(at=frames.at, values=values)


def two_sided_idle(frames: Frames, *, rate: int) -> NDArray[np.float64]:
    """Idle level of each frame from what lies before and after it.

    The lowest level around is idle. Where the load stays for seconds at a higher one that is
    the lowest on one side at least, and small beside the cuts around, that one is: the
    spindle's speed has changed.

    Returns
    -------
    ndarray, shape (n_frames,)
        In the unit of the load.
    """
    load, live = frames.values[:, LOAD], frames.values[:, IDLE]
    seconds = frames.at / rate
    noise = frames.values[:, NOISE]
    levels = _Levels(seconds, load, usable=_turning(frames), noise=noise)
    if not levels.n_usable:
        return live.copy()
    grid = np.arange(seconds[0], seconds[-1] + 1.0)
    before = np.interp(seconds, grid, [levels.lowest(t - REACH_S, t + LEVEL_S) for t in grid])
    after = np.interp(seconds, grid, [levels.lowest(t - LEVEL_S, t + REACH_S) for t in grid])
    high = np.interp(seconds, grid, [levels.highest(t - HIGH_S, t + HIGH_S) for t in grid])
    lowest, highest = np.fmin(before, after), np.fmax(before, after)
    lowest = np.where(np.isnan(lowest), live, lowest)
    lowest = np.where(lowest - live > SMALL_RISE * np.maximum(high - live, 0.0), live, lowest)
    near = np.abs(load - highest) <= np.maximum(0.02 * highest + 1e-9, 3.0 * noise)
    small = highest - lowest <= SMALL_RISE * np.maximum(high - lowest, 0.0)
    return np.where(_lasting(near & small, seconds), highest, lowest)


class _Levels:
    """Lowest and highest levels of stretches of a log."""

    def __init__(
        self,
        seconds: NDArray[np.float64],
        load: NDArray[np.float64],
        *,
        usable: NDArray[np.bool_],
        noise: NDArray[np.float64],
    ) -> None:
        step = float(np.median(np.diff(seconds))) if seconds.size > 1 else LEVEL_S
        wanted = max(
            LEVEL_S, min(8.0, (float(np.median(noise)) / 0.1) ** 2 * step)
        )  # a mean that is sure to 0.1 percent
        n_level = max(2, round(wanted / max(step, 1e-3)))
        self._seconds, self._load = seconds, load
        self.n_usable = 0
        if seconds.size <= n_level:
            return
        means = np.convolve(load, np.ones(n_level) / n_level, mode="valid")
        whole = np.convolve(usable, np.ones(n_level), mode="valid") >= n_level - 0.5
        self.n_usable = int(whole.sum())
        self._at = seconds[n_level // 2 :][: means.size][whole]
        unsure = np.minimum(noise[n_level - 1 :], noise.max() / n_level**0.5)[whole]
        self._means = means[whole] + 1.5 * unsure  # the lowest of many lies low by this

    def lowest(self, start_s: float, stop_s: float) -> float:
        """Lowest level that lasts, NaN where none does."""
        near = self._means[slice(*np.searchsorted(self._at, [start_s, stop_s]))]
        return float(near.min()) if near.size else float("nan")

    def highest(self, start_s: float, stop_s: float) -> float:
        """Load that is passed for a tenth of the stretch."""
        near = self._load[slice(*np.searchsorted(self._seconds, [start_s, stop_s]))]
        return float(np.quantile(near, 0.9)) if near.size else float("nan")


def _turning(frames: Frames) -> NDArray[np.bool_]:
    """Frames in which the spindle turns: not before its start, nor braking, nor after."""
    values = frames.values
    turning: NDArray[np.bool_] = (values[:, STANDING] == 0.0) & (values[:, LOAD] >= 0.3 * values[:, IDLE])
    return turning & (values[:, LOAD] >= 0.0)


def _lasting(true: NDArray[np.bool_], seconds: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Where `true` lasts for `DWELL_S`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(int)))
    lasting = np.zeros_like(true)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        lasting[start:stop] = seconds[min(stop, seconds.size - 1)] - seconds[start] >= DWELL_S
    return lasting


def _decide(frames: Frames, rate: int, settings: LoadSettings) -> tuple[Event, ...]:
    decide = DecideLoad(rate=rate, settings=settings)
    return decide.push(frames) + decide.close()


Contact = tuple[int, int, int]  # entry, steady, air [samples]


def _contacts(events: Iterable[Event]) -> list[Contact]:
    contacts: list[Contact] = []
    entry = steady = -1
    for event in events:
        if event.standing != Standing.CONFIRMED:
            continue
        if event.state == State.ENTRY:
            entry = event.at
        elif event.state == State.STEADY:
            steady = event.at
        elif event.state == State.AIR and entry >= 0 and event.at > entry:
            contacts.append((entry, min(steady, event.at), event.at))
    return contacts


def _rise(frames: Frames, contact: Contact) -> float:
    inside = (frames.at >= contact[0]) & (frames.at < contact[2])
    rise = (frames.values[:, LOAD] - frames.values[:, IDLE])[inside]
    return float(np.median(rise)) if rise.size else 0.0


def _events(contacts: list[Contact], frames: Frames, rate: int) -> tuple[Event, ...]:
    end = int(frames.at[-1])
    events: list[Event] = []
    for entry, steady, air in contacts:
        for state, at in ((State.ENTRY, entry), (State.STEADY, steady), (State.EXIT, air), (State.AIR, air)):
            events.append(
                Event(state=state, at=at, decided_at=max(end, at), probability=0.95, spread=round(0.1 * rate))
            )
    return tuple(events)
