"""Chatter from its cause, held against the published one-degree-of-freedom benchmark."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import expm

from listen.synth.kernels import step_mill
from listen.synth.regenerative import (
    BENCHMARK,
    chatter_line_hz,
    free_motion,
    limit_depth_m,
    multiplier,
    natural_mill,
    vibrate,
)
from tests.naive.step_mill import step_mill_plainly


@pytest.mark.reference
@pytest.mark.parametrize(("depth_mm", "size"), [(0.2, 0.8192), (0.5, 1.0726), (1.0, 1.4040)])
def test_multipliers_are_those_of_the_benchmark(depth_mm: float, size: float) -> None:
    """Ding et al. 2010, full slot, 5000 rpm, reference values (from memory): within 0.3 %."""
    value = multiplier(BENCHMARK, rpm=5000.0, depth_m=depth_mm * 1e-3)
    assert abs(value) == pytest.approx(size, rel=0.003)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("rpm", "limit_mm"),
    [
        (5000, 0.406),
        (8000, 0.675),
        (10000, 0.322),
        (12000, 2.15),
        (13830, 3.50),
        (15000, 0.387),
        (20000, 1.42),
    ],
)
def test_limit_depths_lie_within_three_percent_of_the_benchmark(rpm: float, limit_mm: float) -> None:
    """Computed for the benchmark's parameters by semi-discretisation, extrapolated (± 2 %)."""
    assert abs(multiplier(BENCHMARK, rpm=rpm, depth_m=0.97e-3 * limit_mm, n_steps=160)) < 1.0
    assert abs(multiplier(BENCHMARK, rpm=rpm, depth_m=1.03e-3 * limit_mm, n_steps=160)) > 1.0


@pytest.mark.reference
@pytest.mark.parametrize(
    ("rpm", "depth_mm", "line_hz"),
    [
        (5000, 0.42, 944.0),
        (10000, 0.33, 931.0),
        (15000, 0.395, 928.0),
        (12000, 2.2, 1000.0),
        (20000, 1.45, 1000.0),
    ],
)
def test_chatter_lines_are_those_of_the_benchmark(rpm: float, depth_mm: float, line_hz: float) -> None:
    """Just above the limit; at 12000 and 20000 rpm period doubling at (k + ½)·f_tp = 1000 Hz."""
    line = chatter_line_hz(BENCHMARK, rpm=rpm, depth_m=depth_mm * 1e-3, n_steps=160)
    assert line == pytest.approx(line_hz, rel=0, abs=2.0)


def _change_over_a_tooth(depth_mm: float, n_periods: int) -> NDArray[np.float64]:
    """Greatest change of x from tooth to tooth in each period at 5000 rpm; 0 in a settled stable cut."""
    n_steps = 240
    depth = np.full(n_steps * n_periods, depth_mm * 1e-3)
    x, _ = vibrate(BENCHMARK, rpm=5000.0, depth_m=depth, feed_per_tooth_m=1e-2, n_steps=n_steps)
    change = np.abs(x[n_steps:] - x[:-n_steps])
    return np.asarray(change.reshape(-1, n_steps).max(axis=1))


@pytest.mark.reference
def test_in_time_a_shallow_slot_settles_and_a_deep_one_chatters() -> None:
    """Limit 0.406 mm at 5000 rpm: 0.40 decays, 0.45 grows (benchmark parameters, time stepping)."""
    stable, unstable = _change_over_a_tooth(0.40, 140), _change_over_a_tooth(0.45, 140)
    assert stable[120] < 0.9 * stable[20]
    assert unstable[120] > 5.0 * unstable[20]


@pytest.mark.reference
def test_vibration_grows_as_the_multiplier_says() -> None:
    """0.5 mm at 5000 rpm: 1.074 a tooth period, ×10 in 194 ms (32.3 periods of 6 ms)."""
    change = _change_over_a_tooth(0.5, 60)
    assert (change[50] / change[20]) ** (1.0 / 30.0) == pytest.approx(1.074, rel=0.006)


@pytest.mark.closed
def test_vibration_stops_growing_when_the_teeth_leave_the_metal() -> None:
    n_steps = 240
    depth = np.full(n_steps * 150, 1e-3)
    x, force = vibrate(BENCHMARK, rpm=5000.0, depth_m=depth, feed_per_tooth_m=1e-4, n_steps=n_steps)
    assert np.abs(x).max() < 5e-3
    assert np.mean(force[-20 * n_steps :] == 0.0) > 0.02


@pytest.mark.twin
@pytest.mark.parametrize("deeper", [1.0, 40.0])
def test_the_kernel_equals_the_plain_loop(deeper: float) -> None:
    """As deep as it is cut, and so deep that chips reach their limit; there rounding grows with the wave."""
    rng = np.random.default_rng(4)
    depth = deeper * np.concatenate([np.zeros(30), rng.uniform(0.0, 2e-3, 400), np.full(200, 2e-3)])
    weights = rng.uniform(-1e8, 8e8, 36)
    moved, pushed = np.array([[0.99, 2e-5], [-700.0, 0.98]]), np.array([5e-9, 6e-4])
    quick = step_mill(depth, weights, moved, pushed, 3, 12, 1e-4, 1e-6)
    plain = step_mill_plainly(depth, weights, moved, pushed, 3, 12, 1e-4, 1e-6)
    for one, other in zip(quick, plain, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9 if deeper == 1.0 else 1e-6, atol=1e-12)


@pytest.mark.twin
def test_free_motion_is_the_matrix_exponential() -> None:
    """Against scipy.linalg.expm: swinging, creeping, running away, and the border between (a = p²)."""
    stiffness = np.array([3.4e7, 10.0, -2e6, 2500.0])
    matrices = np.zeros((4, 2, 2))
    matrices[:, 0, 1], matrices[:, 1, 0], matrices[:, 1, 1] = 1.0, -stiffness, -100.0
    np.testing.assert_allclose(free_motion(matrices, 1e-3), expm(matrices * 1e-3), rtol=1e-9, atol=1e-9)


@pytest.mark.closed
def test_another_frequency_keeps_the_stiffness() -> None:
    """Stiffness is m·(2πf)²: half the frequency needs four times the mass."""
    mill = natural_mill(teeth=2, natural_hz=461.0, arc=(0.0, np.pi))
    assert mill.mass_kg == pytest.approx(4.0 * 0.03993, rel=1e-9)


@pytest.mark.closed
@pytest.mark.parametrize("natural_hz", [500.0, 3600.0])
def test_a_cut_far_too_deep_stays_finite(natural_hz: float) -> None:
    """No force is above that of 20 chips; at resonance such a force moves the tool by 4/π·F/(2ζk)."""
    mill = natural_mill(teeth=2, natural_hz=natural_hz, arc=(0.0, np.pi))
    depth_m = 20.0 * limit_depth_m(mill, rpm=6000.0, n_steps=60)
    x, force = vibrate(mill, rpm=6000.0, depth_m=np.full(24000, depth_m), feed_per_tooth_m=1e-4, n_steps=240)
    strongest = 2e-3 * depth_m * float(np.hypot(mill.tangential, mill.normal)) * mill.teeth
    assert np.abs(force).max() <= strongest
    stiffness = mill.mass_kg * (2.0 * np.pi * natural_hz) ** 2
    assert np.abs(x).max() <= 4.0 / np.pi * strongest / (2.0 * mill.damping * stiffness)
