"""Contact from spindle load alone on made logs: share of feed time right, contacts found, false ones.

Run with ``python tools/bench_load.py [--logs 20] [--family amps]``. No log here is measured on a machine.
"""

import argparse
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from tools_load.drawing import FAMILIES, FINISHING, RATE, Log, Spans, draw_log

from listen.ears import LoadEar
from listen.marks import Mark
from listen.states import Event, Standing, State

LEAST = 0.95


def main(arguments: Sequence[str]) -> int:
    """Print a line for each family; exit code 1 where the mean of the second look is below `LEAST`."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--logs", type=int, default=20)
    parser.add_argument("--family", default="")
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args(arguments)
    print(f"{'':28}share of feed time right: mean and worst of {asked.logs} logs")
    print(f"{'':28}{'live':>16}{'second look':>16}{'with lines':>16}{'with speeds':>16}  F1   false")
    missed = False
    for name in FAMILIES if not asked.family else [asked.family]:
        missed |= _family_line(name, range(asked.seed, asked.seed + asked.logs))
    return int(missed)


def _family_line(name: str, seeds: range) -> bool:
    shares, ends = [], []
    for seed in seeds:
        log = log_of(name, seed)
        live, looked = hear(log, ())
        _, lines = hear(log, log.lines)
        _, speeds = hear(log, log.speeds)
        shares.append([share_right(log, spans) for spans in (live, looked, lines, speeds)])
        ends.append(score(log.contacts(), looked, collar_s=0.5))
    table = np.array(shares)
    cells = "".join(f"{100 * m:8.1f}{100 * w:8.1f}" for m, w in zip(table.mean(0), table.min(0), strict=True))
    f1, false = np.mean(ends, axis=0)
    print(f"{name:28}{cells}  {f1:.2f} {false:6.2f}", flush=True)
    return bool(table.mean(0)[1] < LEAST)


def log_of(name: str, seed: int) -> Log:
    """Log number `seed` of a family."""
    draw, (low, high) = FAMILIES[name]
    rng = np.random.default_rng([seed, len(name)])
    typical = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    return draw_log(rng, draw(rng), typical=typical, finishing=FINISHING.get(name, 0.0))


def hear(log: Log, marks: tuple[Mark, ...]) -> tuple[Spans, Spans]:
    """Contacts live, and after the second look."""
    ear = LoadEar(rate=RATE, keep=True)
    events: list[Event] = []
    for item in sorted((*log.loads, *marks), key=lambda one: one.at):
        events += [one for one in ear.push(item) if isinstance(one, Event)]
    events += [one for one in ear.close() if isinstance(one, Event)]
    return spans_of(events), spans_of(ear.look_again())


def spans_of(events: Sequence[Event]) -> Spans:
    """Confirmed contacts [s]."""
    sure = [e for e in events if e.standing == Standing.CONFIRMED and e.state in (State.ENTRY, State.AIR)]
    return [(a.at / RATE, b.at / RATE) for a, b in pairwise(sure) if a.state == State.ENTRY]


def share_right(log: Log, heard: Spans) -> float:
    """Share of the time of feed moves in which cut or air is right."""
    right = total = start = 0.0
    for one in log.stretches:
        if one.move == "feed":
            covered = sum(max(0.0, min(one.stop_s, b) - max(start, a)) for a, b in heard)
            length = one.stop_s - start
            total += length
            right += covered if one.rise > 0.0 else length - covered
        start = one.stop_s
    return right / total


def score(true: Spans, heard: Spans, *, collar_s: float) -> tuple[float, float]:
    """F1 of contacts with both ends inside the collar, and how many touch no true one."""
    hits = sum(any(abs(a - c) <= collar_s and abs(b - d) <= collar_s for c, d in heard) for a, b in true)
    false = sum(not any(a < d and c < b for c, d in true) for a, b in heard)
    return 2.0 * hits / max(1, len(true) + len(heard)), float(false)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
