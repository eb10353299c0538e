"""How fast a person presses hold at a sound, and how far an axis goes meanwhile.

Conventions
-----------
Reactions are seconds from the sound at the ear to the press; the travel counts everything from the sound at
the tool to standstill. A person who is slower than the figures of the hold tables lengthens them; one who is
faster never shortens them, because a surprise at the machine is slower than a lesson.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from listen.errors import InputError
from listen.expect.stopping import SOUND_PATH_S, travel_after_press
from listen.job import Machine, Operator

SOONEST_S = 0.1  # quicker than this nobody reacts: the press was on its way before
LATEST_S = 2.0  # later than this the exit counts as missed
TABLE_FEEDS = (100.0, 250.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaction:
    """Reactions of one person.

    Attributes
    ----------
    n : int
        Presses that count.
    median_s, spread_s, slow_s : float
        Median, distance between the quartiles, 95th percentile [s]; NaN where n is 0.
    n_missed, n_false : int
        Exits without a press, presses without an exit.
    """

    n: int
    median_s: float
    spread_s: float
    slow_s: float
    n_missed: int
    n_false: int


def judge_presses(exits_s: Sequence[float], presses_s: Sequence[float]) -> tuple[list[float], int, int]:
    """Reactions, number of exits missed, number of false presses.

    The first press from `SOONEST_S` to `LATEST_S` after an exit (and before the next one) counts; all other
    presses are false.

    Examples
    --------
    >>> judge_presses([1.0, 5.0], [0.4, 1.25])
    ([0.25], 1, 1)
    """
    if list(exits_s) != sorted(exits_s):
        raise InputError(f"exits must be in order of time, got {list(exits_s)}")
    reactions = []
    for at, following in itertools.pairwise([*exits_s, np.inf]):
        until = min(at + LATEST_S, following)
        fitting = [press - at for press in presses_s if at + SOONEST_S <= press < until]
        reactions += [min(fitting)] if fitting else []
    return reactions, len(exits_s) - len(reactions), len(presses_s) - len(reactions)


def reaction_of(reactions_s: Sequence[float], *, n_missed: int = 0, n_false: int = 0) -> Reaction:
    """Figures of all presses of a person."""
    if not all(0.0 < one < np.inf for one in reactions_s):
        raise InputError(f"reactions must be above 0 seconds, got {list(reactions_s)}")
    values = np.array(reactions_s or [np.nan])
    low, median, high, slow = np.percentile(values, [25.0, 50.0, 75.0, 95.0])
    return Reaction(
        n=len(reactions_s),
        median_s=float(median),
        spread_s=float(high - low),
        slow_s=float(slow),
        n_missed=n_missed,
        n_false=n_false,
    )


def hold_reactions(reaction: Reaction) -> tuple[float, float]:
    """What hold tables should reckon with for this person: (expected, surprise) [s].

    Never below the tables' own figures; without a press that counts it is those.
    """
    person = Operator(reaction_s=reaction.slow_s) if reaction.n else Operator()
    return person.expected_s, person.surprise_s


def axis_travel_mm(feed_mm_per_min: float, seconds: float) -> float:
    """Way of an axis in a time [mm].

    Examples
    --------
    >>> round(axis_travel_mm(1000.0, 0.186), 2)
    3.1
    """
    if not feed_mm_per_min >= 0.0:
        raise InputError(f"feed must be 0 or more mm/min, got {feed_mm_per_min}")
    return feed_mm_per_min / 60.0 * seconds


def travel_to_standstill_mm(feed_mm_per_min: float, reaction_s: float, machine: Machine) -> float:
    """Way from the sound at the tool to standstill by one's own ear: air, person, panel, stop [mm]."""
    speed = feed_mm_per_min / 60.0
    reaching = axis_travel_mm(feed_mm_per_min, SOUND_PATH_S + reaction_s)
    return reaching + (travel_after_press(speed, machine) if speed else 0.0)


def travel_rows(
    reaction: Reaction, machine: Machine, feeds: Sequence[float] = TABLE_FEEDS
) -> tuple[tuple[float, float, float], ...]:
    """For each feed [mm/min] the way with median and 95th percentile [mm]; empty without presses."""
    if not reaction.n:
        return ()
    return tuple(
        (
            feed,
            travel_to_standstill_mm(feed, reaction.median_s, machine),
            travel_to_standstill_mm(feed, reaction.slow_s, machine),
        )
        for feed in feeds
    )
