"""The library: folders are the truth, the index finds them, damage is reported and passed over."""

import json
import shutil
import sqlite3
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from listen.errors import InputError
from listen.record import RunWriter, read_run
from listen.record.check import check_run
from listen.record.export import export_run
from listen.record.library import INDEX, Library, delete_run
from listen.record.reference import is_reference, mark_reference
from listen.show import write_replay_page
from tests.record.made_run import RATE, made_job, write_made_run

pytestmark = pytest.mark.closed
MORE = """material = "aluminium 6061"
[[tools]]
number = 1
kind = "flat end mill"
diameter = 10.0
flutes = 3
"""


def filled(root: Path, names: tuple[str, ...] = ("a", "b", "deep/c")) -> Library:
    """A library of invented runs."""
    for name in names:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        write_made_run(root / name)
    library = Library(root)
    library.refresh()
    return library


def test_runs_are_found_by_what_they_are(tmp_path: Path) -> None:
    library = filled(tmp_path)
    assert sorted(row.folder for row in library.rows()) == ["a", "b", "deep/c"]
    row = library.rows(program="MADE", tool=1, material="alu", verdict="not heard", flagged=True)[0]
    assert row.verdict_counts == {"as expected": 1, "started early": 1, "not heard": 1}
    assert (row.tool_numbers, row.n_flags, row.duration_s) == ((1,), 2, 12.0)
    assert library.rows(tool=11) == ()
    assert library.rows(program="other") == ()
    assert library.rows(since="2999") == ()
    with pytest.raises(InputError, match="verdict must be one of as expected"):
        library.rows(verdict="late")


def test_the_index_is_made_again_the_same(tmp_path: Path) -> None:
    library = filled(tmp_path)
    before = library.rows()
    (tmp_path / INDEX).unlink()
    library.refresh()
    assert library.rows() == before
    (tmp_path / INDEX).write_bytes(b"no database" * 100)
    library.refresh()
    assert library.rows() == before


def test_a_library_that_must_not_be_written_is_read_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = filled(tmp_path).rows()
    (tmp_path / INDEX).unlink()
    monkeypatch.setattr("os.access", lambda path, how: False)
    library = Library(tmp_path)
    library.refresh()
    assert library.rows() == before
    assert not (tmp_path / INDEX).exists()
    assert library._in_memory is not None
    library._in_memory.close()


def test_the_index_follows_the_folders(tmp_path: Path) -> None:
    library = filled(tmp_path)
    shutil.rmtree(tmp_path / "a")
    mark_reference(tmp_path / "b", by="xy")
    library.refresh()
    assert sorted((row.folder, row.reference) for row in library.rows()) == [("b", 1), ("deep/c", 0)]
    assert [run.folder.name for run in library.references("made up.nc")] == ["b"]


def test_a_run_is_named_by_its_last_part(tmp_path: Path) -> None:
    library = filled(tmp_path)
    assert library.find("c") == tmp_path / "deep" / "c"
    with pytest.raises(InputError, match=r"must name one run in .* none is called that"):
        library.find("z")


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _first_line(path: Path, text: str) -> None:
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join([text + "\n", *lines[1:]]))


def _folder_instead(run: Path) -> None:
    (run / "decisions.jsonl").unlink()
    (run / "decisions.jsonl").mkdir()


DAMAGE: dict[str, Callable[[Path], object]] = {
    "decisions gone": lambda run: (run / "decisions.jsonl").unlink(),
    "decisions empty": lambda run: (run / "decisions.jsonl").write_text(""),
    "decisions no text": lambda run: (run / "decisions.jsonl").write_bytes(b"\xff\xfe\x00" * 99),
    "header no JSON": lambda run: _first_line(run / "decisions.jsonl", "hello"),
    "header of a newer format": lambda run: _first_line(
        run / "decisions.jsonl", '{"type": "header", "format": "cut-listen decisions 99", "rate": 8000}'
    ),
    "header with a rate of 0": lambda run: _first_line(
        run / "decisions.jsonl", '{"type": "header", "format": "cut-listen decisions 1", "rate": 0}'
    ),
    "a decision of an unknown type": lambda run: (run / "decisions.jsonl").write_text(
        (run / "decisions.jsonl").read_text() + '{"type": "guess"}\n'
    ),
    "an event that ends before it begins": lambda run: (run / "decisions.jsonl").write_text(
        (run / "decisions.jsonl").read_text()
        + '{"type": "event", "state": "air", "at": 9, "decided_at": 1, "probability": 1}\n'
    ),
    "sheet cut short": lambda run: _cut(run / "expected.json"),
    "path cut short": lambda run: _cut(run / "spans.npz"),
    "decisions are a folder": _folder_instead,
}


@pytest.mark.parametrize("harm", DAMAGE.values(), ids=DAMAGE.keys())
def test_a_damaged_run_is_reported_and_the_rest_work(tmp_path: Path, harm: Callable[[Path], object]) -> None:
    library = filled(tmp_path, ("good", "bad"))
    harm(tmp_path / "bad")
    library.refresh()
    rows = {row.folder: row for row in library.rows()}
    assert rows["bad"].damaged == 1
    assert str(tmp_path / "bad") in rows["bad"].trouble
    assert rows["good"].damaged == 0
    assert check_run(tmp_path / "good") == ()
    assert len(check_run(tmp_path / "bad")) == 1


def test_check_reads_the_sound_and_the_summary(tmp_path: Path) -> None:
    filled(tmp_path, ("no sound", "half sound", "wrong summary"))
    (tmp_path / "no sound" / "sound.flac").unlink()
    _cut(tmp_path / "half sound" / "sound.flac")
    values = json.loads((tmp_path / "wrong summary" / "run.json").read_text())
    values["contacts"][0]["verdict"] = "not heard"
    (tmp_path / "wrong summary" / "run.json").write_text(json.dumps(values))
    texts = {path.name: [trouble.text for trouble in check_run(path)] for path in tmp_path.glob("* *")}
    assert "sound.flac is gone" in texts["no sound"][0]
    assert "sound.flac" in texts["half sound"][0]
    assert "does not say what the decisions say" in texts["wrong summary"][0]


def test_a_reference_needs_a_name_and_is_not_deleted(tmp_path: Path) -> None:
    filled(tmp_path, ("a",))
    with pytest.raises(InputError, match="initials"):
        mark_reference(tmp_path / "a", by=" ")
    mark_reference(tmp_path / "a", by="xy", note="good finish")
    assert is_reference(tmp_path / "a")
    with pytest.raises(InputError, match="take the mark away"):
        delete_run(tmp_path / "a")


def test_delete_takes_only_its_own_files(tmp_path: Path) -> None:
    filled(tmp_path, ("a", "b"))
    (tmp_path / "b" / "my notes.txt").write_text("keep me")
    delete_run(tmp_path / "a")
    delete_run(tmp_path / "b")
    assert not (tmp_path / "a").exists()
    assert [path.name for path in (tmp_path / "b").iterdir()] == ["my notes.txt"]
    with pytest.raises(InputError, match="holds no run"):
        delete_run(tmp_path / "b")


@pytest.mark.parametrize("with_sound", [True, False])
def test_export_takes_sound_along_only_when_asked(tmp_path: Path, with_sound: bool) -> None:
    filled(tmp_path, ("a",))
    target = tmp_path / "a.zip"
    names = export_run(tmp_path / "a", target, with_sound=with_sound, write_page=write_replay_page)
    with zipfile.ZipFile(target) as pack:
        assert set(pack.namelist()) == set(names)
        page = pack.read("timeline.html").decode()
    assert ("sound.flac" in names) == with_sound
    assert ('id="sound"></script>' in page) != with_sound
    with pytest.raises(InputError, match="is there already"):
        export_run(tmp_path / "a", target, with_sound=with_sound, write_page=write_replay_page)


def test_a_thousand_runs_are_indexed_in_ten_seconds_and_listed_in_a_fifth(tmp_path: Path) -> None:
    """Of processor time: the machine may be busy with other things."""
    write_made_run(tmp_path / "model", sound="none")
    root = tmp_path / "runs"
    for number in range(1000):
        folder = root / f"{number:04d}"
        folder.mkdir(parents=True)
        for name in ("decisions.jsonl", "run.json", "expected.json", "spans.npz"):
            (folder / name).hardlink_to(tmp_path / "model" / name)
    library = Library(root)
    start = time.process_time()
    library.refresh()
    indexed = time.process_time()
    rows = library.rows(tool=1)
    listed = time.process_time()
    print(f"indexed in {indexed - start:.2f} s, listed in {listed - indexed:.3f} s")
    assert len(rows) == 1000
    assert indexed - start <= 10.0
    assert listed - indexed <= 0.2
    assert sqlite3.connect(root / INDEX).execute("SELECT count(*) FROM runs").fetchone() == (1000,)
    assert read_run(root / "0999").contacts


def test_runs_are_found_by_the_machine_that_the_job_names(tmp_path: Path) -> None:
    """By its own name, or by that of the file in which a shop keeps its machine table."""
    from listen.job_file import load_job

    text = made_job(tmp_path / "job").path
    assert text is not None
    (tmp_path / "job" / "mill2.toml").write_text("[machine]\nrapid = 12000\n")
    named = {"by file": "", "by name": '[machine]\nname = "the long one"\n'}
    for name, own in named.items():
        path = tmp_path / "job" / f"{name}.toml"
        path.write_text('machine_from = "mill2.toml"\n' + text.read_text() + MORE + own)
        with RunWriter(tmp_path / "runs" / name, rate=RATE, live=False, job=load_job(path)) as writer:
            writer.finish()
    library = Library(tmp_path / "runs")
    library.refresh()
    assert [row.folder for row in library.rows(machine="mill2")] == ["by file"]
    assert [row.folder for row in library.rows(machine="long one")] == ["by name"]
