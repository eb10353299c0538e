"""Events of the ear as starts and ends of contact."""

import math
from dataclasses import dataclass

from listen.states import Event, Standing, State

OPEN_S = 0.1  # a contact heard this soon after the sound begins may have begun before


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """A start or an end of contact, in seconds since the stream opened.

    Attributes
    ----------
    is_onset : bool
    at_s, spread_s, decided_s : float
        When, how surely, and when it was known [s].
    is_open : bool
        The contact may have begun before anything was heard.
    probability : float
        The ear's belief.
    way_out_s : float
        From where leaving began to the end; 0 where it was not heard, NaN for starts and
        where no way out was told yet in this run.
    """

    is_onset: bool
    at_s: float
    spread_s: float
    decided_s: float
    is_open: bool
    probability: float
    way_out_s: float = math.nan


class Boundaries:
    """Turns confirmed events into boundaries that alternate.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self.in_contact = False
        self._last = 0
        self._opened = 0
        self._leaving = -1  # where the newest way out began
        self._tells_ways_out = False

    def take(self, event: Event) -> Boundary | None:
        """The boundary that a confirmed event makes; None for all other events."""
        if event.standing != Standing.CONFIRMED:
            return None
        if event.state == State.EXIT:
            self._leaving, self._tells_ways_out = event.at, True
        touches = event.state != State.AIR
        if touches == self.in_contact:
            return None
        self.in_contact = touches
        at = max(event.at, self._last)
        began, self._last = self._last, at
        return Boundary(
            is_onset=touches,
            at_s=at / self._rate,
            spread_s=event.spread / self._rate,
            decided_s=event.decided_at / self._rate,
            is_open=touches and at - self._opened < OPEN_S * self._rate,
            probability=event.probability,
            way_out_s=math.nan if touches else self._way_out_s(began, at),
        )

    def _way_out_s(self, began: int, at: int) -> float:
        """How long the contact from `began` to `at` was heard to leave [s]."""
        if not self._tells_ways_out:
            return math.nan
        return (at - self._leaving) / self._rate if began <= self._leaving < at else 0.0

    def lose(self, stop: int) -> None:
        """Sound was missing up to `stop`: what comes next may have begun before."""
        self._opened = max(stop, self._last)
