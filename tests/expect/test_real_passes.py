"""Labelled contact durations of real passes, predicted from cutter, width, feed and one stock length."""

import csv
import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
PASSES = ROOT.parent / "shared" / "data" / "passes.csv"
pytestmark = [
    pytest.mark.reference,
    pytest.mark.skipif(not PASSES.is_file(), reason="the labelled passes are not beside the checkout"),
]


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bench_expect", ROOT / "tools" / "bench_expect.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("experiment", ["Exp0-2", "Exp1-5", "Exp4-3"])
def test_durations_of_an_experiment(bench: ModuleType, experiment: str) -> None:
    """CNC Machine Tool Cutting Sound Dataset, labels of an expert from sound and video."""
    with PASSES.open() as file:
        rows = [row for row in csv.DictReader(file) if row["experiment"] == experiment]
    errors = np.abs(bench.pass_errors(rows))
    assert np.median(errors) <= 0.025
    assert np.quantile(errors, 0.95) <= 0.100
