"""Cuts that stop too soon on made sound, heard by the shipped ear: how soon it is said, how often falsely.

`python -m tools.tools_follow.made_stops [CLIPS]` listens to made clips of half a minute at 12 and 6 dB with
all disturbances (default 60, some two minutes). Each is followed as a program that expects just its contacts,
the feed clock known: any "cutting stopped" is false. Then, for each contact with air after it, as one that
expects this contact to go on. Drawn events say nothing of how long the ear takes to confirm; this does.
"""

import sys
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from listen.ears import Heard, shipped_model
from listen.follow import Follower
from listen.states import Event, StateLikelihoods
from listen.timeline import Cue, SpanKind, Timeline
from tools.tools_follow.measure_ear import clips, told
from tools.tools_follow.programs import timeline_of
from tools.tools_follow.tables import share

AIR_S, LENGTH_S = 1.2, 0.5  # a contact that stops has at least so much air after it, and lasts so long
LEFT_S, LONGER = 0.4, 1.5  # air left of it; longest that it is expected to go on, as a share of its length
SOON_S = (0.13, 0.3, 0.6, 1.0)  # the ear supposes an end 0.03 s after it
Cuts = list[tuple[float, float]]


def program(cuts: Cuts, length_s: float) -> Timeline:
    """A program of these contacts, at a feed that will not be changed."""
    edges = [0.0, *(edge for cut in cuts for edge in cut), length_s]
    pieces = [
        (SpanKind.FEED, max(after - before, 0.0), index // 2 if index % 2 else None)
        for index, (before, after) in enumerate(pairwise(edges))
    ]
    drawn = timeline_of(pieces, ["side cut"] * len(cuts), [1] * len(cuts), feed_mm_per_min=600.0)
    return replace(drawn, override_steady=True)


def stops(timeline: Timeline, items: Sequence[Heard], rate: int) -> list[Cue]:
    """What is said of cuts that stopped."""
    follower = Follower(timeline, rate=rate, ear=shipped_model().rates)
    said: list[object] = []
    for item in items:
        if isinstance(item, StateLikelihoods):
            follower.listen(item)
        elif isinstance(item, Event):
            said += follower.push((item,), item.decided_at)
    said += follower.close(round(timeline.duration * rate))
    return [cue for cue in said if isinstance(cue, Cue) and cue.kind == "cutting stopped"]


def delays(cuts: Cuts, length_s: float, items: Sequence[Heard], rate: int) -> list[float]:
    """For each contact that could go on, how long after its stop that was said [s]; inf for never."""
    found = []
    for index, (start, stop) in enumerate(cuts):
        until = cuts[index + 1][0] if index + 1 < len(cuts) else length_s
        if until - stop > AIR_S and stop - start > LENGTH_S:
            longer = stop + min(until - stop - LEFT_S, LONGER * (stop - start))
            said = stops(program([*cuts[:index], (start, longer), *cuts[index + 1 :]], length_s), items, rate)
            after = [cue.at / rate - stop for cue in said if cue.contact == index + 1]
            found.append(min((delay for delay in after if delay > 0.0), default=np.inf))
    return found


def main(arguments: list[str]) -> None:
    """Listen, follow and print."""
    n_false, cutting_s, after = 0, 0.0, []
    for made in clips(int(arguments[0]) if arguments else 60):
        cuts = [(c.start / made.rate, c.stop / made.rate) for c in made.truth.contacts]
        if not cuts or min(b[0] - a[1] for a, b in zip([(0.0, 0.0), *cuts], cuts, strict=False)) <= 0.0:
            continue
        items, length_s = told(made), made.samples.size / made.rate
        n_false += len(stops(program(cuts, length_s), items, made.rate))
        cutting_s += sum(stop - start for start, stop in cuts)
        after += delays(cuts, length_s, items, made.rate)
    hours = cutting_s / 3600.0
    print(f"false in {hours:.2f} h of cutting: {n_false}, {n_false / hours:.1f} an hour")
    for soon_s in (*SOON_S, 9.0):
        good = float(np.sum(np.array(after) <= soon_s))
        print(f"said within {soon_s:.2f} s of the stop: {share(good, len(after))}")


if __name__ == "__main__":
    main(sys.argv[1:])
