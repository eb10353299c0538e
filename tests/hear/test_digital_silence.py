"""Nothing but zeros is passed on as a gap; whatever else comes is passed on as it is."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.blocks import Block, Gap
from listen.hear.digital_silence import REASON, SILENT_S, STARTS_S, DigitalSilence

RATE = 8000
ENOUGH, AT_START = round(SILENT_S * RATE), round(STARTS_S * RATE)


def passed(samples: np.ndarray, sizes: list[int]) -> tuple[list[tuple[int, int]], np.ndarray, np.ndarray]:
    """Gaps, places of the samples that were given on, and the samples."""
    silence, gaps, places, values, at, turn = DigitalSilence(RATE), [], [], [], 0, 0
    while at < samples.size:
        size = sizes[turn % len(sizes)]
        for item in silence.push(Block(samples=samples[at : at + size], start=at, rate=RATE)):
            if isinstance(item, Gap):
                gaps.append((item.start, item.stop))
            else:
                places.append(np.arange(item.start, item.stop))
                values.append(item.samples)
        at, turn = at + size, turn + 1
    nothing = np.zeros(0)
    return gaps, np.concatenate([nothing, *places]), np.concatenate([nothing, *values])


def noise(n_samples: int) -> np.ndarray:
    return np.asarray(0.1 * np.random.default_rng(1).standard_normal(n_samples))


@pytest.mark.closed
def test_a_recording_begins_with_its_first_sound() -> None:
    sound = np.concatenate([np.zeros(2 * RATE), noise(RATE)])
    gaps, places, values = passed(sound, [800])
    assert gaps == [(0, 2 * RATE)]
    np.testing.assert_array_equal(places, np.arange(2 * RATE, 3 * RATE))
    np.testing.assert_array_equal(values, sound[2 * RATE :])


@pytest.mark.closed
def test_a_few_zeros_are_sound() -> None:
    """Those with which a recorder begins, a loss on the way, and single ones between quiet samples."""
    sound = np.concatenate([np.zeros(AT_START - 1), noise(RATE), np.zeros(ENOUGH), noise(RATE)])
    sound[AT_START + 100 : AT_START + 4000 : 7] = 0.0
    gaps, places, values = passed(sound, [80])
    assert gaps == []
    np.testing.assert_array_equal(places, np.arange(sound.size))
    np.testing.assert_array_equal(values, sound)


@pytest.mark.closed
def test_a_muted_microphone_is_a_gap_until_it_is_heard_again() -> None:
    sound = np.concatenate([noise(RATE), np.zeros(3 * RATE), noise(RATE)])
    gaps, places, _ = passed(sound, [123])
    assert gaps == [(RATE + ENOUGH, 4 * RATE)]
    assert places.size == sound.size - (3 * RATE - ENOUGH)


@pytest.mark.closed
def test_a_silence_just_long_enough_is_found_wherever_it_lies_in_a_block() -> None:
    """All but its last sample may be a loss on the way."""
    for begin in range(1, 2 * ENOUGH, 7):
        sound = noise(4 * ENOUGH)
        sound[begin : begin + ENOUGH + 1] = 0.0
        gaps, _, _ = passed(sound, [sound.size])
        assert gaps == [(begin + ENOUGH, begin + ENOUGH + 1)]


@pytest.mark.closed
def test_a_gap_in_a_silence_comes_after_the_silence_up_to_it() -> None:
    silence = DigitalSilence(RATE)
    silence.push(Block(samples=noise(RATE), start=0, rate=RATE))
    silence.push(Block(samples=np.zeros(RATE), start=RATE, rate=RATE))
    lost = Gap(start=2 * RATE, stop=5 * RATE, reason="unplugged")
    assert silence.push(lost) == (Gap(start=RATE + ENOUGH, stop=2 * RATE, reason=REASON), lost)
    block = Block(samples=noise(RATE), start=5 * RATE, rate=RATE)
    assert silence.push(block) == (block,)


@pytest.mark.closed
@settings(max_examples=60, deadline=None)
@given(
    stretches=st.lists(st.tuples(st.booleans(), st.integers(1, 6000)), min_size=1, max_size=6),
    sizes=st.lists(st.integers(1, 5000), min_size=1, max_size=5),
)
def test_any_cut_gives_the_same(stretches: list[tuple[bool, int]], sizes: list[int]) -> None:
    sound = np.concatenate([noise(n) if loud else np.zeros(n) for loud, n in stretches])
    whole, cut = passed(sound, [sound.size]), passed(sound, sizes)
    assert whole[0] == cut[0]
    np.testing.assert_array_equal(whole[1], cut[1])
    np.testing.assert_array_equal(whole[2], cut[2])
