"""Examples from the operator's own runs: real cuts of this shop, where its people allow it.

Conventions
-----------
Nothing is added to a run and nothing leaves the computer: short cuts of its sound go into the page.
"""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.errors import RecordingError
from listen.record import Run, RunContact, read_run, read_stretch
from listen.record.reference import Reference, read_reference
from listen.record.words import contact_labels
from listen.states import State

MARGIN_S = 0.7  # of air before and after each cut
MOST_S = 6.0  # of one cut
MOST_OF_RUN = 3
PEAK = 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnExample:
    """One cut of a run.

    Attributes
    ----------
    title, listen_for, why : str
    samples : ndarray, shape (n_samples,)
        At the rate of the lessons, loudest sample at `PEAK`.
    states : list of dict
        ``{"state", "from_s", "to_s"}`` as the tool heard them.
    """

    title: str
    listen_for: str
    why: str
    samples: NDArray[np.float64]
    states: list[dict[str, Any]]


def own_examples(folder: Path, *, rate: int) -> tuple[OwnExample, ...]:
    """The flagged contacts of a run first, then good ones; of a reference only the good ones.

    Raises
    ------
    RecordingError
        If the run keeps no sound, has no job, nothing was heard in it, or it is a preview or a replay of one.
    """
    run = read_run(folder)
    if run.header.of_made_sound:
        raise RecordingError(
            f"{folder} is of made sound, of a preview; name runs that were heard at a machine"
        )
    if run.sound_path is None:
        raise RecordingError(f"{folder} keeps no sound, so nothing of it can be played in the lessons")
    if run.timeline is None:
        raise RecordingError(
            f"{folder} was heard without a job, and its cuts have no names; replay it with --job"
        )
    mark = read_reference(folder)
    chosen = _chosen(run, is_reference=mark is not None)
    if not chosen:
        raise RecordingError(f"in {folder} no contact was heard that could be played in the lessons")
    return tuple(_example(run, row, rate, mark) for row in chosen[:MOST_OF_RUN])


def _chosen(run: Run, *, is_reference: bool) -> list[RunContact]:
    """Heard contacts, flagged ones first; of a reference none that is flagged: nobody stands for it.

    One of each line comes before a second of any: three pecks of one hole are one example.
    """
    flagged = {flag.contact for flag in run.flags}
    heard = [row for row in run.contacts if row.heard and not (is_reference and row.id in flagged)]
    before: Counter[str | None] = Counter()
    places = []
    for row in heard:
        places.append((row.id not in flagged, before[row.block]))
        before[row.block] += 1
    return [row for _, row in sorted(zip(places, heard, strict=True), key=lambda pair: pair[0])]


def _listen_for(mark: Reference | None) -> str:
    """What to listen for: what someone experienced said of a reference, where the run is one."""
    if mark is None:
        return "Your own machine: say to yourself where it enters and leaves, then look."
    return f"This is what we want{f': {mark.note}' if mark.note else ''} ({mark.by})"


def _example(run: Run, row: RunContact, rate: int, mark: Reference | None) -> OwnExample:
    assert run.sound_path is not None
    assert row.heard is not None
    begin = max(0.0, row.heard.onset / run.rate - MARGIN_S)
    end = min(row.heard.offset / run.rate + MARGIN_S, begin + MOST_S + 2.0 * MARGIN_S)
    samples = _resampled(read_stretch(run.sound_path, from_s=begin, to_s=end), run.header.sound_rate, rate)
    return OwnExample(
        title=f"{run.folder.name}, {contact_labels(run.contacts)[row.id]}",
        listen_for=_listen_for(mark),
        why=f"The tool called it {row.verdict}, strength {row.strength}; the states drawn are what it heard.",
        samples=samples * (PEAK / max(1e-9, float(np.max(np.abs(samples), initial=0.0)))),
        states=_states(run, begin, begin + samples.size / rate),
    )


def _resampled(samples: NDArray[np.float64], rate: int, to: int) -> NDArray[np.float64]:
    import soxr

    resampled: NDArray[np.float64] = soxr.resample(samples, rate, to)
    return resampled


def _states(run: Run, begin: float, end: float) -> list[dict[str, Any]]:
    """What was heard from `begin` to `end` [s], without a hole, in seconds of the cut."""
    edges: list[tuple[str, float]] = [(str(State.AIR), begin)]
    for event in run.heard:
        at = event.at / run.rate
        edges = [(str(event.state), begin)] if at <= begin else edges
        edges += [(str(event.state), at)] if begin < at < end else []
    ends = [at for _, at in edges[1:]] + [end]
    return [
        {"state": state, "from_s": round(at - begin, 4), "to_s": round(to - begin, 4), "probability": 1}
        for (state, at), to in zip(edges, ends, strict=True)
        if to > at
    ]
