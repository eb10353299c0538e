"""Two runs beside each other: what changed, worst first, with the sound of both."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.record import Run, RunContact, read_stretch
from listen.record.compare import Comparison, compare_runs
from listen.record.reference import read_reference
from listen.record.run_json import write_whole
from listen.record.words import contact_labels
from listen.show.page import bundle, one_file, static_text
from listen.show.page_sound import encoded

MARGIN_S = 0.3
MOST_S = 20.0  # of one contact
MOST_TOTAL_S = 240.0  # of all in one page, of each run


def write_compare_page(first: Run, second: Run, path: Path, *, good: Sequence[Run] = ()) -> Comparison:
    """Write the page that compares two runs of one program, and give the comparison.

    Raises
    ------
    InputError
        If the programs are not the same.
    """
    comparison = compare_runs(first, second, good)
    worst = list(dict.fromkeys(change.contact for change in comparison.changes if change.contact))
    rank = {contact: place for place, contact in enumerate(worst)}
    pairs = sorted(comparison.pairs, key=lambda pair: rank.get(pair[0].id, len(rank) + pair[0].id))
    labels = contact_labels(first.contacts)
    cuts_a, sound_a = _cuts(first, [pair[0] for pair in pairs])
    cuts_b, sound_b = _cuts(second, [pair[1] for pair in pairs])
    data = {
        "program": first.header.program,
        "names": [_name(first), _name(second)],
        "n_good": comparison.n_good,
        "n_pairs": len(comparison.pairs),
        "changes": [
            {
                "contact": change.contact,
                "label": change.label,
                "what": change.what,
                "text": change.text,
                "strength": _strength(change.score),
            }
            for change in comparison.changes
        ],
        "pairs": [
            {"id": one.id, "label": labels[one.id], "a": _heard(first, one), "b": _heard(second, other)}
            for one, other in comparison.pairs
        ],
        "cuts": [cuts_a, cuts_b],
    }
    page = one_file(
        title=f"{first.header.program}: two runs compared",
        body=static_text("compare.html"),
        script=bundle("compare.js"),
        style=static_text("look.css"),
        data=data,
        binaries={"sound-a": sound_a, "sound-b": sound_b},
    )
    write_whole(path, page)
    return comparison


def _name(run: Run) -> str:
    started = run.header.started.replace("T", " ")[:16]
    mark = read_reference(run.folder)
    said = "(a preview, made)" if run.header.is_made else f"(reference by {mark})" if mark else ""
    return " ".join(part for part in (run.folder.name, started, said) if part)


def _strength(score: float) -> str:
    """How far beyond the usual spread, in a word."""
    return "far beyond" if abs(score) >= 7.0 else "beyond"


def _heard(run: Run, contact: RunContact) -> list[float] | None:
    if contact.heard is None:
        return None
    return [contact.heard.onset / run.rate, contact.heard.offset / run.rate]


def _cuts(run: Run, contacts: Sequence[RunContact]) -> tuple[list[dict[str, Any]], bytes]:
    """Where each contact lies in one sound made of all of them, and that sound."""
    if run.sound_path is None:
        return [], b""
    rate = run.header.sound_rate
    rows: list[dict[str, Any]] = []
    parts: list[NDArray[np.float64]] = []
    place_s = 0.0
    for contact in contacts:
        heard = _heard(run, contact)
        assert heard is not None
        stop_s = min(heard[1], heard[0] + MOST_S)
        cut = read_stretch(run.sound_path, from_s=heard[0] - MARGIN_S, to_s=stop_s + MARGIN_S)
        length_s = cut.size / rate
        if place_s + length_s > MOST_TOTAL_S:
            break
        level_db = 10.0 * np.log10(max(float(np.mean(np.square(cut))), 1e-12))
        rows.append({"id": contact.id, "from_s": place_s, "to_s": place_s + length_s, "level_db": level_db})
        parts.append(cut)
        place_s += length_s
    return rows, encoded(parts, rate, short=True) if parts else b""
