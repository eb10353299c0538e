"""The verb `teach` on run folders as a person has them."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from listen.cli import FAILED, FINE, main
from listen.decide import save_model
from listen.ears import shipped_model
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


def test_a_taught_model_is_erased_and_no_other(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shipped = shipped_model()
    save_model(replace(shipped, card={**shipped.card, "taught": {"from": "mill_ear"}}), tmp_path / "ours")
    save_model(shipped, tmp_path / "copy")
    (tmp_path / "ours" / "mine.txt").write_text("kept")
    assert main(["teach", "--forget", str(tmp_path / "ours")]) == FINE
    assert [path.name for path in (tmp_path / "ours").iterdir()] == ["mine.txt"]
    assert main(["teach", "--forget", str(tmp_path / "copy")]) == FAILED
    assert "nothing was erased" in capsys.readouterr().err
    assert len(list((tmp_path / "copy").iterdir())) == 2


def test_no_runs_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["teach", "--check"]) == FAILED
    assert "name at least one run folder" in capsys.readouterr().err
