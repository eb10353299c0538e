"""A learner's file: what it means for hold tables, as a file for a job, and gone when erased."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from listen.cli import FAILED, FINE, main
from listen.coach.learner import learner_of, operator_of, operator_text, words_of
from listen.coach.progress import FORMAT
from listen.errors import InputError
from listen.job import Machine, Operator
from listen.job_file import load_job
from listen.plan import plan_job

pytestmark = pytest.mark.closed
STEP = Path(__file__).parents[2] / "recordings_synthetic" / "step.toml"
# With jerk alone limiting, a stop from 1000 mm/min takes 0.36 mm (v·√(v/r) of the manual's section 6.8).
MACHINE = Machine(jerk_m_per_s3=35.0, acceleration_m_per_s2=100.0)


def pressed(*reactions_s: float) -> dict[str, Any]:
    return {"lesson": "hold", "reactions_s": list(reactions_s), "missed": 1, "false": 2, "day": "2030-02-01"}


def progress(*sessions: dict[str, Any]) -> dict[str, Any]:
    return {"format": FORMAT, "sessions": list(sessions)}


def test_slow_presses_lengthen_and_fast_ones_never_shorten() -> None:
    """95th percentile by hand: five of 0.2 s and one of 1.0 s give 0.2 + 0.75·0.8 = 0.8 s."""
    slow = learner_of(progress(pressed(0.2, 0.2, 0.2, 0.2, 0.2, 1.0)), MACHINE)
    assert slow.slow_s == pytest.approx(0.8)
    assert (operator_of(slow).expected_s, operator_of(slow).surprise_s) == (0.8, 1.6)
    fast = learner_of(progress(pressed(*[0.2] * 6)), MACHINE)
    assert operator_of(fast).expected_s == Operator().expected_s
    assert "faster never shortens" in list(words_of(fast, MACHINE, feed=1000.0))[-1]


def test_in_an_inch_job_the_travel_is_told_in_inches() -> None:
    """At 1016 mm/min, 40 inch/min, 0.4 s more are 6.77 mm, 0.267 inch."""
    slow = learner_of(progress(pressed(*[0.9] * 6)), MACHINE)
    told = list(words_of(slow, MACHINE, feed=1016.0, unit="inch"))[-1]
    assert "at 40 inch/min" in told
    assert " mm" not in told
    after, before = (float(text.split()[-1]) for text in told.replace(" inch ", "|").split("|")[:2])
    assert after - before == pytest.approx(6.773 / 25.4, abs=0.0011)
    fast = learner_of(progress(pressed(*[0.2] * 6)), MACHINE)
    assert " mm" not in list(words_of(fast, MACHINE, feed=1016.0, unit="inch"))[-1]


def test_too_few_presses_say_nothing() -> None:
    learner = learner_of(progress(pressed(*[0.9] * 5)), MACHINE)
    assert learner.slow_s is None
    assert operator_of(learner) == Operator()


def test_a_hold_at_the_machine_leaves_the_reaction_after_the_machines_own_way() -> None:
    """By hand at 1000 mm/min (16.67 mm/s): 12 mm less 0.36 and 0.83 mm of stop and panel are 0.65 s."""
    held = {"lesson": "machine", "travel_mm": 12.0, "feed": 1000.0, "day": "2030-02-01"}
    learner = learner_of(progress(*[held] * 6), MACHINE)
    assert learner.at_machine_s == pytest.approx([0.6426] * 6, abs=0.002)
    told = list(words_of(learner, MACHINE, feed=1000.0))[-1]
    assert told.startswith("hold tables reckon with 0.64 s instead of 0.50 s: at 1000 mm/min 12.0 mm")


@pytest.mark.parametrize(
    "session",
    [
        {"lesson": "hold", "reactions_s": ["fast"], "missed": 0, "false": 0},
        {"lesson": "hold", "reactions_s": 0.3, "missed": 0, "false": 0},
        {"lesson": "machine", "travel_mm": 3.0, "feed": 0.0},
        {"lesson": "machine", "travel_mm": None, "feed": 500.0},
        {"lesson": "name", "threshold_db": "low"},
    ],
)
def test_a_session_that_cannot_be_is_refused(session: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="needs"):
        learner_of(progress(session), MACHINE)


def test_an_operator_file_is_not_written_over_a_job(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine, job, own = tmp_path / "mine.json", tmp_path / "step.toml", tmp_path / "me.toml"
    mine.write_text(json.dumps(progress(pressed(*[0.8] * 6))))
    job.write_text(STEP.read_text())
    assert main(["coach", "--progress", str(mine), "--operator", str(job)]) == FAILED
    assert "must be new or an older operator file" in capsys.readouterr().err
    assert job.read_text() == STEP.read_text()
    for _ in range(2):
        assert main(["coach", "--progress", str(mine), "--operator", str(own)]) == FINE
    assert "reaction_s = 0.8" in own.read_text()


def test_the_operator_file_lengthens_the_holds_of_a_job_that_names_it(tmp_path: Path) -> None:
    """Lessons to hold table, through the files: 0.8 s instead of 0.5 s at the real speed of each hold."""
    learner = learner_of(progress(pressed(0.2, 0.2, 0.2, 0.2, 0.2, 1.0)), MACHINE)
    (tmp_path / "me.toml").write_text(operator_text(learner))
    (tmp_path / "step.nc").write_bytes(STEP.with_name("step.nc").read_bytes())
    (tmp_path / "step.toml").write_text('operator_from = "me.toml"\n' + STEP.read_text())
    job = load_job(tmp_path / "step.toml")
    assert job.operator.reaction_s == pytest.approx(0.8)
    own, usual = plan_job(job).timeline, plan_job(replace(job, operator=Operator())).timeline
    longer = [a.travel_mm - b.travel_mm for a, b in zip(own.holds, usual.holds, strict=True)]
    assert longer
    assert min(longer) > 0.0


def test_the_verb_reads_writes_and_erases(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, operator = tmp_path / "mine.json", tmp_path / "me.toml"
    named = {"lesson": "name", "threshold_db": 3.5, "answers": [], "day": "2030-01-31"}
    path.write_text(json.dumps(progress(named, pressed(*[0.7] * 6))))
    assert main(["coach", "--progress", str(path), "--operator", str(operator), "--job", str(STEP)]) == FINE
    told = capsys.readouterr().out
    assert "2030-01-31  names sounds from +3.5 dB over the air on" in told
    assert "hold tables reckon with 0.70 s instead of 0.50 s: at 800 mm/min" in told
    assert "reaction_s = 0.7" in operator.read_text()
    assert main(["coach", "--progress", str(path), "--erase"]) == FINE
    assert not path.exists()
    assert main(["coach", "--progress", str(path)]) == FAILED
    assert "there is none" in capsys.readouterr().err


@pytest.mark.parametrize("asked", [["--operator", "me.toml"], ["--erase"]])
def test_what_is_asked_of_a_learners_file_needs_the_file(
    asked: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["coach", *asked]) == FAILED
    assert "need --progress FILE" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
