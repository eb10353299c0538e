"""The cuts of a reference run, to be played beside those of another run at matched level."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.record import Run, RunContact, read_stretch
from listen.record.reference import read_reference
from listen.show.page_sound import encoded

MARGIN_S = 0.3  # of air before and after each cut
MOST_S = 20.0  # of one cut
MOST_TOTAL_S = 240.0  # of all cuts in one page


def reference_cuts(run: Run, reference: Run) -> tuple[dict[str, Any] | None, bytes]:
    """Where each contact's reference cut lies in one sound, and that sound.

    Returns
    -------
    dict or None
        ``name``, ``said`` (who stands for it, and what is good), ``sound_type``, ``duration_s`` and
        ``contacts``: id, from_s, to_s and gain_db, by which this run is louder than the reference;
        None where no contact has one.
    bytes
        The cuts one after the other, encoded.
    """
    if run.sound_path is None or reference.sound_path is None:
        return None, b""
    rate = reference.header.sound_rate
    parts: list[NDArray[np.float64]] = []
    rows: list[dict[str, Any]] = []
    place = 0.0
    for mine, theirs in _pairs(run, reference):
        cut = _cut(reference, theirs)
        if place + cut.size / rate > MOST_TOTAL_S:
            break
        gain_db = _level_db(run, mine) - _level_db(reference, theirs)
        rows.append(
            {"id": mine.id, "from_s": place, "to_s": place + cut.size / rate, "gain_db": round(gain_db, 2)}
        )
        parts.append(cut)
        place += cut.size / rate
    if not rows:
        return None, b""
    mark = read_reference(reference.folder)
    told = {
        "name": reference.folder.name,
        "said": str(mark) if mark else "",
        "sound_type": "audio/ogg",
        "duration_s": place,
        "contacts": rows,
    }
    return told, encoded(parts, rate, short=True)


def _pairs(run: Run, reference: Run) -> list[tuple[RunContact, RunContact]]:
    """Contacts of both runs that are the same contact of one program and were heard in both."""
    theirs = {(row.id, row.block): row for row in reference.contacts if row.heard and row.expected}
    both = ((row, theirs.get((row.id, row.block))) for row in run.contacts if row.heard)
    return [(mine, other) for mine, other in both if other is not None]


def _cut(run: Run, row: RunContact) -> NDArray[np.float64]:
    assert row.heard is not None
    assert run.sound_path is not None
    start = row.heard.onset / run.rate
    stop = min(row.heard.offset / run.rate, start + MOST_S)
    return read_stretch(run.sound_path, from_s=start - MARGIN_S, to_s=stop + MARGIN_S)


def _level_db(run: Run, row: RunContact) -> float:
    """Mean level of the middle half of a contact [dB re full scale]."""
    assert row.heard is not None
    assert run.sound_path is not None
    quarter = (row.heard.offset - row.heard.onset) / 4
    start, stop = row.heard.onset + quarter, row.heard.offset - quarter
    sound = read_stretch(run.sound_path, from_s=start / run.rate, to_s=max(stop, start + 1) / run.rate)
    return float(10.0 * np.log10(max(float(np.mean(np.square(sound))) if sound.size else 0.0, 1e-12)))
