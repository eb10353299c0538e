"""What the belief in a verdict is worth, on drawn runs that no bench uses.

`python -m tools.tools_follow.calibrate [RUNS]` prints, for "as expected" and for all else, with and without
the feed clock, how often verdicts were right beside the belief that the guesses had in them. The numbers
in `listen/follow/verdicts.py` are set from its answer.
"""

import sys
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from listen.follow import verdicts
from listen.followed import VerdictKind
from tools.tools_follow import score
from tools.tools_follow.jobs import EAR, RIGHT, WORSE, drawn, is_right
from tools.tools_follow.runs import CALM, HARSH, STEADY, Fault

FIRST_SEED = 400_000
HINTS = ("none", "feed clock", "none", "cycle start")
EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.999, 1.01)
Row = tuple[bool, VerdictKind, float, bool]  # feed clock, kind, belief, right


class _Raw(verdicts.Wording):
    """Verdicts whose probability is the guesses' own belief."""

    def _sober(self, kind: int, belief: float, doubt: float = 0.0) -> float:
        return belief


def rows(seed: int) -> Iterator[Row]:
    """The verdicts of one drawn run: two in five have a fault, one in four a worse ear than stated."""
    rng = np.random.default_rng((seed, 55))
    known, operator = HINTS[seed // 3 % 4], (CALM, HARSH, STEADY)[seed % 3]
    ear = WORSE if rng.random() < 0.25 else EAR
    timeline, truth = drawn(seed, operator, ear=ear, told=EAR)
    fault = Fault(kind="none", contact=-1)
    if rng.random() < 0.4:
        kind = str(rng.choice(["early", "absent", "cut short"]))
        amount = {"early": rng.uniform(1.0, 10.0), "cut short": rng.uniform(0.2, 0.7)}.get(kind, 0.0)
        fault = Fault(kind=kind, contact=int(rng.integers(2, len(timeline.contacts) - 1)), amount=amount)
        timeline, truth = drawn(seed, operator, ear=ear, told=EAR, faults=(fault,))
    said = score.listen_live(timeline, truth, EAR, known=known)
    for contact, verdict in said.verdicts.items():
        if verdict.kind is not VerdictKind.CANNOT_TELL:
            is_fault = contact == fault.contact
            right = verdict.kind is RIGHT[fault.kind] if is_fault else is_right(truth, contact, verdict)
            yield known == "feed clock", verdict.kind, verdict.probability, right


def main(arguments: list[str]) -> None:
    """Draw the runs and print the table."""
    verdicts.Wording._sober = _Raw._sober  # type: ignore[method-assign]
    n_runs = int(arguments[0]) if arguments else 130
    found = [row for seed in range(FIRST_SEED, FIRST_SEED + n_runs) for row in rows(seed)]
    for clock in (False, True):
        for fine in (True, False):
            here = [
                (belief, right)
                for known, kind, belief, right in found
                if known == clock and (kind is VerdictKind.AS_EXPECTED) == fine
            ]
            print(f"{'feed clock' if clock else 'no clock'}, {'as expected' if fine else 'anything else'}")
            _table(np.array(here).reshape(-1, 2))


def _table(found: np.ndarray) -> None:
    for low, high in pairwise(EDGES):
        inside = found[(found[:, 0] >= low) & (found[:, 0] < high)]
        if inside.size:
            belief, right = inside.mean(axis=0)
            print(f"    belief {belief:.4f}, right {right:.3f} of {len(inside)}")


if __name__ == "__main__":
    main(sys.argv[1:])
