"""Scores of the live ear as events: provisional at once, confirmed when the second ear agrees.

Conventions
-----------
The live ear scores contact now; it speaks first and is easily startled. While its changes wait,
the two-sided ear is asked about the last seconds: it decides whether, and dates the changes.
"""

import itertools
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from listen.decide.kernels import best_path, bridged, runs_of
from listen.decide.own_sound import Opinion
from listen.decide.paths import dated, with_gaps
from listen.decide.rise import Rise, odds_of
from listen.decide.supposition import Supposition
from listen.errors import InputError
from listen.states import Event, Standing, State, log_odds

LATE_FRAMES = 30  # how far back the states of a frame's scores lie
WONDER_OVER = 50  # frames
OWN_FRAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class DecoderSettings:
    """Limits of the decoder; all are about belief [0 to 1] or frames of 10 ms.

    Attributes
    ----------
    open_now, close_now : float
        Contact now is at or above / below this: provisional entry / exit.
    firm_frames : int
        For so many frames in a row.
    rise, rise_most : float
        For an entry it must also be so far above what it was lately [nats], but no higher than the
        latter: in air that it is in two minds about, the live ear crosses even odds all the time.
    own_start : float
        What the run has taught counts so many times its share in what is supposed to start.
    own_asked : float
        It is asked where the live ear believes this much.
    first_look, last_look : int
        Frames after a provisional change at which the two-sided ear is asked; what the last
        look does not confirm is withdrawn.
    believed : float
        Less sure than this, on the mean, either way, the first look leaves it to the last.
    tail_frames : int
        The newest frames of a review are not settled yet.
    shortest_frames : int
        Shorter contacts and shorter gaps do not count.
    both_believe : float
        Least mean belief of both ears in a contact.
    live_share : float
        Of the live ear in it.
    short_frames, short_belief
        A contact that ended after no more than this must be believed by both ears together, the
        live one 300 ms later: the least sum of their mean log odds [nats].
    wonder_open, wonder_close : float
        Half a second of contact now above / below this, on the mean, is reason to ask the
        two-sided ear even where the live ear has supposed nothing.
    wonder_frames : int
        But not sooner than this after the last time.
    gain, switch_cost : float
        Nats that one frame's log odds count for, and that a change costs.
    near_frames : int
        With what the run has taught, a change is dated as without, where there is one this near.
    gap_frames, gap_odds
        A gap no longer than this stays one where the run's own sound comes as near to air as this [nats].
    own_cut : float
        While the run's own sound is above this, no end of a cut is supposed [nats].
    """

    open_now: float = 0.5
    close_now: float = 0.3
    firm_frames: int = 1
    rise: float = 2.0
    rise_most: float = 1.5
    own_start: float = 1.5
    own_asked: float = 0.2
    first_look: int = 45
    last_look: int = 110
    believed: float = 0.8
    tail_frames: int = 20
    shortest_frames: int = 6
    both_believe: float = 0.7
    live_share: float = 0.3
    short_frames: int = 40
    short_belief: float = 2.5
    wonder_open: float = 0.15
    wonder_close: float = 0.7
    wonder_frames: int = 100
    gain: float = 0.4
    switch_cost: float = 3.5
    near_frames: int = 20
    gap_frames: int = 30
    gap_odds: float = -3.0
    own_cut: float = 3.0

    def __post_init__(self) -> None:
        if not 0.0 < self.close_now <= self.open_now < 1.0:
            raise InputError(
                f"decoder needs 0 < close_now <= open_now < 1, got {self.close_now} and {self.open_now}"
            )
        if not 0 < self.first_look < self.last_look:
            raise InputError(
                f"decoder needs 0 < first_look < last_look, got {self.first_look} and {self.last_look}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Supposed:
    """A change that waits to be settled: when it came, since when it waits, and what was told of it.

    A start is told only once it has risen; what was not told is asked about all the same.
    """

    state: State
    at: int
    since: int
    told: Event | None = None


class Scores(NamedTuple):
    """Beliefs of one frame; the states are those of 300 ms ago. A tuple, since it is made for every frame."""

    at: int
    now: float
    states: Sequence[float]


class Decoder:
    """Frame by frame from beliefs to events.

    Parameters
    ----------
    settings : DecoderSettings
    hop : int
        Frame step [samples].
    early : int
        How long before its frame's end a provisional change happened, on average [samples].
    back : int
        From a frame's end to the middle of its window [samples].
    spread : int
        One standard deviation of dated changes [samples].
    review : callable
        Gives the two-sided ear's belief in contact of the last frames, the latest last.
    own : callable | None
        Gives what the run has taught of so many last frames; None where that is nothing.
    supposition : Supposition
        How likely a provisional change is one.
    """

    def __init__(
        self,
        settings: DecoderSettings,
        *,
        hop: int,
        early: int,
        back: int,
        spread: int,
        review: Callable[[], NDArray[np.float64]],
        own: Callable[[int], Opinion | None] | None = None,
        supposition: Supposition | None = None,
    ) -> None:
        self.settings = settings
        self.hop = hop
        self.early = early
        self.back = back
        self.spread = spread
        self._review = review
        self._own = own or (lambda n_frames: None)
        self._supposition = supposition or Supposition()
        self._in_contact = False  # by what is settled
        self._firm = 0  # frames in a row for which the live ear has thought otherwise
        self._waiting: list[_Supposed] = []  # oldest first
        self._looked = False  # the first look at the oldest was unsure
        self._opened = 0
        self._steady_told = False
        self._since_look = 0  # frames
        self._settled = 0  # all before this is decided [samples]
        self._states: deque[tuple[int, Sequence[float]]] = deque(maxlen=400)
        self._now: deque[float] = deque(maxlen=1000)
        self._rise = Rise(
            least=odds_of(settings.open_now), by=settings.rise, most=settings.rise_most
        )  # of the odds by which a start is told
        self._late: deque[float] = deque(
            maxlen=1000
        )  # what was believed 300 ms later, as long as it is known

    @property
    def settled(self) -> bool | None:
        """Whether it is in contact; None while a change waits to be confirmed."""
        return None if self._waiting else self._in_contact

    @property
    def _supposed(self) -> bool:
        """In contact by what the live ear last supposed."""
        return self._waiting[-1].state is State.ENTRY if self._waiting else self._in_contact

    @property
    def _said(self) -> bool:
        """In contact by what was last told."""
        if not self._waiting:
            return self._in_contact
        told = (one.state is State.ENTRY for one in reversed(self._waiting) if one.told)
        return next(told, self._in_contact)

    def start_anew(self, at: int) -> tuple[Event, ...]:
        """After a gap: what was open ends where the gap begins."""
        events = self.close(at)
        self._firm, self._settled = 0, at
        self._states.clear()
        self._now.clear()
        self._rise.clear()
        self._late.clear()
        return events

    def step(self, scores: Scores) -> tuple[Event, ...]:
        """Take the beliefs of one frame, give the events they decide."""
        self._states.append((scores.at - LATE_FRAMES * self.hop, scores.states))
        self._now.append(scores.now)
        self._rise.push(self._start_odds(scores.now), in_contact=self._said)
        self._late.append(1.0 - scores.states[0])
        events = list(self._tell_steady(scores)) if self._in_contact and not self._steady_told else []
        events += self._suppose_if_changed(scores)
        self._since_look += 1
        if self._waiting:
            events += self._look_if_due(scores.at)
        elif self._wonders():
            events += self._settle(scores.at, last=False)
        return tuple(events)

    def _wonders(self) -> bool:
        """The live ear has been in two minds about what is settled, and nobody was asked for a while."""
        settings = self.settings
        if self._since_look < settings.wonder_frames or len(self._now) < settings.wonder_frames:
            return False
        lately = sum(itertools.islice(reversed(self._now), WONDER_OVER)) / WONDER_OVER
        return lately < settings.wonder_close if self._in_contact else lately > settings.wonder_open

    def close(self, at: int) -> tuple[Event, ...]:
        """End the stream; a contact still open ends where the sound ends."""
        events = list(self._settle(at, last=True)) if self._waiting else []
        if self._in_contact:
            events += self._end(at, at, 0.5)
        events += [self._withdrawn(one.told, at, 0.5) for one in self._waiting if one.told]
        self._waiting = []
        return tuple(events)

    def _suppose_if_changed(self, scores: Scores) -> Iterator[Event]:
        """Suppose a change once the live ear has firmly changed its mind, and tell of it if it is plain."""
        if self._supposed:
            changed = self._seems_over(scores.now)
        else:
            changed = scores.now >= self.settings.open_now or self._rise.has_come()
        self._firm = self._firm + 1 if changed else 0
        if self._firm >= self.settings.firm_frames:
            self._firm = 0
            state = State.AIR if self._supposed else State.ENTRY
            self._waiting.append(_Supposed(state=state, at=self._came(scores.at), since=scores.at))
        if self._waiting and self._supposed != self._said and (not self._supposed or self._rise.has_come()):
            told = self._provisional(scores.at)
            self._waiting[-1] = replace(self._waiting[-1], told=told)
            yield told

    def _provisional(self, at: int) -> Event:
        """The supposed change, told now."""
        return self._event(
            State.ENTRY if self._supposed else State.AIR,
            at=self._came(at),
            decided_at=at,
            probability=self._supposition.probability(self._rise.odds, is_start=self._supposed),
            standing=Standing.PROVISIONAL,
        )

    def _came(self, now: int) -> int:
        """When a change came that is supposed now."""
        return min(max(now - self.early, self._settled), now)

    def _start_odds(self, now: float) -> float:
        """Log odds that contact is now, by the live ear and by what the run has taught."""
        odds = odds_of(now)
        if now < self.settings.own_asked or self._said:
            return odds
        own = self._own(OWN_FRAMES)
        if own is None:
            return odds
        share = min(1.0, self.settings.own_start * own.share)
        return (1.0 - share) * odds + share * float(own.odds.mean())

    def _seems_over(self, now: float) -> bool:
        """Whether the live ear does not believe in contact any more, and the run's own sound neither."""
        return now < self.settings.close_now and not self._is_own_cut()

    def _is_own_cut(self) -> bool:
        """Whether the newest frames are this run's own cut, as far as it has taught that."""
        own = self._own(OWN_FRAMES)
        return own is not None and float(own.odds.mean()) > self.settings.own_cut

    def _look_if_due(self, now: int) -> tuple[Event, ...]:
        """Ask the two-sided ear when the oldest change that waits is old enough."""
        age = (now - self._waiting[0].since) // self.hop
        if age >= self.settings.last_look:
            return tuple(self._settle(now, last=True))
        if age >= self.settings.first_look and not self._looked:
            return tuple(self._settle(now, last=False))
        return ()

    def _settle(self, now: int, *, last: bool) -> Iterator[Event]:
        """Decide all that happened since the last time by the two-sided ear, or wait for its last look."""
        self._since_look = 0
        belief = self._review()
        path = self._path(belief)
        asked = (now - self._waiting[0].since) // self.hop if self._waiting else WONDER_OVER
        since = max(1, min(asked, belief.size))
        first = min(belief.size - 1, max(0, belief.size - 1 - (now - self._settled) // self.hop))
        unsure = np.abs(belief[max(first, belief.size - since) :] - 0.5).mean() < self.settings.believed - 0.5
        if unsure and not last:
            self._looked = bool(self._waiting)
            return
        self._looked = False
        confirmed = []
        for index in first + np.flatnonzero(np.diff(np.concatenate([[self._in_contact], path[first:]]))):
            confirmed += self._change(int(index), belief, now)
        self._settled = max(self._settled, now - self.settings.tail_frames * self.hop - self.back)
        yield from self._answer(confirmed, now, float(belief[-since:].mean()))
        yield from confirmed

    def _answer(self, confirmed: list[Event], now: int, belief: float) -> Iterator[Event]:
        """Withdraw the changes that are settled otherwise; the newest may wait on."""
        left = self._not_among(confirmed)
        self._waiting = [one for one in left if one.at >= self._settled]
        for one in left:
            if one.at < self._settled and one.told:
                yield self._withdrawn(one.told, now, belief)

    def _not_among(self, confirmed: list[Event]) -> list[_Supposed]:
        """Those that wait and are none of the confirmed changes; what was told is one of them first."""
        unmatched, left = list(confirmed), list(self._waiting)
        for one in sorted(self._waiting, key=lambda one: one.told is None):
            mine = [c for c in unmatched if c.state is one.state and abs(c.at - one.at) <= self._near]
            if mine:
                unmatched.remove(mine[0])
                left.remove(one)
        return left

    @property
    def _near(self) -> int:
        """A confirmed change this near is the one that was supposed [samples]."""
        return self.settings.last_look * self.hop

    def _path(self, belief: NDArray[np.float64]) -> NDArray[np.bool_]:
        """In contact or not, by the two-sided ear and by what the run has taught."""
        settings, odds = self.settings, log_odds(belief)
        path = self._believed(odds)
        own = self._own(belief.size)
        if own is None:
            return path
        taught = self._believed((1.0 - own.share) * odds + own.share * own.odds)
        taught = dated(taught, path, near=settings.near_frames)
        return with_gaps(taught, path, own.odds, longest=settings.gap_frames, below=settings.gap_odds)

    def _believed(self, odds: NDArray[np.float64]) -> NDArray[np.bool_]:
        """In contact or not by these log odds; what the live ear doubts as a whole is air."""
        settings, belief = self.settings, 1.0 / (1.0 + np.exp(-odds))
        path = bridged(best_path(settings.gain * odds, settings.switch_cost), settings.shortest_frames)
        now = np.array(self._now)[-belief.size :]
        for begin, stop in runs_of(path):
            both = belief[begin:stop].mean()
            both += settings.live_share * (now[begin : stop + 5].mean() - both)
            if both < settings.both_believe or self._is_clatter(odds, begin, stop):
                path[begin:stop] = False
        return path

    def _is_clatter(self, odds: NDArray[np.float64], begin: int, stop: int) -> bool:
        """A short contact, over by now, that the live ear takes back 300 ms later."""
        if stop == odds.size or stop - begin > self.settings.short_frames:
            return False
        late = np.array(self._late)[-odds.size :][begin + LATE_FRAMES : stop + LATE_FRAMES]
        if late.size == 0:
            return False
        return bool(odds[begin:stop].mean() + log_odds(late).mean() < self.settings.short_belief)

    def _change(self, index: int, belief: NDArray[np.float64], now: int) -> list[Event]:
        """Confirm a change at a frame of the review; the newest frames are left for the next time."""
        if index >= belief.size - self.settings.tail_frames:
            return []
        at = max(self._settled, now - (belief.size - 1 - index) * self.hop - self.back)
        around = belief[index : index + 15]
        if self._in_contact:
            return list(self._end(at, now, float(1.0 - around.mean())))
        self._in_contact, self._opened, self._settled = True, at, at
        self._steady_told = False
        return [self._event(State.ENTRY, at=at, decided_at=now, probability=float(around.mean()))]

    def _tell_steady(self, scores: Scores) -> Iterator[Event]:
        """Tell that the cut is steady once the states of 300 ms ago say so."""
        at = scores.at - LATE_FRAMES * self.hop
        if at > self._opened and scores.states[2] > 0.5:
            self._steady_told = True
            yield self._event(State.STEADY, at=at, decided_at=scores.at, probability=scores.states[2])

    def _end(self, at: int, decided_at: int, probability: float) -> Iterator[Event]:
        at = min(max(at, self._opened + self.hop), decided_at)
        leaving = self._leaving(at)
        if leaving < at:
            yield self._event(State.EXIT, at=leaving, decided_at=decided_at, probability=probability)
        yield self._event(State.AIR, at=at, decided_at=decided_at, probability=probability)
        self._in_contact, self._settled = False, at

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

    def _withdrawn(self, event: Event, decided_at: int, belief: float) -> Event:
        """The same event, withdrawn."""
        doubt = 1.0 - belief if event.state is State.ENTRY else belief
        return self._event(
            event.state,
            at=event.at,
            decided_at=decided_at,
            probability=min(max(doubt, 0.0), 1.0),
            standing=Standing.WITHDRAWN,
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
