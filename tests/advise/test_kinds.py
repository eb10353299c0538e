"""What each kind of run tells, from made sound to the words on the terminal."""

import json
import re
import shutil
from pathlib import Path

import pytest

from listen.cli import main
from listen.expect.stopping import RealClock
from listen.job_file import load_job
from listen.plan import plan_job
from listen.record import Run, read_run
from listen.told import Cue
from tools.tools_advise.made import RATE, make_run, timeline_of

pytestmark = pytest.mark.closed
FOLDER = Path(__file__).resolve().parents[2] / "recordings_synthetic"
SEED = 106
HOLDING = {"exit soon", "hold now", "exit heard", "no room to hold here", "next rung", "distance"}


def job_of(kind: str, folder: Path) -> Path:
    """The invented step job, as another kind of run."""
    shutil.copy(FOLDER / "step.nc", folder)
    text = (FOLDER / "step.toml").read_text()
    (folder / "step.toml").write_text(
        text.replace('program = "step.nc"', f'program = "step.nc"\nkind = "{kind}"')
    )
    assert load_job(folder / "step.toml").kind == kind
    return folder / "step.toml"


def replayed(recording: Path, kind: str, folder: Path) -> tuple[Run, int]:
    status = main(
        ["replay", str(recording), "--job", str(job_of(kind, folder)), "--out", str(folder / "run")]
    )
    return read_run(folder / "run"), status


def raised(folder: Path, *, seed: int, touching: tuple[int, ...] = ()) -> Path:
    """The sound of a run in which only these contacts touch."""
    import soundfile

    from listen.synth import Fault

    timeline = timeline_of()
    faults = tuple(Fault(kind="missing", contact=c.id) for c in timeline.contacts if c.id not in touching)
    made = make_run(timeline, seed, faults=faults, snr_db=18.0)
    soundfile.write(folder / "raised.flac", made.samples, RATE)
    return folder / "raised.flac"


def test_a_raised_run_that_touches_nothing_raises_no_flag(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run, status = replayed(raised(tmp_path, seed=SEED), "raised dry run", tmp_path)
    assert (run.flags, status) == ((), 0)
    assert not {cue.kind for cue in run.cues} & HOLDING
    words = " ".join(capsys.readouterr().out.split())
    assert "raised dry run: no contact heard, as it should be (3 would come in the cut)" in words
    assert words.count(" no contact ") == 4  # the sentence, and a row for each


def test_in_a_raised_run_a_contact_is_a_flag_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run, status = replayed(raised(tmp_path, seed=SEED, touching=(2,)), "raised dry run", tmp_path)
    assert status == 1
    assert [flag.kind for flag in run.flags] == ["contact in a raised dry run"]
    (touched,) = (contact.heard for contact in run.contacts if contact.heard)
    assert run.flags[0].at - touched.onset < 1.0 * run.rate
    at_once = [cue for cue in run.cues if cue.text == "CONTACT in a raised dry run: hold."]
    assert min(abs(cue.at - touched.onset) for cue in at_once) < 0.25 * run.rate
    assert "1 contact heard where nothing should touch" in " ".join(capsys.readouterr().out.split())


def test_a_good_repeat_is_quiet_and_a_changed_one_is_flagged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run, status = replayed(FOLDER / "good.ogg", "repeat", tmp_path)
    assert (run.flags, run.cues, status) == ((), (), 0)
    run, status = replayed(FOLDER / "gone.ogg", "repeat", tmp_path)
    assert ([flag.kind for flag in run.flags], status) == (["ended early"], 1)
    assert {cue.kind for cue in run.cues} <= {
        "before its line",
        "cutting stopped",
        "still cutting",
        "nothing since",
    }
    capsys.readouterr()


def test_a_first_cut_is_told_when_to_hold(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each pass gets its "exit soon" before its end and its "hold now" just after, with the time left.

    Left: from the word on the page (0.15 s) to the true end, and from there to the last press of the sheet.
    """
    run, _ = replayed(FOLDER / "good.ogg", "first cut", tmp_path)
    plan = plan_job(load_job(FOLDER / "step.toml"))
    clock = RealClock(plan.path, feed=1.0, rapid=0.5)
    ends = {
        one["contact"]: one["air_s"] for one in json.loads((FOLDER / "good.json").read_text())["contacts"]
    }
    for contact, hold in zip(plan.timeline.contacts, plan.timeline.holds, strict=True):
        soon, now = (_first(run, kind, contact.id) for kind in ("exit soon", "hold now"))
        assert 0.5 < ends[contact.id] - soon.at / run.rate < 2.5
        assert abs(now.at / run.rate - ends[contact.id]) < 0.3
        left_s = ends[contact.id] - now.at / run.rate - 0.15 + clock.between(contact.stop, hold.until_s)
        said = re.search(r"([0-9.]+) s to press", now.text)
        assert said
        assert float(said[1]) == pytest.approx(left_s, abs=0.3)
    capsys.readouterr()


def _first(run: Run, kind: str, contact: int) -> Cue:
    return next(cue for cue in run.cues if cue.kind == kind and cue.contact == contact)
