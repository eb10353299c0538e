"""A run folder that comes to be whole or not at all, and never in the place of another run."""

import errno
import glob
import itertools
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from listen.errors import FolderError, RecordingError
from listen.record.reader import is_run_folder, read_header
from listen.record.reference import REFERENCE

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EROFS)
KEPT_BY_HAND = ("labels.json", REFERENCE)
SetAside = Callable[[Path], None]


def unnoticed(aside: Path) -> None:
    """Nobody is told where the earlier run is kept."""


@contextmanager
def new_folder(out: Path, *, set_aside: SetAside | None = unnoticed) -> Iterator[Path]:
    """A folder beside `out` that becomes `out` when all went well, and is gone when not.

    Parameters
    ----------
    out : Path
    set_aside : callable | None
        An earlier run in `out` is renamed, and its new name told; with None it is replaced.

    Raises
    ------
    RecordingError
        If `out` holds something that is not to be replaced, or cannot be written.
    """
    _refuse_to_lose(out)
    _clear_abandoned(out)
    part = out.parent / f".{out.name}.{os.getpid()}.part"
    missing = [folder for folder in part.parents if not folder.exists()]
    try:
        with _named(part, out):
            part.mkdir(parents=True)
            yield part
            _make_room(out, set_aside)
            part.rename(out)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        for folder in missing:
            if folder.exists() and not any(folder.iterdir()):
                folder.rmdir()


@contextmanager
def _named(part: Path, out: Path) -> Iterator[None]:
    """What cannot be written is told by the name that the person gave."""
    try:
        yield
    except FolderError as error:
        raise FolderError(out if error.folder == part else error.folder, error.reason) from None
    except OSError as error:
        named = Path(str(error.filename))
        if error.errno in _NO_ROOM or part in (named, *named.parents):
            raise FolderError(out, str(error.strerror)) from None
        raise


def _make_room(out: Path, set_aside: SetAside | None) -> None:
    if not out.exists():
        return
    if set_aside is None or not any(out.iterdir()):
        shutil.rmtree(out)
        return
    aside = free_name(out)
    out.rename(aside)
    set_aside(aside)


def free_name(out: Path) -> Path:
    """Where an earlier run of this folder is kept: the first name that nothing has yet."""
    names = itertools.chain(["earlier"], (f"earlier-{number}" for number in itertools.count(2)))
    return next(path for name in names if not (path := out.with_name(f"{out.name}-{name}")).exists())


def _clear_abandoned(out: Path) -> None:
    """What a killed process left of the same run; nobody else works on a folder of this name."""
    for part in out.parent.glob(f".{glob.escape(out.name)}.*.part"):
        if not _lives(part.name.split(".")[-2]):
            shutil.rmtree(part, ignore_errors=True)


def _lives(process: str) -> bool:
    try:
        os.kill(int(process), 0)
    except (ProcessLookupError, ValueError):
        return False
    except PermissionError:  # somebody else's
        pass
    return True


def _refuse_to_lose(out: Path) -> None:
    if not out.exists():
        return
    if not out.is_dir():
        raise RecordingError(f"{out} must be a folder for the run, it is a file")
    held = {path.name for path in out.iterdir()}
    if not held:
        return
    if not is_run_folder(out):
        raise RecordingError(
            f"{out} must be a new or empty folder, it holds {min(held)}; choose another --out"
        )
    kept = sorted(held & set(KEPT_BY_HAND))
    if kept or _is_live(out):
        what = kept[0] if kept else "a run made at the machine"
        raise RecordingError(f"{out} holds {what}, which would be lost; choose another --out")


def _is_live(out: Path) -> bool:
    return bool(read_header(out).started)
