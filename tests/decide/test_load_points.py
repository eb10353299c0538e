"""What the load network is told of a log: worked by hand, and the same live as of the whole."""

import numpy as np
import pytest

from listen.decide.load_dates import FineLog
from listen.decide.load_kernels import AIR, CUT, IDLE, STANDING
from listen.decide.load_now import StorySoFar
from listen.decide.load_points import (
    POINT_S,
    Scale,
    ahead_of,
    grid_of,
    rows_of,
    scale_of,
)

NONE = np.empty(0)


@pytest.mark.closed
def test_points_are_means_of_a_fifth_of_a_second_and_the_last_value_stands_where_none_came() -> None:
    """By hand: two values in the first fifth, one in the second, none for 0.4 s, then a gap of 10 s."""
    seconds = np.array([0.0, 0.1, 0.25, 0.85, 11.0])
    grid = grid_of(seconds, np.array([1.0, 3.0, 5.0, 7.0, 9.0]), told_s=np.array([0.3]), blocks_s=NONE)
    np.testing.assert_allclose(grid.load[:6], [2, 5, 5, 5, 7, 7], rtol=0, atol=1e-12)
    np.testing.assert_allclose(grid.age[:6], [0, 0, 0.2, 0.4, 0, 0.2], rtol=0, atol=1e-12)
    np.testing.assert_array_equal(grid.told[:3], [0, 1, 0])
    assert grid.load[-1] == 9.0
    assert grid.age.max() == pytest.approx(2.8)  # what is older than three seconds says nothing
    assert np.diff(grid.seconds).max() == pytest.approx(11.0 - 3.6)


@pytest.mark.closed
def test_the_scale_of_a_log_is_its_low_level_and_how_far_it_rises() -> None:
    """By hand: a hundred values at 2 and a hundred at 12 percent, shown in whole percents."""
    scale = scale_of(np.repeat([2.0, 12.0], 100), percent=True, step=1.0)
    assert (scale.low, scale.height) == (2.0, 10.0)
    assert scale.noise == pytest.approx(12.0**-0.5)  # of a value rounded to whole steps
    quiet = scale_of(np.full(50, 3.0), percent=True, step=0.0)
    assert quiet.height == 0.5  # less than half a percent is no scale


@pytest.mark.closed
def test_a_level_over_the_least_before_and_ahead_of_it() -> None:
    """By hand: idle at 1, a cut at 3, then a stop at 0; heights of 2."""
    load = np.repeat([1.0, 3.0, 0.0], 20)
    grid = grid_of(POINT_S * np.arange(60.0), load, told_s=NONE, blocks_s=NONE)
    scale = Scale(low=1.0, height=2.0, noise=0.1, step=0.0)
    rows = rows_of(grid, scale, percent=True, blocks_known=False)
    assert rows[25, -2] == pytest.approx(np.arcsinh(5.0 * 1.0))  # 2 over the least of ten seconds before
    assert ahead_of(grid, scale)[25, 0] == pytest.approx(np.arcsinh(5.0 * 1.5))  # 3 over that ahead


@pytest.mark.closed
def test_a_fast_log_is_dated_between_its_points() -> None:
    """By hand: 100 values a second, a step from 1 to 5 at 4.00 s that takes 0.1 s, and back at 8.00 s."""
    seconds = np.arange(0.0, 12.0, 0.01)
    load = 1.0 + 4.0 * np.clip((seconds - 4.0) / 0.1, 0, 1) * (seconds < 8.0)
    load += 4.0 * np.clip(1.0 - (seconds - 8.0) / 0.1, 0, 1) * (seconds >= 8.0)
    log = FineLog(seconds, load)
    assert log.is_fine
    begin, full = log.begun(4.2, 8.0)
    np.testing.assert_allclose([begin, full], [4.03, 4.09], rtol=0, atol=1e-6)
    assert log.over(7.8, 4.0) == pytest.approx(8.03, abs=1e-6)
    assert log.over(6.0, 4.0) == 6.0  # nothing fell there: it stays where it was


@pytest.mark.closed
def test_the_story_so_far_says_what_the_newest_stretch_is() -> None:
    """By hand: stands, starts with a spike of 60, idles at 2, cuts at 10, idles again."""
    story, rng, told = StorySoFar(), np.random.default_rng(1), []
    parts = [(0.0, 4.0), (60.0, 1.0), (2.0, 6.0), (10.0, 8.0), (2.0, 6.0)]
    time_s = 0.0
    for level, lasts_s in parts:
        for _ in range(round(5 * lasts_s)):
            story.push(time_s, max(0.0, level + 0.02 * rng.standard_normal()) if level else 0.0, told=False)
            time_s += 0.2
        told.append(story.look(percent=True))
    stands, _, first, cut, last = (one for one in told if one is not None)
    assert first.kind in (AIR, IDLE)  # nothing to compare with yet
    assert (stands.kind, cut.kind, last.kind) == (STANDING, CUT, IDLE)
    assert (round(cut.idle), round(cut.cut_scale)) == (2, 8)


@pytest.mark.closed
def test_a_story_goes_on_after_what_is_old_was_settled() -> None:
    """By hand: two minutes of cuts of ten seconds; what is over for half a minute is kept as stretches."""
    story, rng = StorySoFar(), np.random.default_rng(2)
    assert story.look(percent=True) is None
    kinds = []
    for k in range(600):
        level = 10.0 if (k // 50) % 2 else 2.0
        story.push(0.2 * k, level + 0.05 * rng.standard_normal(), told=False)
        if k % 50 == 49:
            now = story.look(percent=True)
            assert now is not None
            kinds.append(now.kind)
    assert kinds[3:] == [CUT, IDLE] * 4 + [CUT]
