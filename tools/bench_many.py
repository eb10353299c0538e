"""Many recordings by one worker, by two, and on a Dask cluster of two: how much faster, and the same runs."""

import argparse
import tempfile
import time
from collections import defaultdict
from functools import partial
from pathlib import Path

import soundfile

from listen.cli_replay import replay_into
from listen.record.many import replay_many
from tools.bench_chain import make_recording
from tools.tools_many.work import timed_replay

AT_LEAST = 1.7  # two workers against one, on two cores


def main(arguments: list[str]) -> int:
    """Print clock and processor times; 1 where two workers gain too little or runs differ."""
    parser = argparse.ArgumentParser(prog="tools/bench many")
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--minutes", type=float, default=2.0, help="length of each")
    parser.add_argument("--cluster", action="store_true", help="the cluster, too")
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        recordings = _recordings(folder, asked.runs, asked.minutes)
        timed_replay(recordings[0], folder / "warm")
        one_s, shares = _timed(recordings, folder / "one", 1)
        two_s, halves = _timed(recordings, folder / "two", 2)
        same = _runs(folder / "one") == _runs(folder / "two")
        if asked.cluster:
            same = same and _on_cluster(recordings, folder / "cluster") == _runs(folder / "one")
    by_processor = sum(shares) / max(halves)
    print(f"one worker {one_s:.1f} s clock, {sum(shares):.1f} s processor")
    print(f"two workers {two_s:.1f} s clock, {' + '.join(f'{share:.1f}' for share in halves)} s processor")
    print(
        f"two against one: {one_s / two_s:.2f} x by the clock, {by_processor:.2f} x by the processor time of "
        f"the busier worker (limit {AT_LEAST})"
    )
    print("run.json byte-identical" if same else "run.json DIFFERS")
    return 0 if same and max(one_s / two_s, by_processor) >= AT_LEAST else 1


def _recordings(folder: Path, n_runs: int, minutes: float) -> tuple[Path, ...]:
    """One made recording under many names: what it holds does not matter here."""
    first = folder / "first.flac"
    make_recording(first, minutes)
    paths = [folder / "in" / f"run{number:02}.flac" for number in range(n_runs)]
    paths[0].parent.mkdir()
    for path in paths:
        path.symlink_to(first)
    print(f"{n_runs} recordings of {soundfile.info(first).duration:.0f} s", flush=True)
    return tuple(paths)


def _timed(recordings: tuple[Path, ...], out: Path, workers: int) -> tuple[float, list[float]]:
    """Clock time, and the processor time of each worker."""
    began = time.perf_counter()
    replay_many(recordings, out, timed_replay, workers=workers)
    passed_s = time.perf_counter() - began
    spent: dict[str, float] = defaultdict(float)
    for path in out.glob("*.spent"):
        worker, seconds = path.read_text().split()
        spent[worker] += float(seconds)
    return passed_s, sorted(spent.values())


def _on_cluster(recordings: tuple[Path, ...], out: Path) -> dict[str, bytes]:
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        replay_many(recordings, out, partial(replay_into, job=None), cluster=cluster.scheduler_address)
    return _runs(out)


def _runs(out: Path) -> dict[str, bytes]:
    return {path.parent.name: path.read_bytes() for path in out.glob("*/run.json")}
