"""The memory against its plain-loop twin, and streaming against whole."""

from pathlib import Path

import numpy as np
import pytest

from listen.decide import network as by_network
from listen.decide.kernels import dense_rows, dense_tiles, run_memory, smooth_rows, tanh, weigh
from listen.decide.model import Dense, Layer, Model, Network, load_model, save_model
from listen.decide.network import ROWS_AT_ONCE, Memory, score_together, score_whole
from listen.errors import ModelError
from listen.states import EarRates
from tests.naive.naive_measure import run_memory as plain_memory


def layer(rng: np.random.Generator, n_inputs: int, n_units: int) -> Layer:
    def draw(*shape: int) -> np.ndarray:
        return (0.4 * rng.standard_normal(shape)).astype(np.float32)

    return Layer(
        w_input=draw(3 * n_units, n_inputs),
        b_input=draw(3 * n_units),
        w_state=draw(3 * n_units, n_units),
        b_state=draw(3 * n_units),
    )


def network(*, both_ways: bool, seed: int = 2) -> Network:
    rng = np.random.default_rng(seed)
    width = 10 if both_ways else 5

    def dense(n_outputs: int, n_inputs: int) -> Dense:
        weight = rng.standard_normal((n_outputs, n_inputs)).astype(np.float32)
        return Dense(weight=weight, bias=np.zeros(n_outputs, dtype=np.float32))

    return Network(
        mean=np.zeros(4, dtype=np.float32),
        scale=np.ones(4, dtype=np.float32),
        squeeze=dense(6, 4),
        forward=(layer(rng, 6, 5), layer(rng, width, 5)),
        backward=(layer(rng, 6, 5), layer(rng, width, 5)) if both_ways else (),
        heads=dense(3, width),
    )


@pytest.mark.twin
@pytest.mark.parametrize("n_units", [5, 37])
@pytest.mark.parametrize("silent", [slice(0, 5), slice(20, 25), slice(35, 40)])
def test_memory_equals_its_twin(silent: slice, n_units: int) -> None:
    """37 units: some are worked many at once, and some are left over."""
    rng = np.random.default_rng(1)
    inputs = rng.standard_normal((40, 6)).astype(np.float32)
    inputs[silent] = 0.0
    one = layer(rng, 6, n_units)
    given = inputs @ one.w_input.T + one.b_input
    outputs = np.empty((40, 2 * n_units), dtype=np.float32)
    for first, way in ((0, 1), (n_units, -1)):
        empty = np.zeros(n_units, dtype=np.float32)
        run_memory(given, one.state_columns, one.b_state, empty, outputs, first, way)
    weights = (one.w_input.tolist(), one.b_input.tolist(), one.w_state.tolist(), one.b_state.tolist())
    plain = [plain_memory(inputs[::way].tolist(), *weights)[::way] for way in (1, -1)]
    np.testing.assert_allclose(outputs, np.hstack(plain), rtol=0, atol=1e-5)


@pytest.mark.twin
@pytest.mark.parametrize("n_values", [1, 7, 8, 9, 48])
def test_weighed_columns_are_the_product(n_values: int) -> None:
    rng = np.random.default_rng(10)
    columns, values = (
        rng.standard_normal(shape).astype(np.float32) for shape in ((n_values, 12), (n_values,))
    )
    weigh(columns, values, sums := np.empty(12, dtype=np.float32))
    exact = values.astype(np.float64) @ columns.astype(np.float64)
    np.testing.assert_allclose(sums, exact, rtol=0, atol=1e-5)


@pytest.mark.twin
@pytest.mark.parametrize("n_rows", [1, 15, 16, 17, 40])
def test_tiles_give_what_rows_give(n_rows: int) -> None:
    rng = np.random.default_rng(9)
    rows, weight = (rng.standard_normal(shape).astype(np.float32) for shape in ((n_rows, 6), (15, 6)))
    bias = rng.standard_normal(15).astype(np.float32)
    dense_rows(rows, weight, bias, by_row := np.empty((n_rows, 15), dtype=np.float32))
    columns = np.ascontiguousarray(weight.T)
    dense_tiles(rows, columns, bias, by_tile := np.empty((n_rows, 15), dtype=np.float32))
    np.testing.assert_allclose(by_tile, by_row, rtol=0, atol=1e-5)


@pytest.mark.twin
@pytest.mark.parametrize("n_rows", [1, 2, 4, 5, 6, 40])
def test_smoothed_rows_equal_plain_means(n_rows: int) -> None:
    rows = np.random.default_rng(7).standard_normal((n_rows, 3))
    plain = [rows[max(i - 2, 0) : i + 3].mean(axis=0) for i in range(n_rows)]
    smooth_rows(rows, 2, smooth := np.empty(rows.shape))
    np.testing.assert_allclose(smooth, plain, rtol=0, atol=1e-12)


@pytest.mark.closed
def test_tanh_is_right_to_the_last_digit_of_single_precision() -> None:
    x = np.concatenate([np.linspace(-12.0, 12.0, 4801), [-1e9, 1e9, 1e-30]]).astype(np.float32)
    found = [float(tanh(value)) for value in x]
    np.testing.assert_allclose(found, np.tanh(x.astype(np.float64)), rtol=0, atol=2.0**-22)
    assert np.isnan(tanh(np.float32("nan")))


@pytest.mark.parity
@pytest.mark.parametrize("size", [1, 7, 50])
def test_batches_of_any_size_give_the_same_scores(size: int) -> None:
    features = np.random.default_rng(4).standard_normal((50, 4))
    live = network(both_ways=False)
    whole = Memory(live).push(features)
    memory = Memory(live)
    parts = [memory.push(features[i : i + size]) for i in range(0, 50, size)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


@pytest.mark.closed
def test_two_sided_scores_of_reversed_sound_swap_the_two_ways() -> None:
    """With the same weights both ways, time reversal only reverses the order of the scores."""
    rng = np.random.default_rng(6)
    one = layer(rng, 6, 5)
    both = network(both_ways=True)
    same = Network(
        mean=both.mean,
        scale=both.scale,
        squeeze=both.squeeze,
        forward=(one,),
        backward=(one,),
        heads=Dense(
            weight=np.hstack([np.eye(5), np.eye(5)]).astype(np.float32), bias=np.zeros(5, np.float32)
        ),
    )
    features = rng.standard_normal((30, 4))
    np.testing.assert_allclose(
        score_whole(same, features[::-1]), score_whole(same, features)[::-1], rtol=0, atol=1e-5
    )


@pytest.mark.parity
def test_a_long_recording_is_scored_in_parts_as_in_one(monkeypatch: pytest.MonkeyPatch) -> None:
    features = np.random.default_rng(9).standard_normal((3 * ROWS_AT_ONCE + 5, 4))
    in_parts = score_whole(network(both_ways=True), features)
    monkeypatch.setattr(by_network, "ROWS_AT_ONCE", 4 * ROWS_AT_ONCE)
    np.testing.assert_array_equal(in_parts, score_whole(network(both_ways=True), features))


def model() -> Model:
    rates = EarRates(
        false_bursts_per_hour=1.0,
        dropouts_per_hour=2.0,
        missed_share=0.01,
        onset_spread_s=0.02,
        offset_spread_s=0.03,
    )
    card = {
        "format": "cut-listen ear 1",
        "features": ["a", "b", "c", "d"],
        "features_version": 1,
        "rates": {name: getattr(rates, name) for name in EarRates.__dataclass_fields__},
    }
    two = (network(both_ways=True), network(both_ways=True, seed=3))
    later = (network(both_ways=True, seed=8),)
    return Model(name="x", live=network(both_ways=False), second=two, later=later, card=card, rates=rates)


@pytest.mark.closed
def test_a_model_folder_reads_back_the_same(tmp_path: Path) -> None:
    save_model(model(), tmp_path / "x")
    back = load_model(tmp_path / "x", features=("a", "b", "c", "d"), version=1)
    features = np.random.default_rng(4).standard_normal((10, 4))
    found, expected = (score_together(each.second, features) for each in (back, model()))
    np.testing.assert_array_equal(found, expected)
    apart = [score_whole(network, features) for network in back.second]
    np.testing.assert_allclose(found, (apart[0] + apart[1]) / 2.0, rtol=1e-12)
    assert back.rates == model().rates
    (asked,), (kept,) = back.later, model().later
    np.testing.assert_array_equal(score_whole(asked, features), score_whole(kept, features))


@pytest.mark.closed
def test_a_model_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="no model in"):
        load_model(tmp_path / "none", features=("a",), version=1)
    save_model(model(), tmp_path / "x")
    with pytest.raises(ModelError, match="fitted on features version 1, this ear measures version 2"):
        load_model(tmp_path / "x", features=("a", "b", "c", "d"), version=2)
    (tmp_path / "x" / "arrays.npz").write_bytes(b"torn")
    with pytest.raises(ModelError, match=r"arrays\.npz cannot be used"):
        load_model(tmp_path / "x", features=("a", "b", "c", "d"), version=1)
