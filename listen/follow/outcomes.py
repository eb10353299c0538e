"""What the guesses together say of one contact, and the verdict that follows."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import Floats, Off, On, Phase
from listen.follow.view import View
from listen.timeline import VerdictKind

KINDS = (
    VerdictKind.AS_EXPECTED,
    VerdictKind.STARTED_EARLY,
    VerdictKind.STARTED_LATE,
    VerdictKind.NOT_HEARD,
    VerdictKind.ENDED_EARLY,
    VerdictKind.ENDED_LATE,
)
AS_EXPECTED, STARTED_EARLY, STARTED_LATE, NOT_HEARD, ENDED_EARLY, ENDED_LATE, STOPPED, PENDING = range(8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Belief in what became of one contact.

    Attributes
    ----------
    beliefs : ndarray, shape (8,)
        For the six kinds in the order of `KINDS`, then stopped inside, then not known yet.
    onset_s, offset_s : float
        Where it was heard, by the best guess of the likeliest kind [s]; NaN for not heard.
    expected_onset_s, expected_offset_s : float
        Where it should have been, by that guess [s].
    early_mm : float
        How far before its place it began, by that guess [mm].
    """

    beliefs: Floats
    onset_s: float
    offset_s: float
    expected_onset_s: float
    expected_offset_s: float
    early_mm: float

    @property
    def settled(self) -> float:
        """Share of the belief in kinds that are not waiting for more."""
        return float(self.beliefs[:6].sum())

    @property
    def best(self) -> int:
        """Index of the likeliest kind."""
        return int(np.argmax(self.beliefs[:6]))


def outcome_of(
    view: View, weights: Floats, contact: int, absent_now: Floats, *, is_over: bool = False
) -> Outcome:
    """Add up over all guesses what became of a contact.

    Parameters
    ----------
    view : View
    weights : ndarray, shape (n_guesses,)
        Belief in each guess, silence since the last boundary included.
    contact : int
        Index from 0.
    absent_now : ndarray, shape (n_guesses,)
        Share of each guess in which its next contact is already missed.
    is_over : bool
        No more sound comes: what stopped inside a contact has ended early.
    """
    core, rings = view.core, view.rings
    order = view.order
    mine: NDArray[np.bool_] = (rings.contact[:, order] <= contact) & (rings.last[:, order] >= contact)
    mine &= rings.contact[:, order] >= 0
    found: NDArray[np.bool_] = np.asarray(mine.any(axis=1))
    kind = _kinds(view, contact, order, mine, found)
    if is_over:
        kind[kind == STOPPED] = ENDED_EARLY
    waiting = (~found) & (core["k"] == contact) & (core["phase"] == Phase.AIR)
    beliefs: Floats = np.bincount(kind, weights=weights, minlength=8).astype(np.float64)
    if waiting.any():
        moved = float((weights * absent_now)[waiting].sum())
        beliefs[NOT_HEARD] += moved
        beliefs[PENDING] = max(beliefs[PENDING] - moved, 0.0)
    return _with_times(view, weights, contact, order, mine, kind, beliefs)


def _kinds(
    view: View, contact: int, order: NDArray[np.int64], mine: NDArray[np.bool_], found: NDArray[np.bool_]
) -> NDArray[np.int64]:
    core, rings = view.core, view.rings
    kind = np.full(core.size, PENDING)
    if not found.any():
        kind[core["k"] > contact] = NOT_HEARD
        return kind
    rows = np.arange(core.size)
    first = order[np.argmax(mine, axis=1)]
    last = order[mine.shape[1] - 1 - np.argmax(mine[:, ::-1], axis=1)]
    on, off = rings.on[rows, first], rings.off[rows, last]
    begins, ends = rings.contact[rows, first] == contact, rings.last[rows, last] == contact
    kind[found] = AS_EXPECTED
    kind[found & ends & (off == Off.GONE)] = ENDED_EARLY
    kind[found & ends & (off == Off.LATE)] = ENDED_LATE
    kind[found & begins & (on == On.LATE)] = STARTED_LATE
    kind[found & begins & (on == On.EARLY)] = STARTED_EARLY
    here = found & (core["k"] == contact)
    is_told = kind == STARTED_EARLY if view.engine.clock.feed_known else np.zeros(core.size, bool)
    kind[here & ((core["phase"] == Phase.STOPPED) | (core["phase"] == Phase.DROPPED)) & ~is_told] = STOPPED
    kind[here & (core["phase"] == Phase.IN) & ~is_told] = PENDING
    kind[~found & (core["k"] > contact)] = NOT_HEARD
    return kind


def _with_times(
    view: View,
    weights: Floats,
    contact: int,
    order: NDArray[np.int64],
    mine: NDArray[np.bool_],
    kind: NDArray[np.int64],
    beliefs: Floats,
) -> Outcome:
    silent = np.isin(kind, (NOT_HEARD, PENDING))
    if beliefs[NOT_HEARD] + beliefs[PENDING] > 0.5:
        pool = np.where(silent, weights, 0.0)
    else:
        pool = np.where(kind == int(np.argmax(beliefs[:6])), weights, 0.0)
    if not pool.any():
        pool = weights
    row = int(np.argmax(pool))
    rings = view.rings
    if mine.shape[1] and mine[row].any():
        slots = order[mine[row]]
        first, last = slots[0], slots[-1]
        early = float(rings.early_mm[row, first]) if rings.contact[row, first] == contact else 0.0
        return Outcome(
            beliefs=beliefs,
            onset_s=float(view.engine.onsets[first]),
            offset_s=float(view.engine.offsets[last]),
            expected_onset_s=float(rings.expected_on[row, first]),
            expected_offset_s=float(rings.expected_off[row, last]),
            early_mm=early,
        )
    onset, offset = _where_expected(view, row, contact, order)
    return Outcome(
        beliefs=beliefs,
        onset_s=float("nan"),
        offset_s=float("nan"),
        expected_onset_s=onset,
        expected_offset_s=offset,
        early_mm=0.0,
    )


def _where_expected(view: View, row: int, contact: int, order: NDArray[np.int64]) -> tuple[float, float]:
    """Where a contact that was not heard should have been, from the contact before it."""
    space, core = view.space, view.core[row]
    anchor_s, place = float(core["t0"]), float(core["u0"])
    if core["k"] > contact or core["phase"] != Phase.AIR:
        for slot in order[::-1]:
            index = int(view.rings.last[row, slot])
            if 0 <= index < contact and np.isfinite(view.engine.offsets[slot]):
                anchor_s, place = float(view.engine.offsets[slot]), float(space.stop[index])
                break
    if core["phase"] == Phase.START:
        return float("nan"), float("nan")
    until = np.array([space.start[contact], space.stop[contact]])
    amounts = np.maximum(space.amounts_until(until) - space.amounts_until(np.array([place])), 0.0)
    rate = np.exp(float(core["m"])) * view.engine.clock.rate
    times = (
        anchor_s
        + amounts[:, 0] / rate
        + amounts[:, 1] / np.exp(float(core["lr"]))
        + amounts[:, 2]
        + amounts[:, 3]
    )
    return float(times[0]), float(times[1])
