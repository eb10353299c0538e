"""What a replay keeps, as chosen, and that what was kept can be listened to again."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.cli import main
from listen.errors import InputError, RecordingError
from listen.record import Run, read_run
from listen.record.features import FEATURES_FILE
from listen.record.library import delete_run
from listen.record.reference import mark_reference, unmark_reference
from listen.replay_run import replay_recording
from listen.show import write_replay_page

pytestmark = pytest.mark.closed
RECORDINGS = Path(__file__).resolve().parents[2] / "recordings_synthetic"
HELD = {
    "sound": {"sound.flac"},
    "small": {"sound.ogg"},
    "features": {FEATURES_FILE},
    "decisions": set(),
}


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A made recording as a microphone would have kept it."""
    samples, rate = soundfile.read(RECORDINGS / "early.ogg")
    path = tmp_path_factory.mktemp("recording") / "early.flac"
    soundfile.write(path, samples, rate, subtype="PCM_16")
    return path


def replayed(recording: Path, out: Path, keep: str, job: Path | None = RECORDINGS / "step.toml") -> Run:
    replay_recording(recording, out=out, write_page=write_replay_page, job=job, keep=keep)
    return read_run(out)


@pytest.fixture(scope="module")
def runs(recording: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Run]:
    """The same recording, kept in every way."""
    out = tmp_path_factory.mktemp("runs")
    return {keep: replayed(recording, out / keep, keep) for keep in HELD}


@pytest.mark.parametrize("keep", HELD)
def test_only_what_was_chosen_is_kept(runs: dict[str, Run], keep: str) -> None:
    held = {path.name for path in runs[keep].folder.iterdir()}
    assert held & set().union(*HELD.values()) == HELD[keep]
    assert {"decisions.jsonl", "run.json", "events.tsv", "timeline.html", "job"} <= held


def test_what_is_decided_does_not_depend_on_what_is_kept(runs: dict[str, Run]) -> None:
    texts = {json.dumps(json.loads((run.folder / "run.json").read_text())) for run in runs.values()}
    assert len(texts) == 1


def test_the_page_shows_no_more_than_what_was_kept(runs: dict[str, Run]) -> None:
    """Sound and picture, the picture alone, or neither."""
    for keep, run in runs.items():
        page = (run.folder / "timeline.html").read_text()
        data = json.loads(page.split('id="data">')[1].split("</script>")[0])
        picture = page.split('id="spectrum">')[1].split("</script>")[0]
        assert data["sound_type"] == ("audio/ogg" if keep in ("sound", "small") else "")
        assert (len(picture) > 1000) == (keep != "decisions")


def test_frames_that_were_kept_are_heard_again_with_the_same_verdicts(
    runs: dict[str, Run], tmp_path: Path
) -> None:
    """float16 keeps three digits and a half: an edge may move by a frame or two, no verdict changes."""
    first = runs["features"]
    again = replayed(first.folder, tmp_path / "again", "decisions", job=None)
    assert [row.verdict for row in again.contacts] == [row.verdict for row in first.contacts]
    for one, other in zip(first.contacts, again.contacts, strict=True):
        assert (one.heard is None) == (other.heard is None)
        if one.heard and other.heard:
            assert abs(one.heard.onset - other.heard.onset) <= 0.03 * first.rate
            assert abs(one.heard.offset - other.heard.offset) <= 0.03 * first.rate
    assert (again.folder / FEATURES_FILE).is_file()  # it has nothing else to be heard again from
    assert np.isclose(again.duration, first.duration, atol=first.rate)


def test_decisions_alone_cannot_be_heard_again(runs: dict[str, Run], tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="keeps neither sound nor load"):
        replayed(runs["decisions"].folder, tmp_path / "again", "small", job=None)


def test_another_word_is_refused(recording: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="must be one of sound, small, features, decisions, got 'all'"):
        replayed(recording, tmp_path / "run", "all")
    assert not (tmp_path / "run").exists()


def test_deleting_takes_the_frames_along(recording: Path, tmp_path: Path) -> None:
    run = replayed(recording, tmp_path / "run", "features", job=None)
    delete_run(run.folder)
    assert not run.folder.exists()


def test_a_run_that_somebody_stands_for_is_not_replaced(recording: Path, tmp_path: Path) -> None:
    replayed(recording, tmp_path / "run", "decisions")
    mark_reference(tmp_path / "run", by="AB", note="even tone")
    with pytest.raises(RecordingError, match=r"holds reference\.json, which would be lost"):
        replayed(recording, tmp_path / "run", "decisions")
    unmark_reference(tmp_path / "run")
    replayed(recording, tmp_path / "run", "decisions")


def test_of_a_long_recording_less_of_the_highest_sound_is_kept(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rest is too slow to code; the picture is made of all of it."""
    monkeypatch.setattr("listen.replay_run.LONG_S", 1.0)
    run = replayed(recording, tmp_path / "run", "small")
    assert run.header.sound_rate == 24000
    assert run.sound_path is not None
    assert soundfile.info(run.sound_path).samplerate == 24000


def test_the_job_of_another_program_is_told(
    runs: dict[str, Run], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run, other = runs["small"].folder, RECORDINGS.parent / "tests" / "jobs" / "two_passes.toml"
    said = []
    for number, job in enumerate((RECORDINGS / "step.toml", other)):
        main(["replay", str(run), "--job", str(job), "--out", str(tmp_path / str(number))])
        said.append(capsys.readouterr().out)
    assert "recorded with" not in said[0]
    assert "! recorded with step.nc, held here against two_passes.nc" in said[1]
