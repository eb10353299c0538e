"""Heard contacts that no line of the program explains."""

import numpy as np

from listen.follow.tracking import Tracking
from listen.followed import Verdict, VerdictKind

LEAST_BELIEF = 0.8
LEAST_EAR = 0.65
SHORTEST_S = 0.3  # shorter ones are more often a knock than a cut
WAIT_STRETCHES = 2
WAIT_S = 3.0


class Unexpected:
    """Watches heard stretches until it is clear whether a contact explains them."""

    def __init__(self, tracking: Tracking) -> None:
        self._tracking = tracking
        self._open: list[int] = []
        self._after_end: set[int] = set()
        self._found: list[Verdict] = []

    def heard(self, is_onset: bool) -> None:
        """A boundary was taken by the engine."""
        engine = self._tracking.engine
        if is_onset:
            number = engine.n_stretches - 1
            self._open.append(number)
            if self._tracking.is_after_end(float(engine.onsets[engine.slot])):
                self._after_end.add(number)
        self._open = [n for n in self._open if engine.n_stretches - n <= engine.n_slots]

    def settle(self, at_s: float, called_at: int) -> tuple[Verdict, ...]:
        """Verdicts on stretches whose evidence is in."""
        engine = self._tracking.engine
        settled, left = [], []
        for number in self._open:
            slot = number % engine.n_slots
            stop = float(engine.offsets[slot])
            later = engine.n_stretches - 1 - number
            if not np.isfinite(stop) or (later < WAIT_STRETCHES and at_s - stop < WAIT_S):
                left.append(number)
                continue
            verdict = self._judge(number, slot, called_at)
            if verdict is not None:
                settled.append(verdict)
        self._open = left
        return tuple(settled)

    def all(self, end: int) -> tuple[Verdict, ...]:
        """Verdicts on all that is left, at the end of the run."""
        return self.settle(float("inf"), end)

    def _judge(self, number: int, slot: int, called_at: int) -> Verdict | None:
        tracking, engine = self._tracking, self._tracking.engine
        after_end = number in self._after_end
        self._after_end.discard(number)
        belief = float(engine.weights[engine.rings.contact[:, slot] < 0].sum())
        start, stop = float(engine.onsets[slot]), float(engine.offsets[slot])
        ear = tracking.probabilities.get(number, 1.0) * tracking.priors.real_share(stop - start)
        if after_end or belief < LEAST_BELIEF or ear < LEAST_EAR or stop - start < SHORTEST_S:
            return None
        return Verdict(
            contact=None,
            kind=VerdictKind.UNEXPECTED,
            probability=min(belief * ear, 1.0),
            called_at=called_at,
            heard_onset=round(start * tracking.rate),
            heard_offset=round(stop * tracking.rate),
            reason=f"a contact of {stop - start:.2f} s at {start:.2f} s that no line of the program explains",
        )
