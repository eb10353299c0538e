"""The bench of the follower: the same counts for any number of workers, and intervals as published."""

import pytest
from scipy.stats import binomtest

from tools.bench_follow import run_all
from tools.tools_follow.tables import wilson


@pytest.mark.parity
def test_any_number_of_workers_gives_the_same_counts() -> None:
    line = "rearranged dry run"
    assert run_all(2, line, 2) == run_all(2, line, 1)


@pytest.mark.reference
@pytest.mark.parametrize(("good", "of"), [(9, 10), (0, 7), (64, 64), (150, 1000)])
def test_intervals_are_those_of_a_public_library(good: int, of: int) -> None:
    """SciPy `binomtest(...).proportion_ci(method="wilson")`; 1.96 for 1.959964 moves them by 1e-5."""
    low, high = binomtest(good, of).proportion_ci(method="wilson")
    assert wilson(good, of) == pytest.approx((low, high), rel=0, abs=2e-5)
