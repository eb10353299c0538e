"""The command as a person meets it: exit codes, one clear line, nothing half-written."""

import json
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.cli import FAILED, FINE, FLAGGED, main

pytestmark = pytest.mark.closed
JOBS = Path(__file__).parent / "jobs"
VERBS = ("demo", "job", "expect", "live", "replay", "devices", "preview", "coach", "teach", "runs")


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one line that a refused command prints."""
    assert main(arguments) == FAILED
    told = capsys.readouterr()
    assert told.out == ""
    lines = told.err.splitlines()
    assert len(lines) == 1, told.err
    assert lines[0].startswith("cut-listen: ")
    return lines[0]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A copy of the two-pass job that a test may spoil."""
    for name in ("two_passes.toml", "two_passes.nc"):
        (tmp_path / name).write_bytes((JOBS / name).read_bytes())
    return tmp_path / "two_passes.toml"


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    path = tmp_path / "air.wav"
    soundfile.write(path, np.random.default_rng(1).normal(0.0, 0.01, 24000), 48000)
    return path


def test_help_names_every_verb_on_one_line_each(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == FINE
    told = capsys.readouterr().out
    for verb in VERBS:
        line = next(line for line in told.splitlines() if line.split()[:1] == [verb])
        assert not line.endswith("..."), line
    assert "cannot stop the machine" in told


def test_help_of_the_library_is_cut_short_nowhere(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["runs", "--help"]) == FINE
    listed = capsys.readouterr().out.partition("Commands:")[2].splitlines()[1:]
    assert len(listed) == 9
    assert [line for line in listed if line.endswith("...")] == []


@pytest.mark.parametrize("verb", VERBS)
def test_each_verb_has_an_example(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([verb, "--help"]) == FINE
    assert f"Example: cut-listen {verb}" in capsys.readouterr().out


def test_the_real_command_refuses_with_code_2_and_no_traceback(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "listen.cli", "replay", str(tmp_path / "none.wav")]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == FAILED
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "none.wav" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "help_of"),
    [
        (["replay"], "cut-listen replay"),
        (["reply"], "cut-listen"),
        (["replay", "--frog"], "cut-listen replay"),
        (["expect", "a", "b"], "cut-listen expect"),
        (["runs", "list", "a"], "cut-listen runs list"),
    ],
)
def test_a_command_written_wrongly_is_one_line_that_names_the_help_to_read(
    arguments: list[str], help_of: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert f"`{help_of} --help`" in refused(arguments, capsys)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["job", "."], "program . cannot be read"),
        (["expect", "."], ". must be a job file, it is a folder"),
        (["teach", "."], ". holds no run (no decisions.jsonl)"),
        (["preview", "part.toml", "--seed", "-1"], "--seed"),
        (["replay", "take.wav", "--columns", "time=t"], "got 'time=t' without --load"),
        (["coach", "--progress", "."], ". cannot be read or written: Is a directory; look at its name"),
    ],
)
def test_a_folder_or_number_that_cannot_be_meant_is_one_line(
    arguments: list[str],
    told: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert told in refused(arguments, capsys)
    assert list(tmp_path.iterdir()) == []


def _not_there(path: Path) -> None:
    pass


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _text(path: Path) -> None:
    path.write_text("this is a letter, not a recording\n" * 20)


def _nan(path: Path) -> None:
    samples = np.zeros(48000, dtype=np.float32)
    samples[30000] = np.nan
    soundfile.write(path, samples, 48000, subtype="FLOAT")


def _rate_of_0(path: Path) -> None:
    soundfile.write(path, np.zeros(48000), 48000)
    raw = bytearray(path.read_bytes())
    raw[24:28] = struct.pack("<I", 0)
    path.write_bytes(bytes(raw))


def _cut_short(path: Path) -> None:
    soundfile.write(path, np.zeros(48000), 48000)
    path.write_bytes(path.read_bytes()[:4000])


def _muted(path: Path) -> None:
    soundfile.write(path, np.zeros(48000), 48000)


def _folder(path: Path) -> None:
    path.mkdir()


def _noise(path: Path) -> None:
    path.write_bytes(np.random.default_rng(0).integers(0, 256, 5000, dtype=np.uint8).tobytes())
    path.rename(path.with_suffix(".mp3"))


BAD_SOUNDS = {
    "no such file": (_not_there, "not there"),
    "an empty file": (_empty, "empty"),
    "not a sound file": (_text, "not a sound file"),
    "NaN samples": (_nan, "sample 30000"),
    "0 Hz": (_rate_of_0, "0 Hz"),
    "nothing but zeros": (_muted, "was the microphone muted"),
    "cut short": (_cut_short, "cut short"),
    "a folder without a run": (_folder, "holds no run and no recording"),
    "noise in a file named MP3": (_noise, "not a sound file"),
}


@pytest.mark.parametrize(("spoil", "told"), BAD_SOUNDS.values(), ids=BAD_SOUNDS.keys())
def test_a_bad_recording_is_one_line_and_leaves_no_run(
    spoil: object, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "take.wav"
    assert callable(spoil)
    spoil(path)
    path = next(iter(tmp_path.iterdir()), path)
    before = sorted(tmp_path.rglob("*"))
    line = refused(["replay", str(path), "--out", str(tmp_path / "deep" / "run")], capsys)
    assert told in line
    assert sorted(tmp_path.rglob("*")) == before


def test_sound_that_is_cut_off_at_its_peaks_is_one_flag(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    loud = np.clip(np.random.default_rng(1).normal(0.0, 1.0, 8 * 48000), -0.7, 0.7)
    soundfile.write(tmp_path / "loud.wav", loud, 48000)
    assert main(["replay", str(tmp_path / "loud.wav"), "--out", str(tmp_path / "run")]) == FLAGGED
    told = " ".join(capsys.readouterr().out.split())
    assert told.count("Clipping at 0.0 s. The sound is cut off at its peaks") == 1


def test_what_the_mp3_library_has_to_say_is_not_printed(tmp_path: Path) -> None:
    """It writes to standard error itself: only the real command shows it."""
    whole = tmp_path / "whole.mp3"
    soundfile.write(whole, np.random.default_rng(1).normal(0.0, 0.01, 6 * 48000), 48000, format="MP3")
    data = whole.read_bytes()
    (tmp_path / "half.mp3").write_bytes(data[: len(data) // 2])
    (tmp_path / "noise.mp3").write_bytes(
        np.random.default_rng(0).integers(0, 256, 5000, dtype=np.uint8).tobytes()
    )
    told = {}
    for name in ("half", "noise"):
        command = [sys.executable, "-m", "listen.cli", "replay", f"{name}.mp3", "--out", name]
        done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
        told[name] = (done.returncode, done.stderr.count("\n"))
    assert told == {"half": (FINE, 0), "noise": (FAILED, 1)}


def _edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


BAD_JOBS = {
    "without a tool": ("two_passes.toml", "[[tools]]", "[[spare_tools]]", "tools"),
    "misspelt key": ("two_passes.toml", "units", "unit", "did you mean 'units'"),
    "diameter of nan": ("two_passes.toml", "diameter = 0.5", "diameter = nan", "diameter"),
    "not TOML": ("two_passes.toml", "[stock]", "[stock", "not a job file"),
    "no such program": ("two_passes.toml", "two_passes.nc", "three_passes.nc", "three_passes.nc"),
    "program for a job": (
        "two_passes.toml",
        'program = "two_passes.nc"',
        "G21 G90",
        "cut-listen job PROGRAM",
    ),
    "stock upside down": (
        "two_passes.toml",
        "min = [",
        "min = [99.0, 99.0, 99.0] # [",
        "[stock] needs min below",
    ),
    "one tool twice": (
        "two_passes.toml",
        "[[tools]]",
        '[[tools]]\nnumber = 1\nkind = "drill"\ndiameter = 0.1\n[[tools]]',
        "number 1 twice",
    ),
    "unknown G word": ("two_passes.nc", "G1 Y-0.21", "G177 Y-0.21", "line 9: "),
    "arc that does not close": ("two_passes.nc", "G1 Y-0.21", "G2 X5. Y1. I0.2 J0.", "line 9: "),
}


@pytest.mark.parametrize(("name", "old", "new", "told"), BAD_JOBS.values(), ids=BAD_JOBS.keys())
@pytest.mark.parametrize("verb", ["replay", "expect"])
def test_a_bad_job_or_program_is_one_line_and_leaves_no_run(
    verb: str,
    name: str,
    old: str,
    new: str,
    told: str,
    job: Path,
    sound: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    _edit(job.parent / name, old, new)
    before = sorted(job.parent.iterdir())
    arguments = {
        "replay": ["replay", str(sound), "--job", str(job), "--out", str(job.parent / "run")],
        "expect": ["expect", str(job)],
    }
    assert told in refused(arguments[verb], capsys)
    assert sorted(job.parent.iterdir()) == before


def test_a_folder_that_holds_something_else_is_not_touched(
    sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "photo.txt").write_text("beach")
    assert "photo.txt" in refused(["replay", str(sound), "--out", str(tmp_path / "holiday")], capsys)
    assert (tmp_path / "holiday" / "photo.txt").read_text() == "beach"


def test_an_earlier_replay_is_kept_and_one_line_says_where(
    sound: Path, job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A second replay, then a preview into the same folder; a preview for a preview is no loss."""
    out = tmp_path / "run"
    assert main(["replay", str(sound), "--out", str(out)]) == FINE
    assert capsys.readouterr().err == ""
    first = (out / "events.tsv").stat().st_mtime_ns
    assert main(["replay", str(sound), "--out", str(out), "--json"]) == FINE
    told = capsys.readouterr()
    assert told.err == f"{out} held an earlier run; it is kept as {out}-earlier\n"
    assert json.loads(told.out)["format"] == "cut-listen run 1"
    assert (tmp_path / "run-earlier" / "events.tsv").stat().st_mtime_ns == first
    for kept in (f"{out} held an earlier run; it is kept as {out}-earlier-2\n", ""):
        assert main(["preview", str(job), "--out", str(out)]) == FINE
        assert capsys.readouterr().err == kept
    assert sorted(path.name for path in tmp_path.glob("run*")) == ["run", "run-earlier", "run-earlier-2"]


def test_no_sound_needs_a_load(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert "--load" in refused(["replay", "-", "--out", str(tmp_path / "run")], capsys)


def test_the_sheet_as_json_is_json(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expect", str(job), "--json"]) == FINE
    sheet = json.loads(capsys.readouterr().out)
    assert [contact["block"] for contact in sheet["contacts"]] == ["N70", "N90"]


def test_a_program_without_a_job_is_guessed_and_never_asked_for(
    job: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """At a terminal eight questions were asked, their answers kept nowhere, and nothing called guessed."""
    _edit(job.with_suffix(".nc"), "S9000 M3", "S9000 M3 (T1 FLAT END MILL D=0.5 3 FL)")
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", lambda _: pytest.fail("asked"))
    assert main(["expect", str(job.with_suffix(".nc"))]) == FINE
    assert "guessed from the program: nobody has measured" in " ".join(capsys.readouterr().out.split())


def test_the_sheet_as_a_page(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = job.parent / "sheet.html"
    assert main(["expect", str(job), "--html", str(page)]) == FINE
    assert "First-run sheet" in page.read_text()
    assert str(page) in capsys.readouterr().out


def test_a_page_is_not_written_over_a_program(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    program = job.with_suffix(".nc")
    before = program.read_bytes()
    assert "must end in .html" in refused(["expect", str(job), "--html", str(program)], capsys)
    assert program.read_bytes() == before


def test_a_preview_of_a_program_with_warnings_says_so(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The spindle of this copy never starts."""
    _edit(job.with_suffix(".nc"), "S9000 M3", "S9000")
    assert main(["preview", str(job), "--out", str(job.parent / "made")]) == FINE
    first = capsys.readouterr().out.splitlines()[0]
    assert first.startswith("! 1 warning on its sheet: read `cut-listen expect ")


def test_a_preview_that_is_cut_at_ten_minutes_says_of_how_many_contacts_it_is(
    job: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = ["preview", str(job), "--out", str(job.parent / "made")]
    assert main(made) == FINE
    assert capsys.readouterr().out.startswith("made, not heard: 2 contacts in ")
    monkeypatch.setattr("listen.coach.preview.LONGEST_S", 1.0)
    assert main(made) == FINE
    first, second, *_ = capsys.readouterr().out.splitlines()
    assert first.startswith("made, not heard: the first 1 of 2 contacts in ")
    assert "--passes" in second


def test_a_replay_of_a_program_with_warnings_says_so(
    sound: Path, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = "! 1 warning on the sheet of this program: read it with `cut-listen expect`"
    asked = ["replay", str(sound), "--job", str(job), "--out"]
    main([*asked, str(job.parent / "right")])
    assert line not in capsys.readouterr().out
    _edit(job.with_suffix(".nc"), "S9000 M3", "S9000")
    main([*asked, str(job.parent / "wrong")])
    assert line in capsys.readouterr().out


def test_a_job_saved_with_a_byte_order_mark_is_read_and_kept(job: Path, sound: Path) -> None:
    """As some editors save UTF-8; and it is no reason that the run cannot be listened to again."""
    job.write_bytes(b"\xef\xbb\xbf" + job.read_bytes())
    assert main(["replay", str(sound), "--job", str(job), "--out", str(job.parent / "run")]) == FINE
    assert main(["replay", str(job.parent / "run"), "--out", str(job.parent / "again")]) == FINE


@pytest.mark.parametrize("coding", ["utf-16", "latin-1"])
def test_a_job_in_another_coding_is_told_so(
    coding: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job.write_bytes((job.read_text() + "# Gr\u00f6\u00dfe\n").encode(coding))
    assert "two_passes.toml must be text in UTF-8" in refused(["expect", str(job)], capsys)


def test_a_program_in_a_folder_that_cannot_be_written_is_looked_at(job: Path) -> None:
    """Nothing is written for `expect part.nc`, not for a moment: the folder's time stays."""
    import os

    folder = job.parent / "stick"
    folder.mkdir()
    program = folder / "part.nc"
    program.write_text(job.with_suffix(".nc").read_text().replace("T1 M6", "T1 M6 (FLAT END MILL D0.5)"))
    os.utime(folder, (1e9, 1e9))
    assert main(["expect", str(program)]) in (FINE, 1)
    assert folder.stat().st_mtime == 1e9


def test_a_job_that_cannot_be_written_is_one_line(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    answers = ["--size", "1.6x3x2", "--tools", "T1 flat end mill 0.5 5", "--yes"]
    for out in (job.parent / "not there" / "a.toml", job.parent):
        assert main(["job", str(job.with_suffix(".nc")), *answers, "--out", str(out)]) == FAILED
        assert capsys.readouterr().err.startswith(f"cut-listen: {out} ")


def test_job_makes_a_file_that_expect_takes(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = job.parent / "made.toml"
    program = job.with_suffix(".nc")
    answers = ["--size", "1.6x3x2", "--zero", "left front corner", "--tools", "T1 flat end mill 0.5 5"]
    assert main(["job", str(program), *answers, "--yes", "--out", str(made)]) == FINE
    assert "Z0 is the top of the stock" in capsys.readouterr().out
    assert main(["expect", str(made), "--json"]) == FINE
    assert len(json.loads(capsys.readouterr().out)["contacts"]) == 2


def test_job_does_not_write_over_a_job(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = job.read_text()
    assert "--replace" in refused(["job", str(job.with_suffix(".nc")), "--yes"], capsys)
    assert job.read_text() == before
