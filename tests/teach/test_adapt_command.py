"""The verb `teach` on run folders as a person has them."""

import json
from pathlib import Path

import pytest

from listen.cli import FAILED, FINE, main
from tests.teach.test_labels import write_labels, write_run

pytestmark = pytest.mark.closed


@pytest.fixture
def runs(tmp_path: Path) -> list[str]:
    """Two runs of even noise, each with one contact labelled in it that cannot be heard."""
    for name in ("monday", "tuesday"):
        write_run(tmp_path / name)
        write_labels(tmp_path / name)
    return [str(tmp_path / name) for name in ("monday", "tuesday")]


def test_check_counts_the_contact_that_cannot_be_heard(
    runs: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["teach", "--check", "--json", *runs]) == FINE
    told = json.loads(capsys.readouterr().out)
    assert [(row["run"], row["live"]["true"]) for row in told["runs"]] == [("monday", 1), ("tuesday", 1)]
    assert all(row["second look"]["matched"] == 0 for row in told["runs"])


def test_a_model_that_cannot_gain_stays_and_nothing_is_written(
    runs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["teach", *runs, "--out", str(tmp_path / "ours")]) == FINE
    assert "mill_ear stays" in capsys.readouterr().out
    assert not (tmp_path / "ours").exists()


def test_a_folder_that_is_there_is_not_written_over(
    runs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["teach", *runs, "--out", str(tmp_path / "monday")]) == FAILED
    assert "must be a new folder" in capsys.readouterr().err


def test_replay_refuses_a_model_that_is_not_there(
    runs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["replay", runs[0], "--model", str(tmp_path / "none"), "--out", str(tmp_path / "heard")]
    assert main(asked) == FAILED
    assert "no model in" in capsys.readouterr().err
    assert not (tmp_path / "heard").exists()
