"""One run as one file, to hand on."""

import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from listen.errors import InputError, RecordingError
from listen.record.reader import read_run
from listen.record.run import Run
from listen.record.spectrum import no_picture

WritePage = Callable[[Run, Path], None]
ALWAYS = ("run.json", "events.tsv", "labels.json")
STILL = (2000, 1, 1, 0, 0, 0)  # so that the same run gives the same file


def export_run(folder: Path, target: Path, *, with_sound: bool, write_page: WritePage) -> tuple[str, ...]:
    """Write a run as one zip file; the names of what is in it.

    Parameters
    ----------
    folder : Path
        The run folder.
    target : Path
        The zip file; must not be there yet.
    with_sound : bool
        Whether sound goes along, in which people's voices may be heard: ask each time. Without, the page
        is made again without sound and spectrogram.
    write_page : callable
        Makes the page.

    Raises
    ------
    InputError
        If `target` exists.
    RecordingError
        If it cannot be written.
    """
    if target.exists():
        raise InputError(f"{target} must be a new file, it is there already")
    run = read_run(folder)
    silent = replace(run, header=replace(run.header, sound="", sound_rate=0), picture=no_picture())
    shown = run if with_sound else silent
    part = target.with_name(target.name + ".part")
    try:
        with tempfile.TemporaryDirectory() as made, zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as pack:
            page = Path(made) / "timeline.html"
            write_page(shown, page)
            names = _pack(pack, run, page, with_sound=with_sound)
        part.replace(target)
        return names
    except OSError as error:
        raise RecordingError(f"{target} must be a file that can be written: {error.strerror}") from None
    finally:
        part.unlink(missing_ok=True)


def _pack(pack: zipfile.ZipFile, run: Run, page: Path, *, with_sound: bool) -> tuple[str, ...]:
    paths = [run.folder / name for name in ALWAYS if (run.folder / name).is_file()]
    paths += [run.sound_path] if with_sound and run.sound_path else []
    for path in (*paths, page):
        pack.writestr(zipfile.ZipInfo(path.name, STILL), path.read_bytes(), zipfile.ZIP_DEFLATED)
    return tuple(path.name for path in (*paths, page))
