"""Compiled loops of expect against plain ones."""

import numpy as np
import pytest

from listen.expect import clear_kernels, kernels
from listen.expect.mesh_kernels import drape
from tests.naive import expect_kernels as naive

pytestmark = pytest.mark.twin
GRID = np.array([0.0, 0.0, 0.5, 0.4, -6.0])
TOOLS = {
    "flat": (2.0, 0.0, 0.0),
    "ball": (2.0, 2.0, 0.0),
    "bull nose": (2.0, 0.5, 0.0),
    "point": (2.0, 0.0, 0.6),
}


def _segments(rng: np.random.Generator, tool: tuple[float, float, float], n: int) -> np.ndarray:
    moved = rng.uniform(-3.0, 3.0, (n + 1, 3)) * np.array([1.0, 1.0, 0.3])
    places = np.array([5.0, 4.0, -2.0]) + np.cumsum(moved, axis=0)
    rows = np.zeros((n, kernels.N_SEGMENT_COLUMNS))
    rows[:, 0:3], rows[:, 3:6] = places[:-1], places[1:]
    rows[:, 6], rows[:, 7] = np.arange(n), np.arange(n) + 1.0
    rows[:, 8:11] = tool
    lengths = np.linalg.norm(rows[:, 3:6] - rows[:, 0:3], axis=1)
    rows[:, kernels.S0] = np.cumsum(lengths) - lengths
    return rows


def _swept(field: np.ndarray, segments: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    left = field.copy()
    n_steps = np.maximum(
        1, np.ceil(np.linalg.norm(segments[:, 3:6] - segments[:, 0:3], axis=1) / 0.1)
    ).astype(int)
    records = np.empty((int(n_steps.sum()), kernels.N_RECORD_COLUMNS))
    judged = np.ones(len(segments), dtype=np.bool_)
    n = kernels.sweep(left, GRID, segments, judged, n_steps.astype(np.int64), 0.0, records)
    return left, records[:n]


@pytest.mark.parametrize("tool", TOOLS.values(), ids=TOOLS.keys())
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_swept_field_is_that_of_a_tool_lowered_place_by_place(
    tool: tuple[float, float, float], seed: int
) -> None:
    segments = _segments(np.random.default_rng(seed), tool, 4)
    field = np.zeros((20, 20))
    slow = naive.swept_field(field, GRID, segments)
    fast, records = _swept(field, segments)
    # the slow one sees 200 places a move: a cell just at the rim may be missed by one of the two
    differs = np.abs(fast - slow) > 0.02
    assert differs.sum() <= 3
    assert (fast <= slow + 0.005).mean() > 0.99  # the compiled one never leaves more
    removed = (field - fast).sum() * GRID[2] * GRID[3]
    assert records[:, kernels.VOLUME].sum() == pytest.approx(removed, rel=0.02)


@pytest.mark.parametrize("tool", TOOLS.values(), ids=TOOLS.keys())
def test_a_second_run_over_the_same_moves_removes_nothing(tool: tuple[float, float, float]) -> None:
    segments = _segments(np.random.default_rng(5), tool, 6)
    left, _ = _swept(np.zeros((20, 20)), segments)
    again, records = _swept(left, segments)
    np.testing.assert_array_equal(again, left)
    assert len(records) == 0


@pytest.mark.parametrize("tool", TOOLS.values(), ids=TOOLS.keys())
def test_distance_to_stock(tool: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(7)
    field = rng.uniform(-6.5, 0.0, (20, 20))
    for _ in range(30):
        x, y, z = rng.uniform([-4.0, -4.0, -4.0], [14.0, 12.0, 4.0])
        fast = clear_kernels.distance_to_stock(field, GRID, x, y, z, tool, 3.0)
        assert fast == pytest.approx(naive.distance_to_stock(field, GRID, (x, y, z), tool, 3.0), abs=1e-12)


def test_a_draped_field() -> None:
    rng = np.random.default_rng(9)
    triangles = rng.uniform([0.0, 0.0, -6.0], [10.0, 8.0, 0.0], (12, 3, 3))
    field = np.full((20, 20), -6.0)
    fast = field.copy()
    drape(fast, GRID, triangles)
    np.testing.assert_allclose(fast, naive.draped(field, GRID, triangles), rtol=0, atol=1e-9)


def test_nothing_is_cut_by_moves_of_tools_that_are_not_judged() -> None:
    segments = _segments(np.random.default_rng(1), TOOLS["flat"], 3)
    field = np.zeros((20, 20))
    records = np.empty((100, kernels.N_RECORD_COLUMNS))
    n_steps = np.full(3, 10, dtype=np.int64)
    n = kernels.sweep(field, GRID, segments, np.zeros(3, dtype=np.bool_), n_steps, 0.0, records)
    assert (n, float(field.min())) == (0, 0.0)
