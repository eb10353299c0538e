"""Other clocks on the audio clock."""

import numpy as np
import pytest

from listen.errors import InputError
from listen.hear.clock import ArrivalClock, ClockMap, align_clock, fit_clock


@pytest.mark.closed
def test_offset_and_drift_come_back_in_spite_of_wrong_pairs() -> None:
    """By hand: audio = 3 + 1.0002 t; a quarter of the pairs are wrong by seconds."""
    rng = np.random.default_rng(4)
    source = np.sort(rng.uniform(0, 1800, 40))
    audio = 3.0 + 1.0002 * source + rng.normal(0, 0.02, 40)
    audio[::4] += rng.uniform(2, 9, 10)
    clock = fit_clock(source, audio)
    assert clock.drift == pytest.approx(2e-4, abs=5e-5)
    assert clock.offset_s == pytest.approx(3.0, abs=0.1)
    assert clock.to_samples(1000.0, rate=1000) == pytest.approx(1003200, abs=60)


@pytest.mark.closed
def test_drift_is_not_guessed_from_a_short_span() -> None:
    clock = fit_clock(np.array([0.0, 1.0, 2.0]), np.array([5.0, 6.1, 6.9]))
    assert (clock.drift, clock.offset_s) == (0.0, 5.0)


@pytest.mark.closed
def test_shared_events_give_the_offset_and_an_even_rhythm_gives_none() -> None:
    rng = np.random.default_rng(5)
    source = np.cumsum(rng.uniform(1.0, 6.0, 20))
    audio = np.sort(np.concatenate([source[3:] - 2.4, rng.uniform(0, 60, 5)]))
    clock = align_clock(source, audio, greatest_offset_s=30.0)
    assert clock is not None
    assert clock.to_samples(50.0, rate=1000) == pytest.approx(47600, abs=50)
    even = np.arange(0.0, 60.0, 2.0)
    assert align_clock(even, even + 0.5, greatest_offset_s=30.0) is None


@pytest.mark.closed
def test_stamps_that_arrive_late_keep_their_time_and_a_set_clock_starts_anew() -> None:
    """By hand: stamps lag the audio clock by 100 s, delays are 0.05 to 0.45 s."""
    rng = np.random.default_rng(6)
    clock = ArrivalClock()
    for second in range(60):
        mapped = clock.push(second - 100.0, arrived_s=second + rng.uniform(0.05, 0.45))
        assert mapped <= second + 0.45
    assert mapped == pytest.approx(59.05, abs=0.03)
    mapped = clock.push(60 - 98.0, arrived_s=60.2)  # the source's clock was set forward by 2 s
    assert (mapped, clock.n_steps) == (60.2, 1)


@pytest.mark.closed
def test_a_few_late_stamps_keep_their_time_and_a_clock_set_back_is_seen() -> None:
    clock = ArrivalClock()
    for second in range(10):
        clock.push(float(second), arrived_s=second + 0.1)
    assert clock.push(10.0, arrived_s=13.1) == pytest.approx(10.1)  # three seconds late, not set back
    assert clock.n_steps == 0
    for second in range(14, 30):
        mapped = clock.push(second - 2.0, arrived_s=second + 0.1)
    assert mapped == pytest.approx(29.1)
    assert clock.n_steps == 1


@pytest.mark.closed
def test_a_clock_without_pairs_or_in_milliseconds_is_refused() -> None:
    with pytest.raises(InputError, match="a clock needs pairs of times, got 0 and 0"):
        fit_clock(np.array([]), np.array([]))
    with pytest.raises(InputError, match="are the times in seconds"):
        ClockMap(drift=999.0)
