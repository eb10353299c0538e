"""What the guesses together say of one contact, and the verdict that follows."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import Floats, Off, On, Phase
from listen.follow.view import View
from listen.followed import VerdictKind

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
    asked : float
        Share of the belief in "not heard" of guesses that went on past it, and asked what the ear believed.
    reach : float
        How far the belief reaches where the sound ended before it could be judged [0 to 1].
    agreed : float
        Share of the likeliest kind's belief that says it of the same stretch [0 to 1].
    most : float
        Of the probability, where no guess counts what speaks against all of them [0 to 1].
    """

    beliefs: Floats
    expected_onset_s: float
    expected_offset_s: float
    onset_s: float = float("nan")
    offset_s: float = float("nan")
    early_mm: float = 0.0
    asked: float = 0.0
    reach: float = 1.0
    agreed: float = 1.0
    most: float = 1.0

    @property
    def settled(self) -> float:
        """Share of the belief in kinds that are not waiting for more."""
        return float(self.beliefs[:6].sum())

    @property
    def best(self) -> int:
        """Index of the likeliest kind."""
        return int(np.argmax(self.beliefs[:6]))


class Reading:
    """What all guesses of a view say of one contact.

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

    def __init__(
        self, view: View, weights: Floats, contact: int, absent_now: Floats, *, is_over: bool = False
    ) -> None:
        self._view = view
        self._weights = weights
        self.contact = contact
        on, last = view.rings.contact[:, view.order], view.rings.last[:, view.order]
        self._mine = (on <= contact) & (last >= contact) & (on >= 0)
        self._found = np.asarray(self._mine.any(axis=1))
        self._kind = self._kinds()
        if is_over:
            self._kind[self._kind == STOPPED] = ENDED_EARLY
        self.beliefs = self._add_up(absent_now)
        past = float(self._weights[self._kind == NOT_HEARD].sum())
        self._asked = past / max(float(self.beliefs[NOT_HEARD]), 1e-12)

    @property
    def settled(self) -> float:
        """Share of the belief in kinds that are not waiting for more."""
        return float(self.beliefs[:6].sum())

    @property
    def untold(self) -> float:
        """Share of the belief that cannot speak of this contact: of what is pending, it waits for nothing."""
        return float(self._weights[self._untold].sum())

    def _add_up(self, absent_now: Floats) -> Floats:
        core = self._view.core
        beliefs = np.bincount(self._kind, weights=self._weights, minlength=8).astype(np.float64)
        waiting = ~self._found & (core["k"] == self.contact) & (core["phase"] == Phase.AIR)
        if waiting.any():
            moved = float((self._weights * absent_now)[waiting].sum())
            beliefs[NOT_HEARD] += moved
            beliefs[PENDING] = max(beliefs[PENDING] - moved, 0.0)
        return beliefs

    def _kinds(self) -> NDArray[np.int64]:
        """What each guess says, shape (n_guesses,)."""
        core, found, contact = self._view.core, self._found, self.contact
        kind = np.full(core.size, PENDING)
        over = ~found & (core["k"] > contact)
        told = self._oldest() <= contact
        kind[over & told] = NOT_HEARD
        self._untold = over & ~told
        if not found.any():
            return kind
        self._judge(kind)
        here = found & (core["k"] == contact)
        if self._view.engine.clock.feed_known:  # then an early start is known as it comes
            here &= kind != STARTED_EARLY
        phase = core["phase"]
        kind[here & ((phase == Phase.STOPPED) | (phase == Phase.DROPPED))] = STOPPED
        kind[here & (phase == Phase.IN)] = PENDING
        return kind

    def _oldest(self) -> NDArray[np.int64]:
        """First contact that each guess can speak of: it began there, or forgot what came before."""
        view, since = self._view, self._view.core["since"].astype(np.int64)
        if view.engine.n_stretches <= view.engine.n_slots:
            return since
        heard = view.rings.contact[:, view.order]
        remembered = np.where(heard >= 0, heard, view.space.n).min(axis=1)
        result: NDArray[np.int64] = np.maximum(since, np.minimum(remembered, view.core["k"]))
        return result

    def _judge(self, kind: NDArray[np.int64]) -> None:
        """Fill in what the first and the last stretch of the contact say."""
        rings, order, mine, found = self._view.rings, self._view.order, self._mine, self._found
        rows = np.arange(found.size)
        first = order[np.argmax(mine, axis=1)]
        last = order[mine.shape[1] - 1 - np.argmax(mine[:, ::-1], axis=1)]
        on, off = rings.on[rows, first], rings.off[rows, last]
        begins = found & (rings.contact[rows, first] == self.contact)
        ends = found & (rings.last[rows, last] == self.contact)
        kind[found] = AS_EXPECTED
        kind[ends & (off == Off.GONE)] = ENDED_EARLY
        kind[ends & (off == Off.LATE)] = ENDED_LATE
        kind[begins & (on == On.LATE)] = STARTED_LATE
        kind[begins & (on == On.EARLY)] = STARTED_EARLY

    def outcome(self) -> Outcome:
        """Beliefs, and the times by the best guess of the likeliest kind."""
        row = self._best_row()
        view, order = self._view, self._view.order
        if not (self._mine.shape[1] and self._mine[row].any()):
            onset, offset = _where_expected(view, row, self.contact, order)
            return Outcome(
                beliefs=self.beliefs, expected_onset_s=onset, expected_offset_s=offset, asked=self._asked
            )
        slots, rings = order[self._mine[row]], view.rings
        first, last = slots[0], slots[-1]
        begins = rings.contact[row, first] == self.contact
        return Outcome(
            beliefs=self.beliefs,
            onset_s=float(view.engine.onsets[first]),
            offset_s=float(view.engine.offsets[last]),
            expected_onset_s=float(rings.expected_on[row, first]),
            expected_offset_s=float(rings.expected_off[row, last]),
            early_mm=self._early_mm(int(first)) if begins else 0.0,
            agreed=self._agreed(row),
        )

    def _agreed(self, row: int) -> float:
        """Share of the guesses of this row's kind that say it of the same stretch."""
        alike = self._kind == self._kind[row]
        begins = np.argmax(self._mine, axis=1) == np.argmax(self._mine[row])
        total = float(self._weights[alike].sum())
        return float(self._weights[alike & begins & self._found].sum()) / max(total, 1e-12)

    def _early_mm(self, slot: int) -> float:
        """How far before its place it began, by all guesses that say so [mm]."""
        mine = self._weights * (self._kind == STARTED_EARLY)
        return float((mine * self._view.rings.early_mm[:, slot]).sum() / max(float(mine.sum()), 1e-12))

    def _best_row(self) -> int:
        beliefs, kind = self.beliefs, self._kind
        if beliefs[NOT_HEARD] + beliefs[PENDING] > 0.5:
            mine = (kind == NOT_HEARD) | (kind == PENDING)
        else:
            mine = kind == int(np.argmax(beliefs[:6]))
        return int(np.argmax(np.where(mine, self._weights, 0.0) if mine.any() else self._weights))


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
