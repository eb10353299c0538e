"""A first run knows that it will compile."""

from pathlib import Path

import pytest

from listen.expect import expect_timeline
from listen.expect.compiled import compiles_first
from tests.expect.hand_path import Hand, hand_job

pytestmark = pytest.mark.closed


def test_an_empty_cache_means_compiling_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    expect_timeline(Hand(at=(-20, 25, 10)).line(100, 25, -3).path(), hand_job())
    assert not compiles_first()
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    assert compiles_first()
