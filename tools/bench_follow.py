"""How well programs are followed and judged, on drawn runs: programs, operators, ears and faults.

`tools/bench follow [RUNS] [--workers N] [--only WORD] [--out FILE]`: more runs, firmer figures (default 4
a line). Each run comes from its own seed, so the counts are the same for any number of workers.
"""

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tools.tools_follow.jobs import Counts, lines
from tools.tools_follow.tables import print_tables

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
FIRST = ("memory", "long", "plan single", "follow", "slow")  # what takes longest goes first


def main(arguments: list[str]) -> int:
    """Run all lines and print them; 1 where a hard limit is missed."""
    parser = argparse.ArgumentParser(prog="tools/bench follow")
    parser.add_argument("runs", nargs="?", type=int, default=4)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--only", default="", help="lines whose name has this word")
    parser.add_argument("--out", type=Path, help="write all counts there as JSON, run by run")
    parser.add_argument("--show", type=Path, help="print the tables of such a file and run nothing")
    given = parser.parse_args(arguments)
    if given.show is not None:
        return int(print_tables(json.loads(given.show.read_text(encoding="utf-8"))["lines"]))
    began = time.monotonic()
    found = run_all(given.runs, given.only, given.workers)
    if given.out is not None:
        text = json.dumps({"format": "follow bench 1", "runs": given.runs, "lines": found})
        given.out.write_text(text, encoding="utf-8")
    missed = print_tables(found)
    print(f"in {time.monotonic() - began:.0f} s with {given.workers} workers")
    return int(missed)


def run_all(n_runs: int, only: str, n_workers: int) -> dict[str, list[Counts]]:
    """The counts of every run of every line, in the order of the seeds."""
    wanted = {name: share for name, (_, share) in lines().items() if only in name}
    jobs = [(name, seed) for name, share in wanted.items() for seed in range(max(round(share * n_runs), 1))]
    jobs.sort(key=lambda job: not job[0].startswith(FIRST))
    if n_workers == 1:
        counts = [one(job) for job in jobs]
    else:
        for name in THREADS:  # a worker is one process on one core; numpy is read anew in each
            os.environ[name] = "1"
        with ProcessPoolExecutor(n_workers, mp_context=get_context("spawn")) as pool:
            counts = list(pool.map(one, jobs))
    found: dict[str, list[Counts]] = {name: [] for name in wanted}
    for (name, _), each in zip(jobs, counts, strict=True):
        found[name].append(each)
    return found


def one(job: tuple[str, int]) -> Counts:
    """One run of one line."""
    name, seed = job
    return lines()[name][0](seed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
