"""Cuts that stop too soon, or are not there, on made sound, heard by the shipped ear: what is said of them.

`tools/bench follow --only "made stops"` listens to made clips of two minutes at 12 and 6 dB with all
disturbances. Each is followed as a program that expects just its contacts, the feed clock known: any
"cutting stopped" is false. Then four times as one that expects every fourth contact with air after it to go
on, and three times as one that expects a contact more, in the air between two: that one is not there. Drawn
events say nothing of how long the ear takes to confirm, nor of what it believes meanwhile; this does.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from listen.ears import Heard, shipped_model
from listen.follow import Follower
from listen.followed import Verdict, VerdictKind
from listen.spans import SpanKind
from listen.states import Event, StateLikelihoods
from listen.timeline import Timeline
from listen.told import Cue
from tools.tools_follow.measure_ear import clip, told
from tools.tools_follow.programs import timeline_of

CLIP_S, CLIPS = 120.0, 30
AIR_S, LENGTH_S = 1.2, 0.5  # a contact that stops has at least so much air after it, and lasts so long
LEFT_S, LONGER = 0.4, 1.5  # air left of it; longest that it is expected to go on, as a share of its length,
LEAST_LONGER = 0.43  # and shortest: stopped at 70 % at the latest, as in the line "cut short"
ONE_IN = 4
ROOM_S, ABSENT_S, N_ABSENT = 2.4, 0.8, 3  # least air about a contact that is not there, its length, how many
SOON_S = (0.1, 0.15, 0.2, 0.3, 0.6, 1.0, 9.0)  # after a stop
Cuts = list[tuple[float, float, float]]  # start, leaving, stop [s]
Counts = dict[str, float]


def program(cuts: Cuts, length_s: float) -> Timeline:
    """A program of these contacts, at a feed that will not be changed."""
    edges = [0.0, *(edge for start, _, stop in cuts for edge in (start, stop)), length_s]
    pieces = [
        (SpanKind.FEED, max(after - before, 0.0), index // 2 if index % 2 else None)
        for index, (before, after) in enumerate(pairwise(edges))
    ]
    drawn = timeline_of(pieces, ["side cut"] * len(cuts), [1] * len(cuts), feed_mm_per_min=600.0)
    contacts = tuple(
        replace(contact, ramp_out=stop - leaving)
        for contact, (_, leaving, stop) in zip(drawn.contacts, cuts, strict=True)
    )
    return replace(drawn, contacts=contacts, override_steady=True)


def said_of(timeline: Timeline, items: Sequence[Heard], rate: int) -> list[object]:
    """All that is said of what was heard."""
    follower = Follower(timeline, rate=rate, ear=shipped_model().rates)
    said: list[object] = []
    for item in items:
        if isinstance(item, StateLikelihoods):
            follower.listen(item)
        elif isinstance(item, Event):
            said += follower.push((item,), item.decided_at)
    return [*said, *follower.close(round(timeline.duration * rate))]


def stops(said: Sequence[object]) -> list[Cue]:
    """What is said of cuts that stopped."""
    return [cue for cue in said if isinstance(cue, Cue) and cue.kind == "cutting stopped"]


def not_heard(said: Sequence[object]) -> set[int]:
    """Contacts that are called not heard, counted from 0."""
    judged = {item.contact - 1: item.kind for item in said if isinstance(item, Verdict) and item.contact}
    return {contact for contact, kind in judged.items() if kind == VerdictKind.NOT_HEARD}


def absent_told(cuts: Cuts, length_s: float, items: Sequence[Heard], rate: int) -> list[bool]:
    """For each contact put into air where nothing is heard, whether it is called not heard."""
    wide = [k for k, (one, other) in enumerate(pairwise(cuts)) if other[0] - one[2] > ROOM_S]
    found = []
    for after in wide[2 :: max(1, len(wide) // N_ABSENT)][:N_ABSENT]:
        start = 0.5 * (cuts[after][2] + cuts[after + 1][0] - ABSENT_S)
        more = (start, start + ABSENT_S - 0.05, start + ABSENT_S)
        said = said_of(program([*cuts[: after + 1], more, *cuts[after + 1 :]], length_s), items, rate)
        found.append(after + 1 in not_heard(said))
    return found


def delays(cuts: Cuts, length_s: float, items: Sequence[Heard], rate: int) -> list[float]:
    """For each contact that could go on, how long after its stop that was said [s]; inf for never."""
    following = [start for start, _, _ in cuts[1:]] + [length_s]
    able = [
        index
        for index, (start, _, stop) in enumerate(cuts)
        if stop - start > LENGTH_S
        and following[index] - stop > max(AIR_S, LEFT_S + LEAST_LONGER * (stop - start))
    ]
    found = []
    for first in range(min(ONE_IN, len(able))):
        longer = list(cuts)
        for index in able[first::ONE_IN]:
            start, leaving, stop = cuts[index]
            more = min(following[index] - stop - LEFT_S, LONGER * (stop - start))
            longer[index] = (start, leaving + more, stop + more)
        said = stops(said_of(program(longer, length_s), items, rate))
        for index in able[first::ONE_IN]:
            after = [cue.at / rate - cuts[index][2] for cue in said if cue.contact == index + 1]
            found.append(min((delay for delay in after if delay > -LEFT_S), default=np.inf))
    return found


def one_clip(seed: int) -> Counts:
    """What is said of one clip: false words, and how soon the true ones."""
    made = clip(seed, duration_s=CLIP_S)
    cuts = [(c.start / made.rate, c.leaving / made.rate, c.stop / made.rate) for c in made.truth.contacts]
    starts, ends = [start for start, _, _ in cuts], [0.0, *(stop for _, _, stop in cuts)]
    if not cuts or any(start <= end for start, end in zip(starts, ends, strict=False)):
        return {}
    items = told(made)
    after = np.array(delays(cuts, CLIP_S, items, made.rate))
    as_it_is = said_of(program(cuts, CLIP_S), items, made.rate)
    absent = absent_told(cuts, CLIP_S, items, made.rate)
    counts = {"false": float(len(stops(as_it_is))), "of": float(after.size)}
    counts |= {"absent told": float(sum(absent)), "absent of": float(len(absent))}
    counts |= {"wrongly absent": float(len(not_heard(as_it_is))), "contacts": float(len(cuts))}
    counts["cutting"] = sum(stop - start for start, _, stop in cuts)
    return counts | {f"within {soon_s}": float(np.sum(after <= soon_s)) for soon_s in SOON_S}
