"""What a controller beside the sound is worth to the follower: execution, overrides, lines, positions.

Run with ``python tools/bench_controller.py [--runs 6] [--only WORD]``. Drawn programs with invented places,
an operator who holds and steps the override; five updates a second, positions one, 0.2 s late. A line may be
the block that is cut or three ahead. Nothing here is measured on a machine.
"""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from listen.timeline import Timeline
from tools.tools_follow import score
from tools.tools_follow.controller import Controller, controller_marks, program_time, with_places
from tools.tools_follow.jobs import EAR
from tools.tools_follow.programs import draw_program
from tools.tools_follow.runs import HARSH, RATE, Truth, run

CONTROLLERS: dict[str, Controller | None] = {
    "sound alone": None,
    "execution": Controller(tells=frozenset({"execution"})),
    "execution, override": Controller(tells=frozenset({"execution", "override"})),
    "lines": Controller(tells=frozenset({"lines"})),
    "lines, three ahead": Controller(tells=frozenset({"lines"}), ahead=3),
    "all, lines three ahead": Controller(tells=frozenset({"execution", "override", "lines"}), ahead=3),
    "positions": Controller(tells=frozenset({"positions"})),
    "all with positions": Controller(tells=frozenset({"execution", "override", "lines", "positions"})),
}
HEADINGS = ("once over", "half s in", "recovered", "place ±0.5 s", "flags/h")


def main(arguments: Sequence[str]) -> int:
    """Print a line for each controller; exit code 1 where one makes it worse than sound alone."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=6)
    parser.add_argument("--only", default="", help="controllers whose name has this word, beside sound alone")
    asked = parser.parse_args(arguments)
    worse = False
    print(f"{'':28}" + "".join(f"{heading:>14}" for heading in HEADINGS))
    alone: list[float] = []
    for said, controller in CONTROLLERS.items():
        if controller is not None and asked.only not in said:
            continue
        shares = of_runs(controller, range(asked.runs))
        print(f"  {said:26}" + "".join(f"{share:14.3f}" for share in shares), flush=True)
        alone = alone or shares
        worse |= shares[0] < alone[0] - 1e-9
    print(f"worse than sound alone somewhere: {worse}")
    return int(worse)


def of_runs(controller: Controller | None, seeds: range) -> list[float]:
    """The shares of `HEADINGS` over all runs."""
    total: dict[str, float] = {}
    for seed in seeds:
        rng = np.random.default_rng(seed + 7000)
        timeline = with_places(draw_program(rng, duration_s=240.0))
        truth = run(rng, timeline, HARSH, ear=EAR)
        for key, count in _counts(timeline, truth, controller, seed).items():
            total[key] = total.get(key, 0.0) + count
    return [
        total["once over"] / total["heard"],
        total["half a second in"] / total["heard"],
        total["recovered"] / max(1.0, total["holds"]),
        total["near"] / max(1.0, total["placed"]),
        3600.0 * total["flags"] / total["seconds"],
    ]


def _counts(timeline: Timeline, truth: Truth, controller: Controller | None, seed: int) -> dict[str, float]:
    rng = np.random.default_rng((seed, 9))
    beside = () if controller is None else controller_marks(rng, timeline, truth, controller)
    said = score.listen_live(timeline, truth, EAR, known="cycle start", beside=beside)
    counts = score.matches(said, timeline, truth) | score.recoveries(said, timeline, truth)
    near = []
    for position in said.positions:
        true = program_time(truth, position.at / RATE)
        if true is not None and true < timeline.duration - 0.5:
            near.append(abs(position.program_time - true) <= 0.5)
    flags = float(len(said.flags))
    return counts | {
        "near": float(sum(near)),
        "placed": float(len(near)),
        "flags": flags,
        "seconds": truth.end_s,
    }


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
