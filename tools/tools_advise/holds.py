"""How often and how soon "exit soon" and "hold now" come in runs without a fault, and how often wrongly."""

from dataclasses import dataclass, field

import numpy as np

from listen.timeline import Timeline
from listen.told import Cue
from tools.tools_advise.made import RATE, listen_to, make_run, timeline_of

NEAR_S = 1.0  # a word this near a true exit speaks of it
WRONG_LIMIT = 0.2  # a run


@dataclass
class _Count:
    """What was told in all runs."""

    n_exits: int = 0
    n_soon: int = 0
    n_other: int = 0  # at the exit of another contact than it says
    n_wrong: int = 0  # at no exit
    after_s: list[float] = field(default_factory=list)


def print_holds(n_runs: int) -> int:
    """Machines drawn anew on the step job; 1 above 0.2 "hold now" a run at no exit."""
    timeline, count = timeline_of(), _Count()
    for seed in range(200, 200 + n_runs):
        _listen(timeline, seed, count)
    told = len(count.after_s)
    print(f"{count.n_exits} exits with room to hold in {n_runs} runs")
    print(f"  exit soon before {count.n_soon}, hold now at {told}")
    print(f"  hold now at another contact's exit {count.n_other}, at none {count.n_wrong}")
    if told:
        middle, slow = np.percentile(count.after_s, [50.0, 90.0])
        print(f"  hold now after the true exit: median {middle:.2f} s, 90 % within {slow:.2f} s", flush=True)
    return int(count.n_wrong > WRONG_LIMIT * n_runs)


def _listen(timeline: Timeline, seed: int, count: _Count) -> None:
    run = make_run(timeline, seed)
    with_room = {hold.contact for hold in timeline.holds if hold.has_room and hold.cue}
    exits = {c.contact: c.stop / RATE for c in run.made.truth.contacts if c.contact in with_room}
    cues = [item for item in listen_to(timeline, run.samples, []) if isinstance(item, Cue)]
    soon = [cue for cue in cues if cue.kind == "exit soon"]
    count.n_exits += len(exits)
    count.n_soon += sum(
        any(cue.contact == number and 0.0 < exit_s - cue.at / RATE < 4.0 for cue in soon)
        for number, exit_s in exits.items()
    )
    for cue in cues:
        if cue.kind != "hold now":
            continue
        after_s = cue.at / RATE - exits.get(cue.contact or -1, float("inf"))
        if abs(after_s) <= NEAR_S:
            count.after_s.append(after_s)
        elif any(abs(cue.at / RATE - exit_s) <= NEAR_S for exit_s in exits.values()):
            count.n_other += 1
        else:
            count.n_wrong += 1
