"""What every ear takes and gives."""

from typing import Protocol

from listen.blocks import Block, Gap, LoadSample
from listen.marks import Mark
from listen.states import (
    AirSound,
    ContactLoad,
    ContactSound,
    EarRates,
    Event,
    Finding,
    Learnt,
    StateLikelihoods,
    Turning,
)

Given = Block | Gap | LoadSample | Mark
Heard = Event | Finding | ContactSound | AirSound | Learnt | ContactLoad | StateLikelihoods | Gap


class Ear(Protocol):
    """Hears one kind of input; what is not for it is passed over."""

    runs_on_load: bool

    @property
    def rates(self) -> EarRates:
        """How often it errs."""
        ...

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        ...

    def know(self, turnings: tuple[Turning, ...]) -> None:
        """Learn, before anything is heard, which spindle speeds and flutes the program has."""
        ...

    def push(self, given: Given) -> tuple[Heard, ...]:
        """Take the next input, give what it decides."""
        ...

    def close(self) -> tuple[Heard, ...]:
        """End the stream."""
        ...

    def look_again(self) -> tuple[Event, ...]:
        """Events as known after the whole run; needs `keep` when the ear was made."""
        ...

    def believed_again(self) -> tuple[StateLikelihoods, ...]:
        """What the last `look_again` believed of each frame; none where the ear does not tell."""
        ...
