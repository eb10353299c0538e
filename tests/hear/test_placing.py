"""Arriving sound gets its place by count, and by a clock moved by hand where some is missing."""

import numpy as np
import pytest
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.hear.capture import Callback, joined
from listen.hear.placing import Placing

RATE = 8000
PIECE: NDArray[np.float64] = np.full(80, 0.25)


class Status:
    def __init__(self, overflow: bool) -> None:
        self.input_overflow = overflow


@pytest.mark.closed
def test_a_known_loss_is_a_gap_of_that_length() -> None:
    placing = Placing(rate=RATE, began_s=100.0)
    placing.arrived(PIECE, now_s=100.05)
    gap, block = placing.arrived(PIECE, now_s=100.09, lost="too slow", n_lost=240)
    assert gap == Gap(start=80, stop=320, reason="too slow")
    assert isinstance(block, Block)
    assert (block.start, block.stop) == (320, 400)


@pytest.mark.closed
def test_a_loss_of_unknown_length_is_measured_by_the_clock() -> None:
    """By hand: sound lags by 40 ms; the piece that ends 1 s later on the clock lies 1 s later."""
    placing = Placing(rate=RATE, began_s=0.0)
    for k in range(10):
        placing.arrived(PIECE, now_s=0.04 + 0.01 * (k + 1))
    gap, block = placing.arrived(PIECE, now_s=1.04 + 0.11, lost="overflow")
    assert isinstance(gap, Gap)
    assert isinstance(block, Block)
    assert (gap.start, gap.stop) == (800, 800 + RATE)
    assert block.stop == round(1.11 * RATE)


@pytest.mark.closed
def test_silence_grows_with_the_clock_and_sound_returns_to_its_time() -> None:
    placing = Placing(rate=RATE, began_s=0.0)
    placing.arrived(PIECE, now_s=0.05)  # lag 40 ms
    gaps = [gap for now in (0.55, 1.05, 1.55) for gap in placing.silent(now_s=now, reason="unplugged")]
    assert [(gap.start, gap.stop) for gap in gaps] == [(80, 4080), (4080, 8080), (8080, 12080)]
    gap, block = placing.arrived(PIECE, now_s=2.05, lost="unplugged")
    assert gap.stop == block.start == round(2.0 * RATE)
    assert placing.silent(now_s=2.06, reason="unplugged")[0].stop == round(2.02 * RATE)


@pytest.mark.closed
def test_what_was_only_held_up_shifts_no_time() -> None:
    """By hand: silence is told up to 0.55 s; what was held up comes at once then, and sound goes on."""
    placing = Placing(rate=RATE, began_s=0.0)
    placing.arrived(PIECE, now_s=0.05)  # lag 40 ms
    placing.silent(now_s=0.55, reason="unplugged")
    held_up = np.tile(PIECE, 50)
    for now_s, piece, n_kept in ((0.552, held_up, 16), (0.553, PIECE, 8), (0.563, PIECE, 80)):
        *_, block = placing.arrived(piece, now_s=now_s, lost="unplugged" if piece is held_up else "")
        assert isinstance(block, Block)
        assert (block.samples.size, block.stop) == (n_kept, round(RATE * (now_s - 0.04)))
    (block,) = placing.arrived(PIECE, now_s=0.571)  # 2 ms early: no reason to drop any of it
    assert isinstance(block, Block)
    assert block.samples.size == PIECE.size


@pytest.mark.closed
def test_pieces_are_joined_up_to_where_something_was_lost() -> None:
    """By hand: the second piece belongs to the first; before the third 480 samples were dropped."""
    pieces = [(1.0, b"ab", 0, False), (1.1, b"cd", 0, False), (1.2, b"ef", 480, False), (1.3, b"gh", 0, True)]
    assert joined(pieces) == [(1.1, b"abcd", 0, False), (1.2, b"ef", 480, False), (1.3, b"gh", 0, True)]


def test_the_callback_copies_and_counts_what_finds_no_room() -> None:
    callback = Callback(size=2)
    buffer = np.zeros((80, 2), dtype=np.float32)
    for k in range(5):
        buffer[:, 1] = k
        callback(buffer, 80, None, Status(overflow=k == 1))
    first, second = callback.pieces.get(), callback.pieces.get()
    kept = [np.frombuffer(piece[1], dtype=np.float32).reshape(-1, 2) for piece in (first, second)]
    assert [frames[0].tolist() for frames in kept] == [[0.0, 0.0], [0.0, 1.0]]
    assert (first[3], second[3]) == (False, True)
    callback(buffer, 80, None, Status(overflow=False))
    assert callback.pieces.get()[2] == 240
