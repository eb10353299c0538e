"""Frames are the same for any cut of the sound, and new after a gap."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.blocks import Block, Frames, Gap
from listen.errors import InputError, ListenError
from listen.measure import COLUMNS, FEATURES, Measure

RATE = 16000
SOUND = 0.1 * np.random.default_rng(3).standard_normal(RATE)


def frames_of(measure: Measure, sound: np.ndarray, cuts: list[int], *, at: int = 0) -> list[Frames]:
    found: list[Frames] = []
    start = at
    for piece in np.split(sound, sorted(cuts)):
        given_back = measure.push(Block(samples=piece, start=start, rate=measure.rate))
        found += [item for item in given_back if isinstance(item, Frames)]
        start += piece.size
    return found


@pytest.mark.parity
@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, RATE), max_size=12))
def test_block_sizes_do_not_change_the_frames(cuts: list[int]) -> None:
    (whole,) = frames_of(Measure(RATE), SOUND, [])
    parts = frames_of(Measure(RATE), SOUND, cuts)
    np.testing.assert_array_equal(np.concatenate([f.at for f in parts]), whole.at)
    np.testing.assert_array_equal(np.concatenate([f.values for f in parts]), whole.values)


@pytest.mark.closed
def test_one_frame_each_ten_milliseconds() -> None:
    (whole,) = frames_of(Measure(RATE), SOUND, [])
    assert whole.at.tolist() == list(range(160, RATE + 1, 160))
    assert whole.values.shape == (100, len(COLUMNS))


@pytest.mark.closed
def test_the_same_sound_louder_by_a_constant_gives_the_same_contrasts() -> None:
    """A microphone's gain must not matter: all features but the levels are differences."""
    (soft,) = frames_of(Measure(RATE), SOUND, [])
    (loud,) = frames_of(Measure(RATE), 8.0 * SOUND, [])
    n = len(FEATURES)
    np.testing.assert_allclose(loud.values[5:, :n], soft.values[5:, :n], rtol=0, atol=2e-3)


@pytest.mark.closed
def test_a_gap_starts_the_context_anew() -> None:
    measure = Measure(RATE)
    frames_of(measure, SOUND, [])
    gap = Gap(start=RATE, stop=RATE + 500, reason="cable")
    assert measure.push(gap) == (gap,)
    (after,) = frames_of(measure, SOUND, [], at=RATE + 500)
    (fresh,) = frames_of(Measure(RATE), SOUND, [])
    np.testing.assert_array_equal(after.values, fresh.values)
    np.testing.assert_array_equal(after.at, fresh.at + RATE + 500)


@pytest.mark.closed
def test_digital_silence_and_full_scale_stay_finite() -> None:
    for sound in (np.zeros(8000), np.ones(8000), np.tile([1.0, -1.0], 4000)):
        (found,) = frames_of(Measure(RATE), sound, [])
        assert np.isfinite(found.values).all()


@pytest.mark.closed
def test_a_step_of_20_db_is_a_contrast_of_20_db() -> None:
    """Noise ten times louder after two seconds: every live band rises by 20 dB over its memory."""
    quiet = 0.003 * np.random.default_rng(1).standard_normal(2 * RATE)
    loud = 0.03 * np.random.default_rng(2).standard_normal(RATE // 10)
    (found,) = frames_of(Measure(RATE), np.concatenate([quiet, loud]), [])
    bands = [FEATURES.index(f"band {b} over 12 s") for b in range(4, 14)]
    rise = 10.0 * float(found.values[-6:, bands].mean())
    assert rise == pytest.approx(20.0, abs=1.5)


@pytest.mark.closed
def test_what_does_not_follow_on_is_refused() -> None:
    measure = Measure(RATE)
    with pytest.raises(InputError, match="expected 0; tell of what is missing with a Gap"):
        measure.push(Block(samples=SOUND, start=5, rate=RATE))
    with pytest.raises(InputError, match="this run is at 16000 Hz, got a block at 8000 Hz"):
        measure.push(Block(samples=SOUND, start=0, rate=8000))
    measure.close()
    with pytest.raises(ListenError, match="after close"):
        measure.push(Block(samples=SOUND, start=0, rate=RATE))
