"""The page of a finished run: one file that opens from disk with the network off."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listen.record import Run, read_sound
from listen.record.features import FEATURES_FILE, picture_of, read_features
from listen.record.reference import newest_reference
from listen.record.run_json import write_whole
from listen.record.sound import LONG_S
from listen.record.spectrum import Picture, PictureMaker, no_picture, useful_range
from listen.show.load_page import write_run_load_page
from listen.show.page import bundle, one_file, packed, static_text
from listen.show.page_sound import encoded
from listen.show.reference import reference_cuts
from listen.show.run_page import run_page

_MOST_BYTES = 14_600_000  # sound, reference cuts and picture; as Base64 they grow by a third, to 19.5 MB


def write_replay_page(run: Run, path: Path, *, reference: Run | None = None) -> None:
    """Write the timeline page of a run.

    Parameters
    ----------
    run : Run
    path : Path
        The file, usually ``timeline.html`` in the run folder.
    reference : Run | None
        A run of the same program whose cuts are the yardstick: they can be played beside.

    Raises
    ------
    RecordingError
        If the sound of the run is damaged.
    """
    picture = _picture(run) if run.picture is None else run.picture
    columns = picture.columns
    quiet, loud = useful_range(columns)
    cuts, reference_sound = reference_cuts(run, reference) if reference else (None, b"")
    data = run_page(run) | {
        "reference": cuts,
        "spectrum": {
            "hop_s": picture.hop_s,
            "bands_hz": [round(float(hz), 1) for hz in picture.bands_hz],
            "quiet": quiet,
            "loud": loud,
        },
    }
    if columns.nbytes > 1_000_000:  # a decibel a step: noise in the last bit does not pack
        columns = np.bitwise_and(columns, np.uint8(0xFE))
    spectrum = packed(columns.tobytes())
    sound = _page_sound(run, at_most=_MOST_BYTES - len(spectrum) - len(reference_sound))
    what = "a preview" if run.header.is_made else "what was heard"
    page = one_file(
        title=f"{run.header.program or run.header.source or 'A run'}: {what}",
        body=static_text("replay.html"),
        script=bundle("replay.js"),
        style=static_text("look.css"),
        data=data | {"sound_type": "audio/ogg" if sound else ""},
        binaries={"spectrum": spectrum},
        late={"reference": reference_sound, "sound": sound},
    )
    write_whole(path, page)


def write_run_page(run: Run, path: Path) -> None:
    """The page of a run, beside the last reference of its program in the folder that holds the run.

    Raises
    ------
    RecordingError
        As `write_replay_page`.
    """
    write_replay_page(
        run, path, reference=newest_reference(path.parent.parent, run.header.program, but=path.parent)
    )


def write_run_pages(run: Run, path: Path) -> None:
    """All pages of a finished run: its timeline, and its load against the sheet's where both are known.

    Raises
    ------
    RecordingError
        As `write_replay_page`.
    """
    write_run_page(run, path)
    write_run_load_page(run, path.parent)


def _blocks(run: Run) -> Iterator[NDArray[np.float64]]:
    if run.sound_path is not None and run.duration:
        yield from read_sound(run.sound_path, block_samples=run.header.sound_rate)


def _picture(run: Run) -> Picture:
    """Made from the sound or the frames that the run keeps; empty where it keeps neither."""
    if run.sound_path is None:
        has_features = (run.folder / FEATURES_FILE).is_file()
        return picture_of(read_features(run.folder)) if has_features else no_picture()
    made = PictureMaker(run.header.sound_rate or run.rate, duration_s=run.duration / run.rate)
    for block in _blocks(run):
        made.push(block)
    return made.close()


def _page_sound(run: Run, *, at_most: int) -> bytes:
    """The sound as the page plays it, nothing where none was kept."""
    path = run.sound_path
    if path is None or not run.duration:
        return b""
    if path.suffix == ".ogg" and path.stat().st_size <= at_most:
        return path.read_bytes()
    return encoded(_blocks(run), run.header.sound_rate, short=run.duration / run.rate <= LONG_S)
