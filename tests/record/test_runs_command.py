"""`cut-listen runs` as a person meets it, on real run folders."""

import io
import json
import shutil
import zipfile
from pathlib import Path

import pytest

from listen.cli import FAILED, FINE, FLAGGED, main
from listen.cli_live import _finished, _write_page
from listen.record import read_run
from listen.record.reference import Reference, mark_reference, newest_reference, read_reference
from listen.record.run import MADE
from tests.record.made_run import write_made_run

pytestmark = pytest.mark.closed


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    """Three runs of one program."""
    for seed, name in enumerate(("monday", "tuesday", "wednesday"), start=1):
        write_made_run(tmp_path / "runs" / name, rate=16000, seed=seed, sound="vorbis")
    return tmp_path / "runs"


def page_data(path: Path) -> dict[str, object]:
    """What a page was told."""
    data: dict[str, object] = json.loads(path.read_text().split('id="data">')[1].split("</script>")[0])
    return data


def answer(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """What the person types."""
    monkeypatch.setattr("sys.stdin", io.StringIO(text))


@pytest.mark.parametrize("typed", ["n\n", "", "\n"])
def test_sound_is_only_packed_after_a_yes(
    runs: Path,
    tmp_path: Path,
    typed: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    answer(monkeypatch, typed)
    arguments = ["runs", "export", "monday", str(tmp_path / "a.zip"), "--with-sound", "--in", str(runs)]
    assert main(arguments) == FAILED
    assert "voices" in capsys.readouterr().err
    assert not (tmp_path / "a.zip").exists()
    answer(monkeypatch, "y\n")
    assert main(arguments) == FINE
    with zipfile.ZipFile(tmp_path / "a.zip") as pack:
        assert "sound.ogg" in pack.namelist()


def test_yes_can_be_said_beforehand(runs: Path, tmp_path: Path) -> None:
    target = tmp_path / "a.zip"
    assert main(["runs", "export", "monday", str(target), "--with-sound", "--yes", "--in", str(runs)]) == FINE


def test_a_run_that_was_cut_off_says_so_and_names_no_page_that_is_not_there(
    runs: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monday = runs / "monday"
    assert main(["runs", "page", "monday", "--in", str(runs)]) == FINE
    assert main(["runs", "show", "monday", "--in", str(runs)]) == FINE
    assert f"page: {monday / 'timeline.html'}" in capsys.readouterr().out
    for name in ("run.json", "timeline.html"):
        (monday / name).unlink()
    lines = (monday / "decisions.jsonl").read_text().splitlines(keepends=True)
    (monday / "decisions.jsonl").write_text("".join(lines[: len(lines) // 2]))
    assert main(["runs", "show", "monday", "--in", str(runs)]) == FINE
    said = capsys.readouterr().out
    assert (
        f"! recording was cut off: this is what was decided till then; `cut-listen replay '{monday}'`" in said
    )
    assert f"page: none yet; `cut-listen runs page '{monday}'` makes it" in said


def test_a_reference_without_initials_says_how_to_give_them(
    runs: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["runs", "reference", "monday", "--in", str(runs)]) == FAILED
    assert "--by AB" in capsys.readouterr().err


def test_the_last_marked_reference_stands_beside_a_page_made_again(
    runs: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--in", str(runs)]
    assert main(["runs", "page", "wednesday", *where]) == FINE
    assert page_data(runs / "wednesday" / "timeline.html")["reference"] is None
    assert main(["runs", "reference", "monday", "--by", "AB", "--note", "even tone", *where]) == FINE
    assert read_reference(runs / "monday") == Reference(by="AB", note="even tone")
    assert main(["runs", "page", "wednesday", *where]) == FINE
    told = page_data(runs / "wednesday" / "timeline.html")["reference"]
    assert isinstance(told, dict)
    assert (told["name"], told["said"], len(told["contacts"])) == ("monday", "AB: even tone", 2)
    assert main(["runs", "compare", "monday", "tuesday", "--page", str(runs / "c.html"), *where]) == FINE
    assert "(reference by AB: even tone)" in str(page_data(runs / "c.html")["names"])


def test_a_live_run_ends_with_the_page_that_a_replay_would_have(runs: Path) -> None:
    mark_reference(runs / "monday", by="AB", note="even tone")
    ended = read_run(runs / "tuesday")
    _write_page(ended)
    assert _finished(ended) == FLAGGED
    told = page_data(runs / "tuesday" / "timeline.html")["reference"]
    assert isinstance(told, dict)
    assert (told["name"], told["said"]) == ("monday", "AB: even tone")


def test_no_run_is_its_own_reference_nor_that_of_another_program(runs: Path) -> None:
    mark_reference(runs / "monday", by="AB")
    program = read_run(runs / "monday").header.program
    assert newest_reference(runs, program, but=runs / "monday") is None
    assert newest_reference(runs, "another.nc", but=runs / "tuesday") is None
    found = newest_reference(runs, program, but=runs / "tuesday")
    assert found is not None
    assert found.folder.name == "monday"
    (runs / "monday" / "decisions.jsonl").write_text("damaged")
    assert newest_reference(runs, program, but=runs / "tuesday") is None


def test_check_and_delete_and_report(
    runs: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--in", str(runs)]
    assert main(["runs", "check", *where]) == FINE
    (runs / "monday" / "sound.ogg").unlink()
    assert main(["runs", "check", *where]) == FLAGGED
    assert "3 runs checked, 1 trouble" in capsys.readouterr().out
    answer(monkeypatch, "n\n")
    assert main(["runs", "delete", "monday", *where]) == FAILED
    assert (runs / "monday").is_dir()
    assert main(["runs", "delete", "monday", "--yes", *where]) == FINE
    assert not (runs / "monday").exists()
    lines = runs / "wednesday" / "decisions.jsonl"
    shutil.copytree(runs / "wednesday", runs / "preview")
    (runs / "preview" / "decisions.jsonl").write_text(lines.read_text().replace('"invented"', f'"{MADE}"', 1))
    assert main(["runs", "list", *where]) == FINE
    assert "preview, made and not heard" in capsys.readouterr().out
    main(["runs", "compare", "preview", "tuesday", "--page", str(runs / "c.html"), *where])
    assert "preview (a preview, made)" in str(page_data(runs / "c.html")["names"])
    assert main(["runs", "report", "--page", str(runs / "r.html"), *where]) == FINE
    assert page_data(runs / "r.html")["n_runs"] == 2
