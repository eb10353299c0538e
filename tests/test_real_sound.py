"""The whole chain on real recordings that lie beside the checkout; they are no part of the project.

Truths are those of the data's own table: label times of the CNC Machine Tool Cutting Sound Dataset
(public repository purduelamm/mt_cutting_dataset, experiment Exp1-5, passes 31 and 32, less 94.125 s),
and for the others what was read off the energy curve, so within 0.2 s.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from listen.cli import FINE, main
from listen.record import read_run

pytestmark = pytest.mark.reference
JOBS = Path(__file__).parent / "jobs"
PASSES = [(0.14, 0.875), (1.70, 2.525)]


def replayed(arguments: list[str], out: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    status = main(["replay", *arguments, "--out", str(out)])
    capsys.readouterr()
    run: dict[str, Any] = json.loads((out / "run.json").read_text())
    assert status == (1 if run["flags"] else FINE)
    return run


def contacts(run: dict[str, Any]) -> list[tuple[float, float]]:
    """From each refined entry to the air after it [s]."""
    starts = [event["onset_s"] for event in run["refined"] if event["state"] == "entry"]
    stops = [event["onset_s"] for event in run["refined"] if event["state"] == "air"]
    return list(zip(starts, stops, strict=True))


def test_two_passes_are_heard_and_as_expected(
    shared_data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = ["--job", str(JOBS / "two_passes.toml")]
    run = replayed([str(shared_data / "mic_two_passes.flac"), *job], tmp_path / "run", capsys)
    np.testing.assert_allclose(contacts(run), PASSES, rtol=0, atol=0.2)
    assert [contact["verdict"] for contact in run["contacts"]] == ["as expected", "as expected"]
    assert run["flags"] == []


def test_air_has_no_contact(shared_data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = replayed([str(shared_data / "mic_idle.flac")], tmp_path / "run", capsys)
    assert run["refined"] == []


def test_a_chattering_cut_is_one_contact(
    shared_data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Read off the energy curve to 0.2 s, and heard to 0.3 s; chatter is found with its frequency."""
    run = replayed([str(shared_data / "mic_chatter.flac")], tmp_path / "run", capsys)
    np.testing.assert_allclose(contacts(run), [(0.8, 15.7)], rtol=0, atol=0.3 + 0.2)
    found = read_run(tmp_path / "run").findings
    assert found
    assert {finding.kind for finding in found} == {"chatter"}
    assert all(finding.frequency_hz > 0.0 for finding in found)


def test_a_steady_cut_is_one_contact(
    shared_data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Begin as above. Its end, 6.9 s by the energy curve, is heard half a second late: not held here."""
    run = replayed([str(shared_data / "mic_steady.flac")], tmp_path / "run", capsys)
    assert len(contacts(run)) == 1
    assert contacts(run)[0][0] == pytest.approx(1.5, abs=0.3 + 0.2)


def test_load_alone_finds_six_cuts(
    shared_data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = [
        "--load",
        str(shared_data / "spindle_current.csv"),
        "--columns",
        "time=time_s,current=spindle_current",
    ]
    run = replayed(["-", *log], tmp_path / "run", capsys)
    truth = [(7.65, 12.22), (13.03, 17.54), (18.79, 23.31), (34.14, 38.71), (39.52, 44.03), (45.28, 49.80)]
    np.testing.assert_allclose(contacts(run), truth, rtol=0, atol=0.1)


def test_both_air_passes_of_a_measured_current_are_not_heard(
    shared_data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An invented job of eight passes at about the times that the README gives; two of them are air."""
    job = Path(__file__).parent / "hear" / "eight_passes.toml"
    log = ["--load", str(shared_data / "spindle_current.csv"), "--job", str(job)]
    run = replayed(["-", *log], tmp_path / "run", capsys)
    verdicts = [contact["verdict"] for contact in run["contacts"]]
    cut, air = "as expected", "not heard"
    assert verdicts == [cut, cut, cut, air, cut, cut, cut, air]
