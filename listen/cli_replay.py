"""What the verb `replay` does, for one recording and for many."""

import json as to_json
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from listen.cli_print import print_run, progress_bar, say_set_aside
from listen.errors import InputError
from listen.hear import columns_taken, parse_clamp, parse_columns
from listen.record import is_run_folder, read_run
from listen.record.many import Done, find_recordings, replay_many
from listen.record.words import run_sentence
from listen.replay_run import replay_recording
from listen.show import write_run_pages

FINE, FLAGGED, FAILED = 0, 1, 2


def replay_one(
    recording: Path,
    *,
    job: Path | None,
    load: Path | None,
    columns: str,
    clamp: str,
    model: Path | None,
    out: Path | None,
    keep: str,
    json: bool,
) -> int:
    """Listen to one recording and print the run."""
    if columns and load is None:
        raise InputError(f"--columns names those of a load log, got {columns!r} without --load")
    target = out or _own_folder(recording, load)
    recorded_with = read_run(recording).header.program if is_run_folder(recording) else ""
    with progress_bar("listening", quiet=json) as progress:
        run = replay_recording(
            recording,
            out=target,
            set_aside=say_set_aside(target),
            write_page=write_run_pages,
            job=job,
            load=load,
            columns=columns,
            clamp=parse_clamp(clamp) if clamp else None,
            model=model,
            keep=keep,
            progress=progress,
        )
    if load is not None and not json:
        print(columns_taken(load, columns=parse_columns(columns)))
    if not json and recorded_with and run.header.program != recorded_with:
        print(f"! recorded with {recorded_with}, held here against {run.header.program or 'no program'}")
    print_run(run, json=json)
    return FLAGGED if run.flags else FINE


def _own_folder(recording: Path, load: Path | None) -> Path:
    named = load if str(recording) == "-" and load is not None else recording
    return Path(f"{named.resolve().stem}-run")


def replay_all(
    patterns: Sequence[str],
    *,
    job: Path | None,
    model: Path | None,
    out: Path,
    keep: str,
    workers: int,
    cluster: str,
    json: bool,
) -> int:
    """Listen to many recordings, a run folder each below `out`; a refused one does not stop the rest."""
    if "-" in patterns:
        raise InputError("`-` stands alone: one load log is one run")
    recordings = find_recordings(patterns)
    finished: list[Done] = []
    with progress_bar(f"{len(recordings)} recordings", quiet=json) as progress:

        def tell(done: Done) -> None:
            finished.append(done)
            progress(len(finished) / len(recordings))

        replay = partial(replay_into, job=job, model=model, keep=keep)
        results = replay_many(recordings, out, replay, workers=workers, cluster=cluster, progress=tell)
    return _print_all(results, json=json)


def replay_into(
    recording: Path, folder: Path, *, job: Path | None, model: Path | None = None, keep: str = "small"
) -> None:
    """Listen to one recording into one folder, printing nothing: what a worker does."""
    replay_recording(recording, job=job, model=model, keep=keep, out=folder, write_page=write_run_pages)


def _print_all(results: Sequence[Done], *, json: bool) -> int:
    rows = []
    for done in results:
        run = None if done.how == "refused" else read_run(done.folder)
        said = done.reason if run is None else run_sentence(run)
        n_flags = 0 if run is None else len(run.flags)
        rows.append(
            {"recording": str(done.recording), "run": str(done.folder), "how": done.how, "flags": n_flags}
        )
        if run is None:
            print(f"cut-listen: {' '.join(said.split())}", file=sys.stderr)
        elif not json:
            flags = "" if not n_flags else ", 1 flag" if n_flags == 1 else f", {n_flags} flags"
            print(f"{done.folder}: {said}{flags}{' (done before)' if done.how == 'was done already' else ''}")
    if json:
        print(to_json.dumps(rows))
    if any(done.how == "refused" for done in results):
        return FAILED
    return FLAGGED if any(row["flags"] for row in rows) else FINE
