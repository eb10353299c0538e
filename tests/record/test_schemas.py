"""Formats: each has a schema that holds what is written, and old versions open."""

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from listen.errors import RecordingError
from listen.record import Run, read_run, schema
from listen.record.lines import LINE_TYPES
from listen.replay_run import replay_recording
from listen.show import write_replay_page
from tests.record.made_run import write_made_run

pytestmark = pytest.mark.closed
RECORDINGS = Path(__file__).resolve().parents[2] / "recordings_synthetic"
FIRST_RUN = """\
{"type": "header", "format": "cut-listen decisions 1", "rate": 8000, "source": "old microphone"}
{"type": "gap", "start": 800, "stop": 1600, "reason": "pulled out"}
{"type": "event", "state": "entry", "at": 8000, "decided_at": 8400, "probability": 0.9}
{"type": "event", "state": "air", "at": 16000, "decided_at": 16400, "probability": 0.9}
{"type": "position", "at": 8000, "program_time": 1.0, "line": 4, "spread": 0.1, "rate": 1.0}
{"type": "verdict", "contact": null, "kind": "unexpected", "probability": 0.9, "called_at": 16400, \
"heard_onset": 8000, "heard_offset": 16000}
{"type": "flag", "at": 16400, "kind": "unexpected", "contact": null, "text": "a contact without a line"}
{"type": "end", "duration": 24000}
"""


@pytest.fixture(scope="module")
def decided() -> jsonschema.Draft202012Validator:
    """What holds every line of decisions."""
    return jsonschema.Draft202012Validator(schema("decision-1"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return write_made_run(tmp_path_factory.mktemp("made") / "run")


def lines_of(folder: Path) -> list[dict[str, Any]]:
    """Every line of the decisions."""
    return [json.loads(line) for line in (folder / "decisions.jsonl").read_text().splitlines()]


@pytest.mark.parametrize("name", ["run-1", "decision-1", "labels-1"])
def test_schemas_are_schemas(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema(name))


def test_every_kind_of_line_is_described() -> None:
    told = {
        word
        for one in schema("decision-1")["$defs"].values()
        for word in [one.get("properties", {}).get("type", {})]
        for word in word.get("enum", [word.get("const")])
    }
    assert set(LINE_TYPES) | {"header", "end", "refined event", "refined verdict"} <= told


def test_every_line_that_is_written_fits(decided: jsonschema.Draft202012Validator, made: Run) -> None:
    for line in lines_of(made.folder):
        decided.validate(line)


def test_every_line_of_a_replay_fits(decided: jsonschema.Draft202012Validator, tmp_path: Path) -> None:
    replay_recording(
        RECORDINGS / "never.ogg",
        out=tmp_path / "run",
        write_page=lambda run, path: None,
        job=RECORDINGS / "step.toml",
    )
    lines = lines_of(tmp_path / "run")
    for line in lines:
        decided.validate(line)
    assert {"event", "refined event", "verdict", "position", "flag"} <= {line["type"] for line in lines}
    jsonschema.validate(json.loads((tmp_path / "run" / "run.json").read_text()), schema("run-1"))


@pytest.mark.parametrize(
    ("kind", "change"),
    [
        ("event", {"state": "hum"}),
        ("event", {"at": -1}),
        ("event", {"probability": 1.5}),
        ("verdict", {"kind": "perhaps"}),
        ("flag", {"text": None}),
        ("header", {"rate": 100}),
        ("header", {"format": "cut-listen decisions 2"}),
        ("end", {"duration": 1.5}),
    ],
)
def test_what_is_wrong_does_not_fit(
    decided: jsonschema.Draft202012Validator, made: Run, kind: str, change: dict[str, Any]
) -> None:
    line = next(line for line in lines_of(made.folder) if line["type"] == kind)
    assert decided.is_valid(line)
    assert not decided.is_valid(line | change)
    assert not decided.is_valid({key: value for key, value in line.items() if key not in change})


@pytest.mark.regression
def test_a_run_as_first_written_still_opens(decided: jsonschema.Draft202012Validator, tmp_path: Path) -> None:
    """Version 1 as it was before anything was added to it; it stays as it is here."""
    folder = tmp_path / "old"
    folder.mkdir()
    (folder / "decisions.jsonl").write_text(FIRST_RUN)
    for line in FIRST_RUN.splitlines():
        decided.validate(json.loads(line))
    run = read_run(folder)
    assert (run.rate, run.duration, run.complete) == (8000, 24000, True)
    assert [str(event.state) for event in run.events] == ["entry", "air"]
    assert [str(row.verdict) for row in run.contacts] == ["unexpected"]
    assert len(run.gaps) == len(run.flags) == len(run.positions) == 1
    write_replay_page(run, folder / "timeline.html")
    assert "old microphone" in (folder / "timeline.html").read_text()


def test_a_newer_version_is_refused_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "decisions.jsonl").write_text(FIRST_RUN.replace("decisions 1", "decisions 2"))
    with pytest.raises(RecordingError, match=r"got 'cut-listen decisions 2'; is it from a newer version\?"):
        read_run(tmp_path)
