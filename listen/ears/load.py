"""Hears contact in spindle load alone."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import chain

from listen.blocks import Frames, LoadSample
from listen.decide import DecideLoad, second_look_load
from listen.ears.ear import Given, Heard
from listen.ears.frame_store import FrameStore
from listen.ears.shipped import shipped_load_networks
from listen.marks import Mark
from listen.measure import MeasureLoad
from listen.states import ContactLoad, EarRates, Event, Standing, State, StateLikelihoods, Turning

# Of load at 5 Hz, by tests/hear/test_load_alone.py: entries and exits lie within 0.25 s of the truth there.
LOAD_RATES = EarRates(
    false_bursts_per_hour=2.0,
    dropouts_per_hour=2.0,
    missed_share=0.02,
    onset_spread_s=0.12,
    offset_spread_s=0.12,
)
# Of 60 made logs of tools/bench load, four of each family: in the 40 in which the mean belief in the contacts
# is as great, none of 1010 contacts of a second or more was missed (three would be a share of .003), so
# that one that was not heard does not speak for more that were missed.
CLEAR, MISSED_IF_CLEAR, MISSED_WORTH = 0.95, 0.001, 1000.0


class LoadEar:
    """Hears contact in spindle load alone; parameters as for `SoundEar`."""

    runs_on_load = True

    def __init__(self, *, rate: int, keep: bool) -> None:
        self._rate = rate
        self._measure = MeasureLoad(rate=rate)
        self._decide = DecideLoad(rate=rate)
        self._kept = FrameStore() if keep else None
        self._marks: list[Mark] = []
        self._kind = ""
        self._entered: int | None = None
        self._rates = LOAD_RATES

    @property
    def rates(self) -> EarRates:
        """As measured on made logs; after the second look those of a log as clear as this one."""
        return self._rates

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        return self._measure.latency + self._decide.latency

    def know(self, turnings: tuple[Turning, ...]) -> None:
        """Load has no use for them."""

    def push(self, given: Given) -> tuple[Heard, ...]:
        """Take the next load sample or mark."""
        if not isinstance(given, LoadSample | Mark):
            return ()
        if isinstance(given, Mark) and self._kept is not None:
            self._marks.append(given)
        if isinstance(given, LoadSample):
            self._kind = given.kind
        return self._hear(self._measure.push(given))

    def close(self) -> tuple[Heard, ...]:
        """End the stream and give what was still open."""
        return (*self._hear(self._measure.close()), *self._with_load(self._decide.close()))

    def look_again(self) -> tuple[Event, ...]:
        """Refined events; block by block where the log names lines."""
        whole = self._kept.stretches() if self._kept else []
        if not whole:
            return ()
        networks = shipped_load_networks()
        events = second_look_load(whole[0], self._marks, rate=self._rate, networks=networks)
        sure = [event.probability for event in events if event.state == State.ENTRY]
        if sure and sum(sure) >= CLEAR * len(sure):
            self._rates = replace(LOAD_RATES, missed_share=MISSED_IF_CLEAR, missed_worth=MISSED_WORTH)
        return events

    def believed_again(self) -> tuple[StateLikelihoods, ...]:
        """Load tells no belief."""
        return ()

    def _hear(self, made: Sequence[Frames]) -> tuple[Heard, ...]:
        if self._kept is not None:
            for item in made:
                self._kept.push(item)
        return tuple(chain.from_iterable(self._with_load(self._decide.push(item)) for item in made))

    def _with_load(self, events: Sequence[Event]) -> tuple[Heard, ...]:
        """The events, and after the end of each contact what it drew."""
        told: list[Heard] = []
        for event in events:
            told.append(event)
            if event.standing is not Standing.CONFIRMED:
                continue
            if event.state is State.ENTRY:
                self._entered = event.at
            elif event.state is State.AIR and self._entered is not None:
                told.append(
                    ContactLoad(
                        start=self._entered,
                        stop=event.at,
                        decided_at=event.decided_at,
                        rise=self._decide.rise,
                        kind=self._kind,
                    )
                )
                self._entered = None
        return tuple(told)
