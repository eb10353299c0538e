"""A run folder comes whole or not at all, and never in the place of another run; worked by hand."""

import errno
import re
from pathlib import Path

import pytest

from listen.errors import FolderError, RecordingError
from listen.record.new_folder import free_name, new_folder
from tests.record.made_run import write_made_run

pytestmark = pytest.mark.closed


def a_run(folder: Path, note: str) -> Path:
    """A run as one is read, that can be told from another."""
    made = folder.parents[1] / "made" / "run"
    write_made_run(made, rate=8000)
    folder.parent.mkdir()
    made.rename(folder)
    (folder / "note.txt").write_text(note)
    return folder


def replayed(out: Path, note: str) -> list[Path]:
    """Write another run there; where the earlier ones are kept."""
    told: list[Path] = []
    with new_folder(out, set_aside=told.append) as folder:
        (folder / "note.txt").write_text(note)
        (folder / "decisions.jsonl").write_bytes((out / "decisions.jsonl").read_bytes())
    return told


def test_an_earlier_run_is_kept_under_another_name_and_that_is_told(tmp_path: Path) -> None:
    out = a_run(tmp_path / "shop" / "first cut", "monday")
    assert replayed(out, "tuesday") == [tmp_path / "shop" / "first cut-earlier"]
    assert replayed(out, "wednesday") == [tmp_path / "shop" / "first cut-earlier-2"]
    assert {path.name: (path / "note.txt").read_text() for path in (tmp_path / "shop").iterdir()} == {
        "first cut": "wednesday",
        "first cut-earlier": "monday",
        "first cut-earlier-2": "tuesday",
    }


def test_where_the_new_run_fails_the_earlier_one_stays_in_its_place(tmp_path: Path) -> None:
    out = a_run(tmp_path / "shop" / "run", "monday")
    told: list[Path] = []
    with pytest.raises(RecordingError, match="no sound"), new_folder(out, set_aside=told.append):
        raise RecordingError("no sound")
    assert told == []
    assert [path.name for path in (tmp_path / "shop").iterdir()] == ["run"]
    assert (out / "note.txt").read_text() == "monday"


def test_what_is_made_again_at_will_is_replaced(tmp_path: Path) -> None:
    out = a_run(tmp_path / "shop" / "run", "monday")
    with new_folder(out, set_aside=None) as folder:
        (folder / "note.txt").write_text("tuesday")
    assert [path.name for path in (tmp_path / "shop").iterdir()] == ["run"]
    assert (out / "note.txt").read_text() == "tuesday"


def test_an_empty_folder_is_taken_without_a_word(tmp_path: Path) -> None:
    told: list[Path] = []
    (tmp_path / "shop" / "run").mkdir(parents=True)
    with new_folder(tmp_path / "shop" / "run", set_aside=told.append) as folder:
        (folder / "note.txt").write_text("monday")
    assert told == []
    assert (tmp_path / "shop" / "run" / "note.txt").read_text() == "monday"


def test_the_kept_name_is_one_that_nothing_has(tmp_path: Path) -> None:
    (tmp_path / "shop").mkdir()
    (tmp_path / "shop" / "run-earlier").write_text("a file, not a folder")
    assert free_name(tmp_path / "shop" / "run") == tmp_path / "shop" / "run-earlier-2"


def test_a_full_disk_is_told_by_the_name_that_was_given(tmp_path: Path) -> None:
    """Not by that of the folder in which the run comes to be; and nothing is left."""
    out = tmp_path / "deep" / "run"
    told = f"^{re.escape(str(out))} must be a folder that can be written: No space left on device$"
    with pytest.raises(RecordingError, match=told), new_folder(out):
        raise OSError(errno.ENOSPC, "No space left on device")
    with pytest.raises(FolderError, match=told), new_folder(out) as folder:
        raise FolderError(folder, "No space left on device")
    with pytest.raises(FolderError, match=told), new_folder(out) as folder:
        raise OSError(errno.EIO, "No space left on device", str(folder / "sound.flac"))
    assert list(tmp_path.iterdir()) == []


def test_a_place_where_no_folder_can_be_made_is_told_by_its_name(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    out = tmp_path / "file" / "run"
    with pytest.raises(RecordingError, match=f"^{re.escape(str(out))} "), new_folder(out):
        pass


def test_a_folder_that_only_begins_alike_keeps_its_name(tmp_path: Path) -> None:
    """Names were replaced within the words of an error, wherever they stood in them."""
    with pytest.raises(FolderError) as told, new_folder(tmp_path / "run") as folder:
        raise FolderError(folder.with_name(f"{folder.name}-other"), "full")
    assert ".part-other must be" in str(told.value)
    with pytest.raises(FileNotFoundError), new_folder(tmp_path / "run") as folder:
        raise FileNotFoundError(errno.ENOENT, "gone", str(folder.with_name(f"{folder.name}-other")))


def test_what_another_file_does_is_not_told_of_the_folder(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match=r"load\.csv"), new_folder(tmp_path / "run"):
        raise FileNotFoundError(errno.ENOENT, "No such file or directory", "load.csv")
