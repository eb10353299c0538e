"""The mean of two fits: each network by its own share, and only where one went on from the other."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))
comparing = pytest.importorskip("tools_train.comparing")


SHARES = {"live": 0.5, "second": 0.25}


def _model(folder: Path, *, weight: float, scale: float = 2.0) -> Path:
    folder.mkdir()
    arrays = {}
    for part, n_heads in (("live", 2), ("second", 4)):
        arrays[f"{part}.mean"] = np.zeros(3)
        arrays[f"{part}.scale"] = np.full(3, scale)
        arrays[f"{part}.heads.weight"] = np.full((n_heads, 3), weight)
    np.savez(folder / "arrays.npz", allow_pickle=False, **arrays)
    return folder


def test_each_network_is_the_mean_by_its_own_share(tmp_path: Path) -> None:
    one, other = _model(tmp_path / "one", weight=1.0), _model(tmp_path / "other", weight=5.0)
    comparing.mean_of(one, other, tmp_path / "made", shares=SHARES)
    with np.load(tmp_path / "made" / "arrays.npz") as made:
        np.testing.assert_array_equal(made["live.heads.weight"], np.full((2, 3), 3.0))
        np.testing.assert_array_equal(made["second.heads.weight"], np.full((4, 3), 2.0))


def test_fits_that_scale_their_features_otherwise_are_not_blended(tmp_path: Path) -> None:
    one, other = _model(tmp_path / "one", weight=1.0), _model(tmp_path / "other", weight=1.0, scale=3.0)
    with pytest.raises(ValueError, match="did not go on"):
        comparing.mean_of(one, other, tmp_path / "made", shares=SHARES)


def test_a_network_brought_to_other_scales_scores_the_same() -> None:
    rng = np.random.default_rng(3)
    known = {"mean": rng.normal(size=5), "scale": rng.uniform(0.5, 2.0, 5)}
    known |= {"squeeze.weight": rng.normal(size=(4, 5)), "squeeze.bias": rng.normal(size=4)}
    made = comparing.brought_to(known, rng.normal(size=5), rng.uniform(0.5, 2.0, 5))
    features = rng.normal(size=5)
    before, after = (
        each["squeeze.weight"] @ ((features - each["mean"]) * each["scale"]) + each["squeeze.bias"]
        for each in (known, made)
    )
    np.testing.assert_allclose(after, before, rtol=1e-12)
