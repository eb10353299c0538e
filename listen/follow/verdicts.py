"""From what the guesses say of a contact to the verdict in words."""

import math

import numpy as np

from listen.follow.outcomes import KINDS, NOT_HEARD, Outcome
from listen.follow.space import Space
from listen.timeline import Contact, Strength, Verdict, VerdictKind

LEAST_BELIEF = 0.6  # below this the verdict is "cannot tell"


class Wording:
    """Makes verdicts of outcomes.

    Parameters
    ----------
    space : Space
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, space: Space, rate: int) -> None:
        self.space = space
        self._rate = rate

    def verdict(
        self,
        index: int,
        outcome: Outcome,
        called_at: int,
        *,
        strength: Strength = Strength.CANNOT_TELL,
        louder_db: float | None = None,
    ) -> Verdict:
        """The verdict on contact `index` (from 0)."""
        contact = self.space.timeline.contacts[index]
        total = max(outcome.settled, 1e-9)
        belief = float(outcome.beliefs[outcome.best] / total)
        kind = KINDS[outcome.best]
        if belief < LEAST_BELIEF or (outcome.best == NOT_HEARD and self.space.deaf[index]):
            kind, belief = VerdictKind.CANNOT_TELL, 1.0 - belief if belief < LEAST_BELIEF else 0.9
        early_mm, witness = self._millimetres(kind, outcome, contact)
        return Verdict(
            contact=contact.id,
            kind=kind,
            probability=min(max(belief, 0.0), 1.0),
            called_at=called_at,
            expected_onset=self._samples(outcome.expected_onset_s),
            expected_offset=self._samples(outcome.expected_offset_s),
            heard_onset=self._samples(outcome.onset_s),
            heard_offset=self._samples(outcome.offset_s),
            early_by_mm=early_mm,
            witness=witness,
            strength=strength,
            louder_db=louder_db,
            reason=self._reason(kind, contact, outcome),
        )

    def _samples(self, seconds: float) -> int | None:
        return None if not math.isfinite(seconds) else max(round(seconds * self._rate), 0)

    @staticmethod
    def _millimetres(kind: VerdictKind, outcome: Outcome, contact: Contact) -> tuple[float | None, str]:
        if not (math.isfinite(outcome.onset_s) and math.isfinite(outcome.expected_onset_s)):
            return None, ""
        if kind == VerdictKind.STARTED_EARLY and outcome.early_mm > 0.0:
            return round(outcome.early_mm, 2), "earlier contact"
        return None, ""

    @staticmethod
    def _reason(kind: VerdictKind, contact: Contact, outcome: Outcome) -> str:
        where = f"line {contact.line} ({contact.block})"
        if kind == VerdictKind.NOT_HEARD:
            if math.isfinite(outcome.expected_onset_s):
                return f"{where}: contact expected about {outcome.expected_onset_s:.1f} s, none heard"
            return f"{where}: contact expected, none heard"
        if not math.isfinite(outcome.onset_s):
            return f"{where}: nothing to judge by"
        heard = f"heard {outcome.onset_s:.2f}"
        heard += f" to {outcome.offset_s:.2f} s" if np.isfinite(outcome.offset_s) else " s, and on"
        expected = f"expected {outcome.expected_onset_s:.2f} to {outcome.expected_offset_s:.2f} s"
        return f"{where}: {heard}, {expected}"
