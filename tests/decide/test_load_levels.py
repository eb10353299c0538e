"""A load log as levels, and the story of its idle level."""

import importlib
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from listen.decide.load_kernels import CUT, IDLE, STANDING, cut_into_levels
from listen.decide.load_levels import cut_levels, step_of, tell_story
from tests.naive.naive_levels import best_edges

TOOLS = Path(__file__).parents[2] / "tools"
NO_TIMES = np.empty(0)


@pytest.mark.twin
@pytest.mark.parametrize("seed", range(6))
def test_levels_are_those_of_trying_every_cut(seed: int) -> None:
    rng = np.random.default_rng(seed)
    load = np.repeat(rng.uniform(0, 8, 6), rng.integers(1, 20, 6)) + 0.2 * rng.standard_normal(1)
    load = load + 0.3 * rng.standard_normal(load.size)
    prices = rng.choice([6.0, 10.0], load.size)
    best, begin = np.empty(load.size + 1), np.empty(load.size + 1, np.int64)
    cut_into_levels(load, prices, 0.3, best, begin)
    cost, edges = best_edges(load, prices, 0.3)
    assert best[-1] == pytest.approx(cost, rel=1e-9)
    found = [load.size]
    while found[-1] > 0:
        found.append(int(begin[found[-1]]))
    assert found[::-1] == edges


def story_of(
    parts: Sequence[tuple[float, float]], *, percent: bool, hz: float = 10.0
) -> list[tuple[float, float, int]]:
    """Start, level and kind of each lasting stretch of a log made of (level, seconds), with little noise."""
    rng = np.random.default_rng(1)
    load: NDArray[np.float64] = np.concatenate([np.full(round(s * hz), level) for level, s in parts])
    load = load + 0.02 * rng.standard_normal(load.size)
    levels = cut_levels(np.arange(load.size) / hz, load, step=0.0, blocks_s=NO_TIMES)
    story = tell_story(levels, percent=percent, step=0.0, speeds_s=NO_TIMES)
    rows = zip(levels.start_s, levels.stop_s, levels.level, story.kind, strict=True)
    return [(round(float(a), 1), round(float(y), 1), int(kind)) for a, b, y, kind in rows if b - a > 1.5]


@pytest.mark.closed
def test_a_light_cut_between_idles_is_a_cut_and_a_spindle_start_is_not() -> None:
    """By hand: stands, starts with a spike of 60, idles at 2, cuts of 8 and of 0.5 over it."""
    parts = [(0.0, 4), (60.0, 1), (2.0, 6), (10.0, 8), (2.0, 4), (2.5, 10), (2.0, 4), (10.0, 8), (2.0, 5)]
    kinds = [kind for _, _, kind in story_of(parts, percent=True)]
    assert kinds == [STANDING, IDLE, CUT, IDLE, CUT, IDLE, CUT, IDLE]


@pytest.mark.closed
def test_idle_that_is_higher_after_a_change_of_speed_is_idle() -> None:
    parts = [(0.0, 4), (60.0, 1), (2.0, 6), (10.0, 8), (2.0, 6), (50.0, 1), (5.0, 8), (14.0, 9), (5.0, 8)]
    kinds = [kind for _, _, kind in story_of(parts, percent=True)]
    assert kinds == [STANDING, IDLE, CUT, IDLE, IDLE, CUT, IDLE]


@pytest.mark.closed
def test_in_amperes_feeding_in_air_is_not_a_cut_whether_first_or_last() -> None:
    """By hand: idle 0.35, feeding in air 0.6, cuts of 2.6: the air pass rises by a ninth of a cut."""
    parts = [(0.35, 5), (0.6, 5), (0.35, 2), (2.6, 5), (0.35, 2), (2.5, 5), (0.35, 2), (0.6, 5), (0.35, 4)]
    cuts = [at for at, _, kind in story_of(parts, percent=False) if kind == CUT]
    assert cuts == [12.0, 19.0]


@pytest.mark.closed
def test_the_step_of_the_values_is_seen() -> None:
    assert step_of(np.array([1.0, 2.0, 7.0])) == 1.0
    assert step_of(np.array([1.0, 2.3, 7.0])) == 0.1
    assert step_of(np.array([1.0, 2.31, 7.0])) == 0.0
    assert step_of(np.array([1.0, 2.0, 3.0, 2.0, 2.0, 1.0, 1.0, 4.0, 2.0, 2.0, 2.0, 1.5])) == 1.0


@pytest.mark.regression
@pytest.mark.parametrize(
    ("family", "least"),
    [("amps", 0.95), ("watts", 0.95), ("noise 1 percent, 5 Hz", 0.92), ("block means, noise 0.3", 0.95)],
)
def test_drawn_logs_are_right_by_time(family: str, least: float) -> None:
    """Made logs that nothing was fitted on; `tools/bench_load.py` prints all families."""
    sys.path.insert(0, str(TOOLS))
    try:
        bench = importlib.import_module("bench_load")
    finally:
        sys.path.remove(str(TOOLS))
    logs = [bench.log_of(family, seed) for seed in range(3)]
    shares = [bench.share_right(log, bench.hear(log, ())[1]) for log in logs]
    print(family, np.round(shares, 3))
    assert np.mean(shares) >= least
