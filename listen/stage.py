"""The shape that every streaming stage has."""

from typing import Protocol, TypeVar

Given = TypeVar("Given", contravariant=True)
Made = TypeVar("Made", covariant=True)


class Stage(Protocol[Given, Made]):
    """Takes pieces of a stream and gives what they decide; any cut gives the same result.

    A stage is used for one run: after `close` it takes nothing more. What it refuses
    leaves it as it was.
    """

    @property
    def latency(self) -> int:
        """Longest wait from a thing happening to its being given [samples]."""
        ...

    def push(self, given: Given) -> tuple[Made, ...]:
        """Take the next piece, give what it decides (often nothing)."""
        ...

    def close(self) -> tuple[Made, ...]:
        """End the stream and give what was still open."""
        ...
