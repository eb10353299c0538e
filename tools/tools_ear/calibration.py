"""Whether the ear is right as often as it says: reliability curve and Brier score of its events.

Conventions
-----------
A belief is a pair (probability, came true). An event came true where a true change of the same
kind lies within 200 ms of it; each true change counts once for each kind of event.

References
----------
Brier 1950, "Verification of forecasts expressed in terms of probability", for two outcomes: the mean
square of probability less outcome. Reliability curve: Murphy and Winkler 1977, ten even bins.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from listen.states import Event, Standing, State
from listen.teach.score import match_contacts

Belief = tuple[float, bool]
N_BINS = 10
COLLAR_S = 0.2
KINDS = ("provisional", "live", "refined")


def beliefs_of(
    contacts: Sequence[tuple[float, float]], live: Sequence[Event], refined: Sequence[Event], *, rate: int
) -> dict[str, list[Belief]]:
    """Beliefs in the entries and ends of one clip, by kind of event."""
    rows = {
        "provisional": [event for event in live if event.standing is Standing.PROVISIONAL],
        "live": [event for event in live if event.standing is Standing.CONFIRMED],
        "refined": list(refined),
    }
    return {
        name: [
            belief
            for state, side in ((State.ENTRY, 0), (State.AIR, 1))
            for belief in came_true([c[side] for c in contacts], [e for e in row if e.state is state], rate)
        ]
        for name, row in rows.items()
    }


def came_true(true_s: Sequence[float], events: Sequence[Event], rate: int) -> list[Belief]:
    """Each event's probability, and whether a true change lies near it."""
    told = [event.at / rate for event in events]
    pairs = match_contacts([(t, t) for t in true_s], [(t, t) for t in told], collar_s=COLLAR_S)
    right = {heard for _, heard in pairs}
    return [(event.probability, index in right) for index, event in enumerate(events)]


def pooled(parts: Iterable[dict[str, list[Belief]]]) -> dict[str, list[Belief]]:
    """Beliefs of many clips, by kind."""
    parts = list(parts)
    return {name: [belief for part in parts for belief in part[name]] for name in KINDS}


def brier(beliefs: Sequence[Belief]) -> float:
    """Mean square of probability less outcome: 0 is perfect, NaN where nothing was said."""
    if not beliefs:
        return float("nan")
    return float(np.mean([(probability - came) ** 2 for probability, came in beliefs]))


def curve(beliefs: Sequence[Belief]) -> list[tuple[float, float, int]]:
    """Mean probability, share that came true, and number, of each of ten bins; NaN where one is empty."""
    table = np.array([(probability, float(came)) for probability, came in beliefs]).reshape(-1, 2)
    bins = np.minimum((table[:, 0] * N_BINS).astype(int), N_BINS - 1)
    rows = []
    for index in range(N_BINS):
        mine = table[bins == index]
        said, came = mine.mean(axis=0) if len(mine) else (float("nan"), float("nan"))
        rows.append((float(said), float(came), len(mine)))
    return rows


def off_by(beliefs: Sequence[Belief]) -> float:
    """Mean distance of the curve from the diagonal, by the number in each bin."""
    rows = [row for row in curve(beliefs) if row[2]]
    if not rows:
        return float("nan")
    return sum(abs(said - came) * n for said, came, n in rows) / sum(n for _, _, n in rows)


def report(beliefs: dict[str, list[Belief]]) -> dict[str, object]:
    """Print curve and score of each kind; give what belongs in the card."""
    kept: dict[str, object] = {}
    print("\nbelief in entries and ends, all ratios: share that came true within 200 ms, by what was said")
    for name in KINDS:
        rows, mine = curve(beliefs[name]), beliefs[name]
        print(f"{name:12} n {len(mine):5d}  Brier {brier(mine):.3f}  off by {off_by(mine):.3f} on the mean")
        print("  " + "  ".join(f"{said:.2f}→{came:.2f} ({n})" for said, came, n in rows if n))
        kept[name] = {
            "n": len(mine),
            "brier": round(brier(mine), 4),
            "off_by": round(off_by(mine), 4),
            "curve": [[round(said, 3), round(came, 3), n] for said, came, n in rows if n],
        }
    return kept
