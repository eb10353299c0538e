"""Sound cut off at its peaks: told once, and not for a knock."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.hear.clipping import Clipping
from listen.states import Finding

pytestmark = pytest.mark.closed
RATE = 8000
NOISE = np.random.default_rng(5).normal(0.0, 0.1, 70 * RATE)


def found(samples: NDArray[np.float64], cuts: list[int] | None = None) -> list[Finding]:
    clipping = Clipping(RATE)
    told: list[Finding] = []
    start = 0
    for part in np.split(samples, sorted(cuts or [])):
        block = Block(samples=part, start=start, rate=RATE)
        start += part.size
        told += [one for piece in clipping.pieces(block) for one in clipping.push(piece)]
    return told


def loud(seconds: tuple[int, ...], *, top: float = 1.0) -> NDArray[np.float64]:
    """Noise, in these seconds ten times as loud and cut off at `top`."""
    samples = NOISE.copy()
    for second in seconds:
        part = slice(second * RATE, (second + 1) * RATE)
        samples[part] = np.clip(10.0 * samples[part], -top, top)
    return samples


@pytest.mark.parametrize("top", [1.0, 0.6])
def test_the_third_second_that_is_cut_off_tells_it_once(top: float) -> None:
    """Of normal noise a third lies beyond one spread."""
    told = found(loud((4, 9, 20, 21, 40), top=top))
    assert [(one.kind, one.start, one.stop) for one in told] == [("clipping", 4 * RATE, 21 * RATE)]


def test_a_knock_now_and_then_and_loud_sound_that_fits_tell_nothing() -> None:
    assert found(loud((4, 9))) == []
    assert found(loud((1, 9, 62))) == []  # the first lies 62 s before the end of the third
    assert len(found(loud((2, 9, 61)))) == 1
    assert found(4.0 * NOISE / np.max(np.abs(4.0 * NOISE))) == []


def test_peaks_of_a_lossy_copy_are_no_longer_flat_but_stay_at_full_scale() -> None:
    ripple = 1.0 + 0.01 * np.random.default_rng(6).standard_normal(NOISE.size)
    assert len(found(loud((4, 9, 20)) * ripple)) == 1


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.integers(0, NOISE.size), max_size=12))
def test_any_cut_of_the_blocks_finds_the_same(cuts: list[int]) -> None:
    samples = loud((4, 9, 20))
    assert found(samples, cuts) == found(samples)


def test_a_gap_is_given_on_and_ends_its_second() -> None:
    clipping = Clipping(RATE)
    gap = Gap(start=RATE // 2, stop=3 * RATE, reason="test")
    assert list(clipping.pieces(gap)) == [gap]
    half = Block(samples=np.ones(RATE // 2), start=0, rate=RATE)
    rest = Block(samples=np.zeros(RATE), start=3 * RATE, rate=RATE)
    for item in (half, gap, rest):
        assert clipping.push(item) == ()
    assert clipping._second == []
