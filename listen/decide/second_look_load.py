"""Contact from a whole load log: networks that look both ways, and the likeliest story of the log's levels.

The networks know many drawn logs; the story knows none and is bound by rules. Where they are unsure the
story decides, so that neither errs alone where a log is unlike those drawn.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames
from listen.decide.kernels import best_path, runs_of
from listen.decide.load_dates import FineLog
from listen.decide.load_points import (
    GONE_S,
    POINT_S,
    Grid,
    ahead_of,
    grid_of,
    rows_of,
    scale_of,
    step_of,
)
from listen.decide.load_states import IS_PERCENT, LOAD, SIGN
from listen.decide.load_story import story_contacts
from listen.decide.load_tidy import above_nothing, is_by_block, without_lone
from listen.decide.model import Network
from listen.decide.network import score_whole
from listen.decide.paths import dated
from listen.marks import Mark, MarkKind
from listen.states import Event, State

# What the story says counts for as much, either way [nats]: beside both networks; beside the first alone,
# which does better on logs of one value a block; and in amperes, watts and newton metres, where what may
# be feeding in air is a rule, and the story keeps it.
OF_STORY, OF_STORY_BESIDE_ONE, OF_STORY_IN_UNITS = 0.5, 1.5, 6.0
MEASURES = ((1.0, 1.0), (0.6, 0.6), (1.6, 1.6), (0.6, 1.6), (1.6, 0.6))  # of height and noise
SWITCH = 1.0  # what a change of contact must explain [nats]
NEAR_POINTS = 3  # the network dates what both decide, where it has a change this near
SURE = 0.98  # a point believed to be all contact or all air
NEAR_BLOCK = 1.5  # values of the log


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenContact:
    """One contact that the load shows: ends [samples], and the mean belief in it [0 to 1]."""

    start: int
    full: int
    stop: int
    probability: float


def second_look_load(
    frames: Frames, marks: Iterable[Mark], *, rate: int, networks: Sequence[Network]
) -> tuple[Event, ...]:
    """Contacts as known after the whole log was read.

    Parameters
    ----------
    frames : Frames
        Load frames of the whole run, columns as ``LOAD_FEATURES``. Not changed.
    marks : iterable of Mark
        Line marks tell where a new level is likely, speeds where a new idle level is.
    rate : int
        Audio sample rate [Hz].
    networks : sequence of Network
        Those of a load model; they are asked apart, and the mean of their answers counts.

    Returns
    -------
    tuple of Event
        Confirmed events in order, decided at the end of the log.
    """
    contacts = contacts_of_load(frames, marks, rate=rate, networks=networks)
    return _events(contacts, int(frames.at[-1]) if len(frames) else 0, rate)


def contacts_of_load(
    frames: Frames, marks: Iterable[Mark], *, rate: int, networks: Sequence[Network]
) -> tuple[SeenContact, ...]:
    """The same as contacts; parameters as for `second_look_load`."""
    if len(frames) < 3:
        return ()
    marks = tuple(marks)
    seconds = frames.at / rate
    upwards = frames.values[:, SIGN] * frames.values[-1, SIGN]  # as it came out at the end
    load = without_lone(seconds, above_nothing(frames.values[:, LOAD] * upwards))
    blocks_s = _times(marks, rate, MarkKind.LINE)
    speeds_s = _times(marks, rate, MarkKind.SPINDLE_SPEED, MarkKind.SPINDLE_ON)
    grid = grid_of(seconds, load, told_s=speeds_s, blocks_s=blocks_s)
    percent = bool(frames.values[-1, IS_PERCENT])
    step = step_of(load) if percent else 0.0
    by_block = is_by_block(seconds, load, step=step)
    asked = networks if percent and not by_block else networks[:1]
    odds = _odds(grid, percent=percent, step=step, networks=asked, blocks_known=blocks_s.size > 0)
    told = story_contacts(seconds, load, percent=percent, step=step, speeds_s=speeds_s, blocks_s=blocks_s)
    of_story = (OF_STORY_BESIDE_ONE if by_block else OF_STORY) if percent else OF_STORY_IN_UNITS
    both = odds + of_story * _says(grid, told)
    path = dated(best_path(both, SWITCH), best_path(odds, SWITCH), near=NEAR_POINTS)
    log = _Log(fine=FineLog(seconds, load), grid=grid, belief=1.0 / (1.0 + np.exp(-odds)))
    near_s = NEAR_BLOCK * float(np.median(np.diff(seconds)))
    found = [log.contact(first, stop, rate) for first, stop in _runs(grid, path)]
    snapped = [_at_blocks(one, blocks_s, near_s, rate) for one in found]
    return tuple(one for one in snapped if one.stop > one.start)


def _odds(
    grid: Grid, *, percent: bool, step: float, networks: Sequence[Network], blocks_known: bool
) -> NDArray[np.float64]:
    """Log odds of contact of each point by the networks: the mean of their answers by several measures."""
    known = scale_of(grid.load[grid.age == 0.0], percent=percent, step=step)
    scales = [replace(known, height=known.height * h, noise=known.noise * n) for h, n in MEASURES]
    told = [rows_of(grid, one, percent=percent, blocks_known=blocks_known) for one in scales]
    rows = [np.concatenate([t, ahead_of(grid, one)], axis=1) for t, one in zip(told, scales, strict=True)]
    odds: NDArray[np.float64] = np.mean(
        [score_whole(network, each)[:, 0] for network in networks for each in rows], axis=0
    )
    return odds


def _says(grid: Grid, contacts: list[tuple[float, float]]) -> NDArray[np.float64]:
    """1 for points inside contacts, -1 for the others."""
    middle = grid.seconds + 0.5 * POINT_S
    edges = np.array(contacts).reshape(-1)
    inside = np.searchsorted(edges, middle, side="right") % 2 == 1
    return np.where(inside, 1.0, -1.0)


def _runs(grid: Grid, path: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Points of each contact, half-open; none lasts through a gap of the log."""
    edges = [0, *(np.flatnonzero(np.diff(grid.seconds) > 1.5 * POINT_S) + 1).tolist(), path.size]
    gone = grid.age >= GONE_S - 1.5 * POINT_S
    held = np.array([gone[max(0, stop - 1)] for stop in edges[1:]])
    found = []
    for (first, stop), over in zip(pairwise(edges), held, strict=True):
        last = first + int(np.flatnonzero(grid.age[first:stop] == 0.0)[-1]) + 1 if over else stop
        found += [(first + a, first + b) for a, b in runs_of(path[first:last])]
    return found


def _times(marks: tuple[Mark, ...], rate: int, *kinds: MarkKind) -> NDArray[np.float64]:
    return np.array(sorted({mark.at / rate for mark in marks if mark.kind in kinds}), dtype=np.float64)


def _at_blocks(one: SeenContact, blocks_s: NDArray[np.float64], near_s: float, rate: int) -> SeenContact:
    """The contact with its ends at the blocks that begin as near as the log is fine."""
    start, stop = (_snapped(at, blocks_s, near_s, rate) for at in (one.start, one.stop))
    return replace(one, start=start, full=max(one.full, start), stop=stop)


def _snapped(at: int, blocks_s: NDArray[np.float64], near_s: float, rate: int) -> int:
    if not blocks_s.size:
        return at
    nearest = float(blocks_s[np.argmin(np.abs(blocks_s - at / rate))])
    return round(nearest * rate) if abs(nearest - at / rate) <= near_s else at


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Log:
    """The log with what is believed of each of its points, for dating ends."""

    fine: FineLog
    grid: Grid
    belief: NDArray[np.float64]

    def contact(self, first: int, stop: int, rate: int) -> SeenContact:
        """The contact of points `first` to `stop`."""
        start_s, stop_s = self._begun(first), self._over(stop)
        full_s = start_s
        if self.fine.is_fine:
            stop_s = self.fine.over(stop_s, start_s)
            start_s, full_s = self.fine.begun(start_s, stop_s)
        return SeenContact(
            start=max(0, round(start_s * rate)),
            full=round(full_s * rate),
            stop=round(stop_s * rate),
            probability=float(np.mean(self.belief[first:stop])),
        )

    def _begun(self, first: int) -> float:
        """Where contact begins, by the share of contact in the points about it [s]."""
        before = self.belief[first - 1] if first > 0 else 0.0
        here = self.belief[first]
        return float(self.grid.seconds[first] - POINT_S * min(before, 0.5) + POINT_S * _rest(1.0 - here))

    def _over(self, stop: int) -> float:
        after = self.belief[stop] if stop < self.belief.size else 0.0
        here = self.belief[stop - 1]
        return float(self.grid.seconds[stop - 1] + POINT_S * (1.0 + min(after, 0.5) - _rest(1.0 - here)))


def _rest(share: float) -> float:
    """The share of a point that is not contact, 0 where it is as good as all."""
    return 0.0 if share < 1.0 - SURE else share


def _events(contacts: tuple[SeenContact, ...], end: int, rate: int) -> tuple[Event, ...]:
    events: list[Event] = []
    for one in contacts:
        places = ((State.ENTRY, one.start), (State.STEADY, max(one.start, min(one.full, one.stop))))
        for state, at in (*places, (State.EXIT, one.stop), (State.AIR, one.stop)):
            events.append(
                Event(
                    state=state,
                    at=at,
                    decided_at=max(end, at),
                    probability=one.probability,
                    spread=round(0.1 * rate),
                )
            )
    return tuple(events)
