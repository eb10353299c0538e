"""The only place that joins the stages of a run: sound, load and marks in, everything decided out.

Live and replay run this same code. Any cut of the input gives the same decisions.
"""

from listen.advise import Advise
from listen.advise.policy import HOLES
from listen.blocks import Block, Gap, LoadSample
from listen.ears import Ear, Given, Heard
from listen.errors import InputError, ListenError
from listen.follow import Follower
from listen.followed import Position, Verdict
from listen.marks import Mark
from listen.states import (
    AirSound,
    ContactLoad,
    ContactSound,
    Event,
    Finding,
    Learnt,
    StateLikelihoods,
    Turning,
)
from listen.timeline import Timeline
from listen.told import Cue, Flag

Decided = StateLikelihoods | Event | Finding | ContactSound | Learnt | Position | Verdict | Cue | Flag | Gap


class Session:
    """Hear, follow and advise, one after the other.

    Parameters
    ----------
    timeline : Timeline | None
        What is expected; None where there is no job: then only the states are told.
    ear : Ear
        What hears; it serves this run only.
    rate : int
        Sample rate of the stream [Hz].
    """

    def __init__(self, timeline: Timeline | None, *, ear: Ear, rate: int) -> None:
        self.rate = rate
        self.heard = 0  # end of what was given [samples]
        self._ear = ear
        self._follower = None if timeline is None else Follower(timeline, rate=rate, ear=ear.rates)
        self._advise = Advise(timeline, rate)
        ear.know(() if timeline is None else turnings_of(timeline))
        self._waiting: list[LoadSample | Mark] = []  # ahead of the sound
        self._closed = False

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        return self._ear.latency

    def push(self, given: Given) -> tuple[Decided, ...]:
        """Take the next block, gap, load sample or mark; give everything that it decides.

        A load sample or mark that lies ahead of the sound waits until the sound has come so far.

        Raises
        ------
        InputError
            For a block of another rate, or one that does not begin where the last ended.
        ListenError
            After `close`.
        """
        if self._closed:
            raise ListenError("push() after close(): make a new Session per run")
        if isinstance(given, LoadSample | Mark):
            return self._witness(given)
        self._check_place(given)
        decided: list[Decided] = []
        while self._waiting and self._waiting[0].at < given.stop:
            if isinstance(given, Block) and self._waiting[0].at > given.start:
                before, given = _cut(given, self._waiting[0].at)
                decided += self._hear(before)
            decided += self._hear(self._waiting.pop(0))
        return (*decided, *self._hear(given))

    def close(self) -> tuple[Decided, ...]:
        """End the run and give what was still open."""
        if self._closed:
            return ()
        last = tuple(item for given in self._waiting for item in self._hear(given))
        self._closed = True
        last += self._told(self._ear.close(), None)
        followed = () if self._follower is None else self._follower.close(self.heard)
        return (*last, *self._advised(followed), *self._advise.close())

    def _witness(self, given: LoadSample | Mark) -> tuple[Decided, ...]:
        if self._ear.runs_on_load or given.at <= self.heard:
            return self._hear(given)
        self._waiting.append(given)
        self._waiting.sort(key=lambda item: item.at)
        return ()

    def _hear(self, given: Given) -> tuple[Decided, ...]:
        heard = self._ear.push(given)
        self.heard = self._end_after(given)
        return self._told(heard, given)

    def _check_place(self, given: Block | Gap) -> None:
        if isinstance(given, Block) and given.rate != self.rate:
            raise InputError(f"this run listens at {self.rate} Hz, got a block at {given.rate} Hz")
        if given.start != self.heard:
            raise InputError(
                f"a block or gap must begin where the last ended, at {self.heard}, got {given.start}; "
                f"what is missing is a Gap"
            )

    def _end_after(self, given: Given) -> int:
        """What was heard ends with the sound; where load is all there is, with the load."""
        if isinstance(given, Block | Gap):
            return given.stop
        return max(self.heard, given.at) if self._ear.runs_on_load else self.heard

    def _told(self, heard: tuple[Heard, ...], given: Given | None) -> tuple[Decided, ...]:
        """What was heard, and what follows from it, in the order in which it was known, whatever the cut.

        A mark or gap that was given is not told again; a silence that the ear took for a gap is.
        """
        marks = (given,) if isinstance(given, Mark) else ()
        told: list[Decided] = []
        for item in (*heard, *marks):
            if isinstance(item, StateLikelihoods):
                told.append(item)
                if self._follower is not None:
                    self._follower.listen(item)
                continue
            known_at = min(_known_at(item), self.heard)
            told += self._follow((), known_at - 1)  # what was known before
            if isinstance(item, AirSound | ContactLoad):
                told += self._advise.push(item)
                continue
            if isinstance(item, Learnt):
                told.append(item)
                continue
            told += () if isinstance(item, Mark) or item is given else (item,)
            told += () if isinstance(item, Gap) else self._advise.push(item)
            told += self._follow((item,), known_at)
        return (*told, *self._follow((), self.heard))

    def _follow(
        self, items: tuple[Event | Mark | Gap | Finding | ContactSound, ...], now: int
    ) -> tuple[Decided, ...]:
        if self._follower is None:
            return ()
        return self._advised(self._follower.push(items, now))

    def _advised(self, followed: tuple[Position | Verdict | Cue, ...]) -> tuple[Decided, ...]:
        """What was followed, each item with what the person is told of it; cues are told only there."""
        told: list[Decided] = []
        for item in followed:
            told += () if isinstance(item, Cue) else (item,)
            told += self._advise.push(item)
        return tuple(told)


def _cut(block: Block, at: int) -> tuple[Block, Block]:
    place = at - block.start
    return (
        Block(samples=block.samples[:place], start=block.start, rate=block.rate),
        Block(samples=block.samples[place:], start=at, rate=block.rate),
    )


def turnings_of(timeline: Timeline) -> tuple[Turning, ...]:
    """Spindle speeds and flutes of a program; no word of when they cut."""
    ways: dict[tuple[float, int], set[str]] = {}
    for contact in timeline.contacts:
        ways.setdefault((abs(contact.spindle_rpm) / 60.0, contact.flutes), set()).add(contact.way)
    return tuple(
        Turning(spindle_hz=hz, flutes=flutes, holes=ways[hz, flutes] <= set(HOLES))
        for hz, flutes in sorted(ways)
        if hz > 0.0
    )


def _known_at(item: Event | Mark | Gap | Finding | ContactSound | AirSound | ContactLoad | Learnt) -> int:
    if isinstance(item, Mark | AirSound | Learnt):
        return item.at
    return item.stop if isinstance(item, Gap) else item.decided_at
