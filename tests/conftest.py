"""What all tests share: where data for evaluation lies, and no silent skips in CI."""

import os
from collections.abc import Generator
from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[1].parent / "shared"
MAY_BE_ABSENT = "../shared"


@pytest.fixture
def shared_data() -> Path:
    """The folder of real recordings, for evaluation only; skips where it is not laid out."""
    if not (SHARED / "data").is_dir():
        pytest.skip(f"no recordings: {MAY_BE_ABSENT}/data is not beside the checkout")
    return SHARED / "data"


def _is_forbidden(report: pytest.TestReport | pytest.CollectReport) -> bool:
    """True for a skip in CI, unless it says that ../shared is not there."""
    return report.skipped and bool(os.environ.get("CI")) and MAY_BE_ABSENT not in str(report.longrepr)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """With CI set, a skipped test is a failed one."""
    report = yield
    if _is_forbidden(report):
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not allow: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for a whole file that is skipped while it is collected."""
    report = yield
    if _is_forbidden(report):
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not allow: {report.longrepr}"
    return report
