"""How right a list of heard contacts is: event and frame scores with intervals.

Conventions
-----------
Contacts are (onset, offset) in seconds. A match needs the onset within the collar, equality
counts; with `offset_share` also the offset, within the collar or that share of the true
length. Matching pairs as many as can be paired, each at most once.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_bipartite_matching

from listen.errors import InputError

Interval = tuple[float, float]
TINY = 1e-9  # decimal times such as 2.30 - 2 fall just beside in floats


@dataclass(frozen=True, slots=True, kw_only=True)
class EventScore:
    """Counts of a comparison, and what follows from them."""

    true: int
    heard: int
    matched: int

    @property
    def precision(self) -> float:
        """Share of what was heard that is true; NaN where nothing was heard."""
        return self.matched / self.heard if self.heard else math.nan

    @property
    def recall(self) -> float:
        """Share of what is true that was heard; NaN where nothing is true."""
        return self.matched / self.true if self.true else math.nan

    @property
    def f1(self) -> float:
        """Harmonic mean of both; NaN where there is nothing on either side."""
        return 2.0 * self.matched / (self.true + self.heard) if self.true + self.heard else math.nan

    def plus(self, other: "EventScore") -> "EventScore":
        """Pool the counts of two comparisons."""
        return EventScore(
            true=self.true + other.true,
            heard=self.heard + other.heard,
            matched=self.matched + other.matched,
        )


def match_contacts(
    true: Sequence[Interval],
    heard: Sequence[Interval],
    *,
    collar_s: float,
    offset_share: float | None = None,
) -> list[tuple[int, int]]:
    """Pair as many true contacts with heard ones as the collar allows.

    Returns
    -------
    list of (true index, heard index)

    References
    ----------
    Mesaros, Heittola, Virtanen 2016, "Metrics for polyphonic sound event detection",
    section 3: event-based metrics with onset and offset conditions.
    """
    if not collar_s > 0.0:
        raise InputError(f"collar must be above 0 s, got {collar_s}")
    allowed = np.zeros((len(true), len(heard)), dtype=np.int8)
    for i, (onset, offset) in enumerate(true):
        for j, (heard_onset, heard_offset) in enumerate(heard):
            near = abs(onset - heard_onset) <= collar_s + TINY
            if offset_share is not None:
                room = max(collar_s, offset_share * (offset - onset))
                near = near and abs(offset - heard_offset) <= room + TINY
            allowed[i, j] = near
    if not allowed.any():
        return []
    pairs = maximum_bipartite_matching(csr_matrix(allowed), perm_type="column")
    return [(i, int(j)) for i, j in enumerate(pairs) if j >= 0]


def score_contacts(
    true: Sequence[Interval],
    heard: Sequence[Interval],
    *,
    collar_s: float,
    offset_share: float | None = None,
) -> EventScore:
    """Event score of one recording; see `match_contacts` for the rule."""
    matched = match_contacts(true, heard, collar_s=collar_s, offset_share=offset_share)
    return EventScore(true=len(true), heard=len(heard), matched=len(matched))


def wilson_interval(successes: int, trials: int, *, z: float = 1.959964) -> Interval:
    """Interval of a share at 95 %, (0, 1) where nothing was tried.

    References
    ----------
    Wilson 1927, "Probable inference, the law of succession, and statistical inference".
    """
    if not 0 <= successes <= trials:
        raise InputError(f"needs 0 <= successes <= trials, got {successes} and {trials}")
    if trials == 0:
        return 0.0, 1.0
    share = successes / trials
    scale = 1.0 + z * z / trials
    centre = (share + z * z / (2 * trials)) / scale
    half = z * math.sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials)) / scale
    return centre - half, centre + half


def frame_accuracy(
    true: Sequence[Interval], heard: Sequence[Interval], *, duration_s: float, step_s: float
) -> float:
    """Share of steps in which both say the same about contact [0 to 1]."""
    return float(np.mean(_mask(true, duration_s, step_s) == _mask(heard, duration_s, step_s)))


def _mask(contacts: Sequence[Interval], duration_s: float, step_s: float) -> NDArray[np.bool_]:
    middle = (np.arange(int(duration_s / step_s)) + 0.5) * step_s
    mask = np.zeros(middle.size, dtype=bool)
    for onset, offset in contacts:
        mask |= (middle >= onset) & (middle < offset)
    return mask
