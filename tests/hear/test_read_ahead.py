"""Blocks taken one ahead: the same ones, and errors where they belong."""

import threading
from collections.abc import Iterator

import numpy as np
import pytest

from listen.blocks import Block
from listen.errors import RecordingError
from listen.hear import read_ahead

pytestmark = pytest.mark.closed


def block(number: int) -> Block:
    return Block(samples=np.full(2, float(number)), start=2 * number, rate=8000)


def test_the_blocks_are_the_same_in_order() -> None:
    blocks = [block(number) for number in range(20)]
    assert list(read_ahead(blocks)) == blocks
    assert list(read_ahead([])) == []


def test_one_block_is_taken_ahead_and_no_more() -> None:
    taken: list[int] = []
    second_taken = threading.Event()

    def source() -> Iterator[Block]:
        for number in range(5):
            taken.append(number)
            if number == 1:
                second_taken.set()
            yield block(number)

    ahead = read_ahead(source())
    next(ahead)
    assert second_taken.wait(timeout=10.0)  # while the first is worked on
    ahead.close()  # type: ignore[attr-defined]
    assert taken == [0, 1]


def test_an_error_comes_after_the_blocks_before_it() -> None:
    def source() -> Iterator[Block]:
        yield block(0)
        yield block(1)
        raise RecordingError("cut off")

    ahead = read_ahead(source())
    assert [next(ahead).start, next(ahead).start] == [0, 2]
    with pytest.raises(RecordingError, match="cut off"):
        next(ahead)


def test_the_thread_ends_with_the_iterator() -> None:
    ahead = read_ahead([block(0), block(1), block(2)])
    next(ahead)
    ahead.close()  # type: ignore[attr-defined]
    assert not [each for each in threading.enumerate() if each.name.startswith("read ahead")]


def test_a_source_that_is_left_early_is_closed_at_once() -> None:
    """Not when it is collected: an open sound file cannot be renamed or removed on Windows."""
    closed: list[bool] = []

    def source() -> Iterator[Block]:
        try:
            yield block(0)
            yield block(1)
            yield block(2)
        finally:
            closed.append(True)

    kept = source()
    ahead = read_ahead(kept)
    next(ahead)
    ahead.close()  # type: ignore[attr-defined]
    assert closed == [True]
