"""Scores of the live ear as events: provisional at once, confirmed when the late score agrees.

Conventions
-----------
The ear scores contact now, 300 ms ago and 1 s ago. The first says when at once, the second
decides whether and dates the change back, the third is asked where the second is unsure.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.states import Event, Standing, State

LATE_FRAMES = 30
SURE_FRAMES = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class DecoderSettings:
    """Limits of the decoder; all are about belief [0 to 1] or frames of 10 ms.

    Attributes
    ----------
    open_now, close_now : float
        Contact now is at or above / below this: provisional entry / exit.
    firm_frames : int
        For so many frames in a row.
    open_late, close_late : float
        Contact 300 ms ago at or above / below this: the change is confirmed.
    surely_late : float
        Below this the late score alone does not confirm an entry; it waits for the one of 1 s.
    give_up_frames : int
        A provisional change that nothing confirms in so many frames is withdrawn.
    """

    open_now: float = 0.7
    close_now: float = 0.3
    firm_frames: int = 2
    open_late: float = 0.5
    close_late: float = 0.5
    surely_late: float = 0.8
    give_up_frames: int = 130
    shortest_frames: int = 6

    def __post_init__(self) -> None:
        if not 0.0 < self.close_now <= self.open_now < 1.0:
            raise InputError(
                f"decoder needs 0 < close_now <= open_now < 1, got {self.close_now} and {self.open_now}"
            )


class _Phase(Enum):
    AIR = "air"
    OPENING = "opening"  # a provisional entry waits to be confirmed
    CONTACT = "contact"
    CLOSING = "closing"  # a provisional exit waits to be confirmed


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """Beliefs of one frame; the states are those of 300 ms ago."""

    at: int
    now: float
    late: float
    sure: float
    states: NDArray[np.float64]


class Decoder:
    """Frame by frame from beliefs to events.

    Parameters
    ----------
    settings : DecoderSettings
    hop : int
        Frame step [samples].
    early : int
        How long before its frame's end a provisional change happened, on average [samples].
    spread : int
        One standard deviation of dated changes [samples].
    """

    def __init__(self, settings: DecoderSettings, *, hop: int, early: int, spread: int) -> None:
        self.settings = settings
        self.hop = hop
        self.early = early
        self.spread = spread
        self._phase = _Phase.AIR
        self._firm = 0
        self._since = 0  # frames in this phase
        self._pending: Event | None = None
        self._opened = 0
        self._steady_told = False
        self._origin = 0
        self._last_late = 0.0
        self._peak_late = 0.0
        self._date: int | None = None  # where the late score first spoke for the change
        self._states: deque[tuple[int, NDArray[np.float64]]] = deque(maxlen=400)

    def start_anew(self, at: int) -> tuple[Event, ...]:
        """After a gap: what was open ends where the gap begins."""
        events = self.close(at)
        self._phase, self._pending, self._firm, self._since = _Phase.AIR, None, 0, 0
        self._origin = at
        self._states.clear()
        return events

    def step(self, scores: Scores) -> tuple[Event, ...]:
        """Take the beliefs of one frame, give the events they decide."""
        self._states.append((scores.at - LATE_FRAMES * self.hop, scores.states))
        self._since += 1
        steps = {
            _Phase.AIR: self._in_air,
            _Phase.OPENING: self._opening,
            _Phase.CONTACT: self._in_contact,
            _Phase.CLOSING: self._closing,
        }
        events = tuple(steps[self._phase](scores))
        self._last_late = scores.late
        return events

    def close(self, at: int) -> tuple[Event, ...]:
        """End the stream; a contact still open ends where the sound ends."""
        if self._phase is _Phase.OPENING and self._pending is not None:
            return (self._again(self._pending, Standing.WITHDRAWN, at, self._pending.probability),)
        if self._phase is _Phase.CLOSING and self._pending is not None:
            return tuple(self._end(self._pending.at, at, 1.0 - self._last_late))
        if self._phase is _Phase.CONTACT:
            return (self._event(State.AIR, at=at, decided_at=at, probability=0.5),)
        return ()

    def _in_air(self, scores: Scores) -> Iterator[Event]:
        self._firm = self._firm + 1 if scores.now >= self.settings.open_now else 0
        if self._firm >= self.settings.firm_frames:
            yield self._suppose(State.ENTRY, scores, scores.now)
            self._enter(_Phase.OPENING)
        elif scores.late >= max(self.settings.surely_late, self.settings.open_late):
            yield from self._begin(self._crossing(scores, self.settings.open_late), scores, scores.late)

    def _opening(self, scores: Scores) -> Iterator[Event]:
        self._peak_late = max(self._peak_late, scores.late)
        if scores.late >= self.settings.open_late and self._date is None:
            self._date = self._crossing(scores, self.settings.open_late)
        confirmed = scores.late >= self.settings.surely_late or scores.sure >= 0.5
        if confirmed and self._date is not None:
            yield from self._begin(self._date, scores, max(scores.late, scores.sure))
        elif self._since >= self.settings.give_up_frames or (
            self._since > LATE_FRAMES + 15 and scores.now < 0.3 and self._peak_late < 0.3
        ):
            assert self._pending is not None
            yield self._again(self._pending, Standing.WITHDRAWN, scores.at, 1.0 - self._peak_late)
            self._enter(_Phase.AIR)

    def _begin(self, at: int, scores: Scores, probability: float) -> Iterator[Event]:
        """Confirm an entry that was or was not supposed before."""
        at = max(at, self._origin)
        yield self._event(State.ENTRY, at=at, decided_at=scores.at, probability=probability)
        self._opened = at
        self._steady_told = False
        self._enter(_Phase.CONTACT)

    def _in_contact(self, scores: Scores) -> Iterator[Event]:
        yield from self._tell_steady(scores)
        self._firm = self._firm + 1 if scores.now < self.settings.close_now else 0
        if scores.late < self.settings.close_late:
            if scores.at - LATE_FRAMES * self.hop > self._opened:
                at = self._crossing(scores, self.settings.close_late)
                yield from self._end(at, scores.at, 1.0 - scores.late)
        elif self._firm >= self.settings.firm_frames:
            yield self._suppose(State.AIR, scores, 1.0 - scores.now)
            self._enter(_Phase.CLOSING)

    def _closing(self, scores: Scores) -> Iterator[Event]:
        yield from self._tell_steady(scores)
        assert self._pending is not None
        if scores.late < self.settings.close_late and scores.at - LATE_FRAMES * self.hop > self._opened:
            at = self._crossing(scores, self.settings.close_late)
            yield from self._end(at, scores.at, 1.0 - scores.late)
        elif self._since > LATE_FRAMES + 5 and scores.now >= 0.5 and scores.late >= 0.5:
            yield self._again(self._pending, Standing.WITHDRAWN, scores.at, scores.late)
            self._enter(_Phase.CONTACT)

    def _tell_steady(self, scores: Scores) -> Iterator[Event]:
        """Tell that the cut is steady once the states of 300 ms ago say so."""
        at = scores.at - LATE_FRAMES * self.hop
        if not self._steady_told and at > self._opened and scores.states[2] > 0.5:
            self._steady_told = True
            yield self._event(State.STEADY, at=at, decided_at=scores.at, probability=float(scores.states[2]))

    def _end(self, at: int, decided_at: int, probability: float) -> Iterator[Event]:
        at = max(at, self._opened + self.hop)
        leaving = self._leaving(at)
        if leaving < at:
            yield self._event(State.EXIT, at=leaving, decided_at=decided_at, probability=probability)
        yield self._event(State.AIR, at=at, decided_at=decided_at, probability=probability)
        self._enter(_Phase.AIR)

    def _leaving(self, at: int) -> int:
        """Where the last unbroken stretch begins in which leaving is likelier than cutting on."""
        found = at
        for when, states in reversed(self._states):
            if when > at:
                continue
            if when <= self._opened or states[3] <= states[2]:
                break
            found = when
        return max(found, self._opened)

    def _crossing(self, scores: Scores, level: float) -> int:
        """Where the late score crossed `level` between the last frame and this one."""
        rise = scores.late - self._last_late
        part = (level - self._last_late) / rise if abs(rise) > 1e-6 else 1.0
        back = (LATE_FRAMES + 1 - min(max(part, 0.0), 1.0)) * self.hop
        return max(0, scores.at - round(back))

    def _suppose(self, state: State, scores: Scores, probability: float) -> Event:
        at = max(scores.at - self.early, self._origin, self._opened if state == State.AIR else 0)
        self._pending = self._event(
            state,
            at=min(at, scores.at),
            decided_at=scores.at,
            probability=probability,
            standing=Standing.PROVISIONAL,
        )
        return self._pending

    def _again(self, event: Event, standing: Standing, decided_at: int, probability: float) -> Event:
        return self._event(
            event.state,
            at=event.at,
            decided_at=decided_at,
            probability=min(max(probability, 0.0), 1.0),
            standing=standing,
        )

    def _event(
        self,
        state: State,
        *,
        at: int,
        decided_at: int,
        probability: float,
        standing: Standing = Standing.CONFIRMED,
    ) -> Event:
        return Event(
            state=state,
            at=min(at, decided_at),
            decided_at=decided_at,
            probability=probability,
            spread=self.spread,
            standing=standing,
        )

    def _enter(self, phase: _Phase) -> None:
        self._phase, self._since, self._firm = phase, 0, 0
        self._date = None
        self._peak_late = 0.0
