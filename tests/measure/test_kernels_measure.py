"""The kernels of `measure` against their plain-loop twins."""

import numpy as np
import pytest

from listen.measure.envelope_kernels import follow_envelope, new_envelope
from listen.measure.kernels import (
    follow_extremes,
    follow_flux,
    follow_references,
    mean_in_bands,
    mean_in_regions,
)
from listen.measure.line_kernels import N_LINES, LongMemory, follow_flatness, strongest_lines
from tests.naive import naive_measure as plain

HOP_S = 0.01


def levels(n_frames: int, n_columns: int, *, quiet_from: int) -> np.ndarray:
    table = -60.0 + 8.0 * np.random.default_rng(5).standard_normal((n_frames, n_columns))
    table[quiet_from : quiet_from + 10] = -170.0  # digital silence
    return table


@pytest.mark.twin
@pytest.mark.parametrize("quiet_from", [0, 60, 140])
def test_references_equal_their_twin(quiet_from: int) -> None:
    table = levels(150, 3, quiet_from=quiet_from)
    alive = np.array([True, True, False])
    contrast = np.empty((150, 12))
    follow_references(table, alive, np.zeros((4, 3)), np.array([0.0, -300.0]), HOP_S, contrast)
    expected = plain.follow_references(table.tolist(), alive.tolist(), HOP_S)
    np.testing.assert_allclose(contrast, expected, rtol=0, atol=1e-9)


@pytest.mark.twin
@pytest.mark.parametrize("quiet_from", [0, 60, 140])
def test_extremes_equal_their_twin(quiet_from: int) -> None:
    table = levels(150, 2, quiet_from=quiet_from)
    extremes = np.empty((150, 8))
    follow_extremes(table, np.zeros((40, 2)), np.zeros(3), HOP_S, extremes)
    np.testing.assert_allclose(extremes, plain.follow_extremes(table.tolist(), 40, HOP_S), rtol=0, atol=1e-9)


@pytest.mark.twin
def test_bands_and_regions_equal_their_twins() -> None:
    rng = np.random.default_rng(8)
    power = rng.standard_normal((6, 40)) ** 2
    power[2] = 0.0  # digital silence
    first, last = np.array([1, 5, 9, 20]), np.array([5, 6, 20, 40])
    alive, region = np.array([True, True, True, False]), np.array([0, 0, 1, 2])
    density = np.empty((6, 4))
    mean_in_bands(power, first, last, alive, 1e-17, density)
    pairs = list(zip(first, last, strict=True))
    sure = [[max(sum(row[a:b]) / (b - a), 1e-17) for a, b in pairs] for row in power]
    np.testing.assert_allclose(density[:, :3], np.array(sure)[:, :3], rtol=1e-12)
    assert (density[:, 3] == 1e-17).all()
    levels_db = np.empty((6, 3))
    mean_in_regions(density, alive, region, levels_db)
    expected = plain.mean_in_regions(density.tolist(), alive.tolist(), region.tolist(), 3)
    np.testing.assert_allclose(levels_db, expected, rtol=0, atol=1e-9)


@pytest.mark.twin
@pytest.mark.parametrize("quiet_from", [0, 60, 140])
def test_flux_equals_its_twin(quiet_from: int) -> None:
    table = levels(150, 3, quiet_from=quiet_from)
    alive = np.array([True, True, False])
    flux, past = np.empty((150, 2)), np.zeros((3, 3))
    for start, stop in ((0, 1), (1, 77), (77, 150)):
        follow_flux(table[start:stop], alive, past, start, flux[start:stop])
    np.testing.assert_allclose(flux, plain.follow_flux(table.tolist(), alive.tolist()), rtol=0, atol=1e-9)


@pytest.mark.twin
@pytest.mark.parametrize("quiet_from", [0, 1000, 2200])
def test_envelope_equals_its_twin(quiet_from: int) -> None:
    """At a hop that eight does not divide; infinity and NaN never come here, blocks refuse them."""
    hop, n_hops = 83, 30
    sound = np.random.default_rng(6).standard_normal(hop * n_hops) * (
        1.0 + np.sin(np.arange(hop * n_hops) / 30.0)
    )
    sound[quiet_from : quiet_from + 290] = 0.0
    features = np.empty((n_hops, 3))
    follow_envelope(np.concatenate([[0.0], sound]), 1, 0, new_envelope(hop), features)
    np.testing.assert_allclose(features, plain.follow_envelope(sound.tolist(), hop), rtol=1e-9, atol=1e-12)


@pytest.mark.twin
@pytest.mark.parametrize("n_loud", [0, 3, 9])
def test_strongest_lines_equal_their_twin(n_loud: int) -> None:
    log_power = -12.0 + 0.5 * np.random.default_rng(n_loud).standard_normal(900)
    log_power[300:310] = np.log(1e-20)  # digital silence
    log_power[40 : 40 + 90 * n_loud : 90] += 3.0 + np.arange(n_loud) % 4
    found = np.ones(3 * N_LINES)
    strongest_lines(log_power, 10.0, found)
    expected = np.zeros(3 * N_LINES)
    flat = np.ravel(plain.strongest_lines(log_power.tolist(), 10.0)[:N_LINES])
    expected[: flat.size] = flat
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)


@pytest.mark.closed
def test_flatness_of_even_power_is_nought_and_of_a_line_far_below() -> None:
    """One bin of 100 holds 1, the rest 1e-6: mean of logs less log of mean, by hand."""
    memory = LongMemory(seen=np.zeros(1), flat=np.zeros(2), held=np.zeros(4))
    power = np.concatenate([np.full(100, 2.0), np.full(100, 1e-6)])
    power[150] = 1.0
    follow_flatness(power, np.log(power), np.array([0, 100, 200]), memory, 0.1)
    expected = 0.99 * np.log(1e-6) - np.log((1.0 + 99e-6) / 100.0)
    np.testing.assert_allclose(memory.held, [0.0, expected, 0.0, 0.0], rtol=0, atol=1e-9)
