"""The page's beep is taken out of what is measured: by hand, in any cut, and for the whole ear."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.blocks import Block, Gap
from listen.ears import SoundEar, shipped_model
from listen.hear.blanking import Blanking
from listen.marks import Mark, MarkKind
from listen.states import Event, State

RATE = 48000


def block(values: list[float] | np.ndarray, start: int = 0) -> Block:
    return Block(samples=np.asarray(values, dtype=np.float64), start=start, rate=RATE)


@pytest.mark.closed
def test_the_sound_before_is_mirrored_over_the_beep() -> None:
    """By hand: 1 2 3, then five blanked samples read back and forth: 3 2 1 1 2; the sixth is real."""
    blanking = Blanking(RATE)
    blanking.push(block([1.0, 2.0, 3.0]))
    blanking.blank(5)
    told = blanking.push(block([9.0] * 5 + [4.0], start=3))
    assert isinstance(told, Block)
    assert told.samples.tolist() == [3.0, 2.0, 1.0, 1.0, 2.0, 4.0]
    assert told.start == 3


@pytest.mark.closed
def test_a_gap_ends_it_and_nothing_before_is_nothing_to_mirror() -> None:
    blanking = Blanking(RATE)
    blanking.blank(5)
    first = blanking.push(block([7.0]))
    assert isinstance(first, Block)
    assert first.samples.tolist() == [7.0]
    blanking.blank(5)
    blanking.push(Gap(start=1, stop=10, reason="unplugged"))
    after = blanking.push(block([8.0, 8.0], start=10))
    assert isinstance(after, Block)
    assert after.samples.tolist() == [8.0, 8.0]


@pytest.mark.parity
@settings(deadline=None)
@given(cuts=st.lists(st.integers(0, 2000), max_size=9))
def test_any_cut_gives_the_same_samples(cuts: list[int]) -> None:
    before, after = np.random.default_rng(1).normal(size=(2, 2000))
    made = []
    for pieces in ([after], np.split(after, sorted(cuts))):
        blanking = Blanking(RATE)
        blanking.push(block(before))
        blanking.blank(1500)
        at = 2000
        out = []
        for piece in pieces:
            told = blanking.push(block(piece, start=at))
            assert isinstance(told, Block)
            out.append(told.samples)
            at += piece.size
        made.append(np.concatenate(out))
    np.testing.assert_array_equal(made[0], made[1])


@pytest.mark.closed
def test_a_loud_beep_in_air_is_no_contact() -> None:
    """Air with a tone 30 dB over it each 3 s: heard as contact where the ear is not told of it."""
    seconds = np.arange(24 * RATE) / RATE
    air = np.random.default_rng(2).normal(0.0, 0.01, seconds.size)
    beeps = [9.0, 12.0, 15.0, 18.0, 21.0]
    tone = sum(np.where((seconds >= at + 0.08) & (seconds < at + 0.20), 0.4, 0.0) for at in beeps)
    sound = air + tone * np.sin(2 * np.pi * 880.0 * seconds)
    heard = {told: entries(sound, beeps if told else []) for told in (False, True)}
    assert heard[True] == 0
    assert heard[False] >= 1


def entries(sound: np.ndarray, beeps: list[float]) -> int:
    ear = SoundEar(shipped_model(), rate=RATE, keep=False)
    edges = [0, *(round(at * RATE) for at in beeps), sound.size]
    heard: list[object] = []
    for start, stop in pairwise(edges):
        if start:
            heard += ear.push(Mark(at=start, kind=MarkKind.BEEP, source="page", value=0.4))
        heard += ear.push(block(sound[start:stop], start=start))
    return sum(isinstance(item, Event) and item.state is State.ENTRY for item in (*heard, *ear.close()))
