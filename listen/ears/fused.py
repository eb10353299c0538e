"""Sound and load heard together: one clock for both, fused while the run goes on and once more after it."""

from collections.abc import Sequence
from itertools import chain, pairwise

import numpy as np
from numpy.typing import NDArray

from listen.blocks import LoadSample, SourceClock
from listen.decide import Belief, FuseLive, Seen, find_lag, fuse_look, taught_by_load
from listen.decide.fuse import AGREES, Lag
from listen.decide.second_look import events_of
from listen.ears.ear import Given, Heard
from listen.ears.load import LoadEar
from listen.ears.sound import SoundEar
from listen.hear.clock import ClockMap, align_clock, fit_clock
from listen.marks import Mark
from listen.states import EarRates, Event, Standing, State, StateLikelihoods, Turning

OFFSETS_S = (
    1.5,
    60.0,
)  # a lag is likelier than a log of another clock, and an even rhythm fits at every beat
NEAR_S = 0.6  # a drive answers late: ends of one contact lie this near once the clocks agree
GREATEST_SPREAD_S = 0.15  # pairs that scatter by more are chance
LEAST_SHARED = 0.6  # of the ends that either has must fall together
TELLS = 0.8  # sound that tells this much of what load says needs no teaching to place it
GONE_S = 3.0  # a load absent for longer says nothing
NO_LAG = Lag(late_s=0.0, agrees=0.0)


class FusedEar:
    """Hears sound and the load beside it.

    Live, sound is passed on as it comes, and load fills in what sound missed. After the run load
    tells which contacts there were, and sound when they began and ended; the load's clock is first
    set by the contacts that both have.

    Parameters
    ----------
    sound : SoundEar
    rate : int
        [Hz]
    keep : bool
        Whether to keep the load for `look_again`.
    """

    runs_on_load = False

    def __init__(self, sound: SoundEar, *, rate: int, keep: bool) -> None:
        self._rate = rate
        self._sound = sound
        self._load = LoadEar(rate=rate, keep=keep)
        self._fuse = FuseLive(rate=rate)
        self._load_at: list[int] = []
        self._keep = keep
        self.clock: SourceClock | None = None

    @property
    def rates(self) -> EarRates:
        """Those of the sound."""
        return self._sound.rates

    @property
    def latency(self) -> int:
        """That of the sound: load is never waited for."""
        return self._sound.latency

    def know(self, turnings: tuple[Turning, ...]) -> None:
        """Learn which spindle speeds and flutes the program has."""
        self._sound.know(turnings)

    def push(self, given: Given) -> tuple[Heard, ...]:
        """Take the next input."""
        if isinstance(given, LoadSample | Mark):
            if isinstance(given, LoadSample) and self._keep:
                self._load_at.append(given.at)
            seen = (*self._seen(self._load.push(given)), *self._fuse.has_come(given.at))
            return (*seen, *self._sound.push(given))
        return self._heard(self._sound.push(given))

    def close(self) -> tuple[Heard, ...]:
        """End the stream and give what was still open."""
        return (*self._seen(self._load.close()), *self._heard(self._sound.close()))

    def look_again(self) -> tuple[Event, ...]:
        """Refined events of both; afterwards `clock` says how the load's clock was set."""
        load, beliefs = self._load.look_again(), self._sound.beliefs()
        sound = tuple(chain.from_iterable(events_of(one) for one in beliefs))
        clock, seen, lag = self._aligned(sound, load, beliefs)
        if not seen.contacts:
            return sound
        if lag.agrees < TELLS:
            beliefs, lag = taught_by_load(beliefs, seen, lag=lag, rate=self._rate)
        if lag.agrees < AGREES:  # what the load says is of another run, or cannot be placed
            return sound if _times(sound, State.ENTRY, self._rate).size else load
        fused = fuse_look(beliefs, seen, lag=lag, rate=self._rate)
        late = ClockMap(offset_s=clock.offset_s - lag.late_s, drift=clock.drift)
        self.clock = _fitted(load, fused, late, rate=self._rate) or self.clock
        return fused

    def believed_again(self) -> tuple[StateLikelihoods, ...]:
        """None: what the sound believed is not what both do."""
        return ()

    def _aligned(
        self, sound: Sequence[Event], load: Sequence[Event], beliefs: Sequence[Belief]
    ) -> tuple[SourceClock, Seen, Lag]:
        """The load's clock by the contacts of both where it is not the sound's, and the lag that is left."""
        clock = SourceClock(source="load")
        seen = self._seen_by(load, clock)
        lag = find_lag(beliefs, seen, rate=self._rate) if seen.contacts else NO_LAG
        if lag.agrees >= AGREES:
            return clock, seen, lag
        found = clock_of_load(sound, load, rate=self._rate)
        if found is None:
            return clock, seen, lag
        seen = self._seen_by(load, found)
        return found, seen, find_lag(beliefs, seen, rate=self._rate)

    def _seen_by(self, load: Sequence[Event], clock: SourceClock) -> Seen:
        """Contacts of the load, and where there was none, in seconds by the sound's clock."""
        rate = self._rate
        contacts = [(_place(a, clock, rate) / rate, _place(b, clock, rate) / rate) for a, b in _spans(load)]
        at = [_place(at, clock, rate) / rate for at in self._load_at]
        inside = [(a, b) for a, b in pairwise(at) if b - a > GONE_S]
        silent = [(-np.inf, at[0]), *inside, (at[-1], np.inf)] if at else [(-np.inf, np.inf)]
        return Seen(contacts=contacts, silent=silent)

    def _heard(self, heard: Sequence[Heard]) -> tuple[Heard, ...]:
        told: list[Heard] = []
        for one in heard:
            if isinstance(one, StateLikelihoods):
                self._fuse.believe(one)
            told += self._fuse.sound(one) if isinstance(one, Event) else (one,)
        return tuple(told)

    def _seen(self, seen: Sequence[Heard]) -> tuple[Heard, ...]:
        return tuple(
            chain.from_iterable(self._fuse.load(one) if isinstance(one, Event) else (one,) for one in seen)
        )


def _spans(events: Sequence[Event]) -> list[tuple[int, int]]:
    """Confirmed contacts that have both ends [samples]."""
    sure = [e for e in events if e.standing == Standing.CONFIRMED and e.state in (State.ENTRY, State.AIR)]
    return [(a.at, b.at) for a, b in pairwise(sure) if a.state == State.ENTRY and b.state == State.AIR]


def clock_of_load(sound: Sequence[Event], load: Sequence[Event], *, rate: int) -> SourceClock | None:
    """How the load's clock lies to the sound's, from the contacts of both; None where they do not tell.

    Parameters
    ----------
    sound, load : sequence of Event
        Refined events of each.
    rate : int
        [Hz]
    """
    heard, seen = (_times(events, State.ENTRY, rate) for events in (sound, load))
    clocks = (align_clock(seen, heard, greatest_offset_s=greatest) for greatest in OFFSETS_S)
    clock = next((one for one in clocks if one is not None), None)
    if clock is None:
        return None
    return _fitted(load, sound, clock, rate=rate, least=LEAST_SHARED * (heard.size + seen.size))


def _fitted(
    load: Sequence[Event], sound: Sequence[Event], clock: ClockMap, *, rate: int, least: float = 3.0
) -> SourceClock | None:
    """The clock again from all ends that both have; None where they are few, or scatter."""
    pairs = [
        pair
        for state in (State.ENTRY, State.AIR)
        for pair in _pairs(_times(load, state, rate), _times(sound, state, rate), clock)
    ]
    if len(pairs) < least:
        return None
    source, audio = np.array(pairs).T
    fitted = fit_clock(source, audio)
    if fitted.spread_s > GREATEST_SPREAD_S:
        return None
    return SourceClock(
        source="load",
        offset_s=fitted.offset_s,
        drift=fitted.drift,
        spread_s=fitted.spread_s,
        n_events=len(pairs),
    )


def _times(events: Sequence[Event], state: State, rate: int) -> NDArray[np.float64]:
    return np.array(
        [e.at / rate for e in events if e.state == state and e.standing == Standing.CONFIRMED],
        dtype=np.float64,
    )


def _pairs(
    source: NDArray[np.float64], audio: NDArray[np.float64], clock: ClockMap
) -> list[tuple[float, float]]:
    """Each source time with the audio time nearest to where it falls, where one is near."""
    pairs = []
    for time_s in source.tolist() if audio.size else []:
        there = clock.offset_s + (1.0 + clock.drift) * time_s
        nearest = float(audio[np.argmin(np.abs(audio - there))])
        if abs(nearest - there) <= NEAR_S:
            pairs.append((time_s, nearest))
    return pairs


def _place(at: int, clock: SourceClock, rate: int) -> int:
    return max(0, round(clock.offset_s * rate + (1.0 + clock.drift) * at))
