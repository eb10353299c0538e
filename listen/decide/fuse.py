"""Sound and spindle load together, after the run: load tells whether, sound tells when.

Load sees a cut however loud the room is, but only ten times a second or less; sound dates it to
a hundredth of a second, but misses and invents in noise. Light cuts may be heard and not be
seen in the load, so what sound is sure of stays.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from listen.errors import InputError
from listen.states import Event, Standing, State

NEAR_S = 0.25  # sound dates a contact that load saw where it has a boundary this near
AGREE = 0.6  # the two must share this part of the time of the one that says less, or load is not believed
SURE = 0.97  # a contact that sound alone has stays from this probability on: light cuts may not move the load


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """One contact: its events in order, entry first, air last where it is known to have ended."""

    events: tuple[Event, ...]

    @property
    def start(self) -> int:
        return self.events[0].at

    @property
    def stop(self) -> int:
        return self.events[-1].at

    @property
    def probability(self) -> float:
        return min(event.probability for event in self.events)


def fuse_contacts(
    sound: Sequence[Event],
    load: Sequence[Event],
    *,
    load_at: Sequence[int],
    rate: int,
    gone_s: float = 3.0,
    near_s: float = NEAR_S,
) -> tuple[Event, ...]:
    """Events of both, as known after the run.

    Parameters
    ----------
    sound, load : sequence of Event
        Refined events of each, in order.
    load_at : sequence of int
        When there was load [samples], increasing; where it is absent for longer than `gone_s`,
        sound stands alone.
    rate : int
        [Hz]
    near_s : float
        How near an end of sound must lie to be that of the load's contact [s]: more where the
        load's lag is not known.

    Returns
    -------
    tuple of Event
        In order; exactly `sound` where the load contradicts it, or says nothing.
    """
    if not rate >= 8000:
        raise InputError(f"sample rate must be at least 8000 Hz, got {rate}")
    heard, seen = _contacts(sound), _contacts(load)
    if not seen or not _agree(heard, seen):
        return tuple(sound)
    near = round(near_s * rate)
    fused = [_dated(one, heard, near) for one in seen]
    silent = _silences(load_at, round(gone_s * rate))
    for one in heard:
        alone = not any(_overlap(one, other) > 0 for other in fused)
        if alone and (one.probability >= SURE or any(a < one.stop and one.start < b for a, b in silent)):
            fused.append(one)
    return tuple(event for one in sorted(fused, key=lambda one: one.start) for event in one.events)


def _contacts(events: Sequence[Event]) -> list[_Heard]:
    contacts: list[_Heard] = []
    current: list[Event] = []
    for event in events:
        if event.standing != Standing.CONFIRMED:
            continue
        if event.state == State.ENTRY and current:
            contacts.append(_Heard(events=tuple(current)))
            current = []
        if event.state == State.ENTRY or current:
            current.append(event)
        if event.state == State.AIR and current:
            contacts.append(_Heard(events=tuple(current)))
            current = []
    return [*contacts, _Heard(events=tuple(current))] if current else contacts


def _overlap(one: _Heard, other: _Heard) -> int:
    return max(0, min(one.stop, other.stop) - max(one.start, other.start))


def _agree(heard: list[_Heard], seen: list[_Heard]) -> bool:
    """Whether the two tell of the same run; sound that heard nothing contradicts nothing."""
    shared = sum(_overlap(one, other) for one in heard for other in seen)
    least = min(sum(one.stop - one.start for one in each) for each in (heard, seen))
    return not heard or shared >= AGREE * least


def _dated(one: _Heard, heard: list[_Heard], near: int) -> _Heard:
    """A contact that load saw, with the boundaries of sound where it has them there."""
    starts = [other.start for other in heard if abs(other.start - one.start) <= near]
    stops = [other.stop for other in heard if abs(other.stop - one.stop) <= near]
    start = min(starts, key=lambda at: abs(at - one.start), default=one.start)
    stop = max(start + 1, min(stops, key=lambda at: abs(at - one.stop), default=one.stop))
    source = next((other for other in heard if other.start == start), one)
    events = [
        replace(event, at=min(max(event.at, start), stop), decided_at=max(event.decided_at, stop))
        for event in (source if source.stop == stop else one).events
    ]
    events[0] = replace(events[0], at=start)
    events[-1] = replace(events[-1], at=stop)
    return _Heard(events=tuple(events))


def _silences(load_at: Sequence[int], gone: int) -> list[tuple[int, int]]:
    """Stretches without load, those before its first and after its last value among them."""
    if not len(load_at):
        return [(0, 2**62)]
    inside = [(a, b) for a, b in pairwise(load_at) if b - a > gone]
    return [(0, load_at[0]), *inside, (load_at[-1], 2**62)]
