"""From what the guesses say of a contact to the verdict in words."""

import math
from collections.abc import Sequence

import numpy as np

from listen.contact import Contact
from listen.follow.model import Model
from listen.follow.outcomes import (
    AS_EXPECTED,
    ENDED_EARLY,
    ENDED_LATE,
    KINDS,
    NOT_HEARD,
    STARTED_EARLY,
    STARTED_LATE,
    Outcome,
)
from listen.follow.priors import FAINT
from listen.followed import Strength, Verdict, VerdictKind

# What a belief is worth, without and with the feed clock, by `python -m tools.tools_follow.calibrate`.
MOST = (0.977, 0.999)  # of "as expected": all guesses may be wrong, which no guess counts
DOUBT = (1.2, 0.3)  # how much likelier than they say the guesses are wrong about anything else [nats],
DOUBT_EARLY = (3.0, 0.3)  # about an early start, which a raised override looks like,
DOUBT_WORSE = 2.0  # and beside that where the ear is surely worse than stated
SURELY_NOT = 0.9  # belief that it cannot be told, where nothing could be heard
SAME_START_S = 0.05
MOST_EARLY_MM = 50.0  # more than any wrong length or stock: then it is no question of millimetres
READ_BY = {
    "operator": "operator's reading",
    "controller": "control's reading",
}  # what millimetres are counted from
KNOWN_S = 0.5  # frames come no later than this
LEAST_BELIEF, LEAST_FINE = 0.6, 0.75  # below this the verdict is "cannot tell"; "as expected" asks for more
BEYOND = 0.012  # share of contacts that begin early by a fault: stock that is too large shows at both ends
MOVED = 0.5  # of how far one edge is off: from there on the other is off as well
LEAST_HEARD = 1.0 / 3.0  # of a contact, first to last sound: of less it is not told whether it was there


class Wording:
    """Makes verdicts of outcomes.

    Parameters
    ----------
    model : Model
        For when nothing was heard, and how the ear does in this run; read only.
    rate : int
        Sample rate [Hz].
    readings : sequence of (onset_s, source)
        See `Tracking`; more may come.
    """

    def __init__(self, model: Model, rate: int, *, readings: Sequence[tuple[float, str]] = ()) -> None:
        self.space = model.space
        self._model = model
        self._rate = rate
        self._readings = readings
        self._quiet = model.quiet
        self._unheard = -2  # the last contact that was not heard,
        self._absent = 0.0  # and belief that it was not there
        self._short = -2  # the last heard one, where it ended early
        self._row: list[float] = []  # how often those not heard since the last heard one are not there

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
        kind, belief = self._kind(index, outcome, called_at)
        early_mm, witness = self._millimetres(kind, outcome)
        return Verdict(
            contact=contact.id,
            kind=kind,
            probability=min(max(belief, 0.0), outcome.most),
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

    def _kind(self, index: int, outcome: Outcome, called_at: int) -> tuple[VerdictKind, float]:
        """The likeliest kind and the belief in it, or that it cannot be told."""
        best, belief = outcome.best, float(outcome.beliefs[outcome.best] / max(outcome.settled, 1e-9))
        if best == NOT_HEARD:
            return self._not_heard(index, outcome, belief, called_at)
        elsewhere = self._elsewhere(outcome, called_at / self._rate)
        self._quiet.date(belief * (1.0 - elsewhere))
        fine = float(outcome.beliefs[AS_EXPECTED] / max(outcome.settled, 1e-9)) + belief * (1.0 - elsewhere)
        if elsewhere < 1.0 and fine > belief * elsewhere:
            best, belief, elsewhere = AS_EXPECTED, fine, 1.0
        self._goes_on()
        self._short = index if best == ENDED_EARLY else -2
        if belief * elsewhere < (LEAST_FINE if best == AS_EXPECTED else LEAST_BELIEF):
            return VerdictKind.CANNOT_TELL, 1.0 - belief * elsewhere
        if self._hardly_heard(outcome) if best == AS_EXPECTED else self._was_lost(outcome):
            return VerdictKind.CANNOT_TELL, SURELY_NOT
        doubt = math.log(self._half_heard(outcome)) if best == STARTED_EARLY else 0.0
        return KINDS[best], elsewhere * self._sober(best, belief * outcome.agreed, doubt)

    def _elsewhere(self, outcome: Outcome, now_s: float) -> float:
        """Belief that a contact is out of its place as it was heard; else one of its edges was dated wrongly.

        Where both edges are off by about as much, no wrong date of one explains it.
        """
        fault, dated = BEYOND, 0.0
        begins_s, ends_s = outcome.expected_onset_s, outcome.expected_offset_s
        late_s, over_s = outcome.onset_s - begins_s, outcome.offset_s - ends_s
        if outcome.best == STARTED_EARLY and not over_s < MOVED * late_s:
            dated = self._quiet.for_air_before(outcome.onset_s, min(begins_s, now_s))
        elif outcome.best == STARTED_LATE and not over_s > MOVED * late_s:
            fault = self._model.priors.late
            dated = self._quiet.for_late_start(begins_s, outcome.onset_s, now_s)
        elif outcome.best == ENDED_LATE and not late_s > MOVED * over_s:
            until_s = outcome.offset_s if math.isfinite(outcome.offset_s) else now_s
            dated = self._quiet.for_air_after(ends_s, until_s)
        return fault / (fault + dated)

    def _half_heard(self, outcome: Outcome) -> float:
        """How much likelier what was believed of a contact that lies before its place is of air."""
        if not outcome.offset_s < outcome.expected_onset_s:
            return 1.0
        return self._quiet.for_half_heard(outcome.onset_s, outcome.offset_s)

    def _not_heard(
        self, index: int, outcome: Outcome, belief: float, called_at: int
    ) -> tuple[VerdictKind, float]:
        """Not there, or missed: by how often either happens, and what the ear believed meanwhile."""
        if self.space.deaf[index] or self._was_lost(outcome):
            self._unheard = index
            return VerdictKind.CANNOT_TELL, SURELY_NOT
        fault, absent, _ = self._left_out(index, outcome, belief, called_at)
        absent *= outcome.reach
        self._unheard = index
        self._row.append(fault)
        self._absent = absent
        if absent < LEAST_BELIEF:
            return VerdictKind.CANNOT_TELL, 1.0 - absent
        return VerdictKind.NOT_HEARD, self._sober(NOT_HEARD, absent * outcome.agreed)

    def surely_over(self, index: int, outcome: Outcome, at: int) -> float:
        """Belief that a contact does not come any more, be it not there or missed, by what is known `at`."""
        belief = float(outcome.beliefs[NOT_HEARD] / max(outcome.settled, 1e-9))
        _, absent, missed = self._left_out(index, outcome, belief, at)
        return absent + missed

    def may_still_be_told(self, index: int, outcome: Outcome, at: int) -> bool:
        """Whether a contact that does not come may be a missed one, and its time is not over yet."""
        over_s = outcome.expected_offset_s + KNOWN_S
        if not (self._quiet.is_told and at < over_s * self._rate) or self.space.deaf[index]:
            return False
        belief = float(outcome.beliefs[NOT_HEARD] / max(outcome.settled, 1e-9))
        return self._left_out(index, outcome, belief, at)[1] < LEAST_BELIEF

    def _left_out(self, index: int, outcome: Outcome, belief: float, at: int) -> tuple[float, float, float]:
        """How often such a contact is not there; belief that it is not; that it was missed.

        `belief`: of the guesses that it was left out. Those that went on past it have asked what the ear
        believed, those that still wait have not; where it tells nothing, that stands.
        """
        fault, taken = self._faults(index)
        missed = self._missed(index, outcome, at)
        if not self._quiet.is_told:
            absent = belief * fault / max(fault + missed, 1e-12)
            return fault, absent, belief - absent
        left_out = belief / (taken + self._taken_for_missed(index, outcome, at))
        total = max(left_out * (fault + missed) + 1.0 - belief, 1e-12)
        return fault, left_out * fault / total, left_out * missed / total

    def _missed(self, index: int, outcome: Outcome, called_at: int) -> float:
        """How often a contact is missed, as far as what the ear believed where this one should be allows."""
        for_a_miss = self._for_a_miss(outcome, called_at)
        missed = self._model.ear.missed(for_a_miss)
        return max(missed, FAINT * (for_a_miss or 0.0)) if self.space.faint[index] else missed

    def _for_a_miss(self, outcome: Outcome, at: int) -> float | None:
        """How much likelier what the ear believed is of a miss; None where it tells nothing at all."""
        window = outcome.expected_onset_s, outcome.expected_offset_s
        found = self._quiet.for_a_miss(*window, at / self._rate - KNOWN_S)
        return 1.0 if found is None and self._quiet.is_told else found  # too short to tell

    def _taken_for_missed(self, index: int, outcome: Outcome, at: int) -> float:
        """How often the guesses took such a contact to be missed."""
        asked = self._for_a_miss(outcome, at) or 1.0
        missed = FAINT if self.space.faint[index] else self._model.ear.misses
        return missed * (outcome.asked * asked + 1.0 - outcome.asked)

    def _goes_on(self) -> None:
        """A contact was heard: the tool is there, and those before that were not heard may be misses."""
        ear = self._model.ear
        self._quiet.none_missed &= not self._row
        for fault in self._row:
            ear.judged(heard=False, fault=fault)
        ear.judged(heard=True, fault=self._model.priors.absent)
        self._row.clear()

    def _faults(self, index: int) -> tuple[float, float]:
        """How often such a one is not there, and how often the guesses took it not to be.

        Seldom, but in a row, or after one that was short; the guesses take all of a row for not there.
        """
        priors, in_a_row = self._model.priors, self._unheard == index - 1
        if self._short == index - 1:
            return priors.absent_gone, priors.absent_gone
        if not in_a_row:
            return priors.absent, priors.absent
        again = priors.absent_lost if self._short >= 0 else priors.absent_again
        return self._absent * again + (1.0 - self._absent) * priors.absent, again

    def _sober(self, kind: int, belief: float, doubt: float = 0.0) -> float:
        """What the belief in a kind is worth; `doubt` is there beside the usual [nats]."""
        known = int(self._model.clock.feed_known)
        if kind == AS_EXPECTED:
            return MOST[known] * belief
        doubt += (DOUBT_EARLY if kind == STARTED_EARLY else DOUBT)[known]
        if kind != NOT_HEARD:  # there the share of faults has it
            doubt += DOUBT_WORSE * self._model.ear.worse
        odds = (1.0 - belief) / max(belief, 1e-12)
        return 1.0 / (1.0 + math.exp(doubt) * odds)

    @staticmethod
    def _hardly_heard(outcome: Outcome) -> bool:
        """Whether a burst of the ear may be all there was; False while it still sounds."""
        heard_s = outcome.offset_s - outcome.onset_s
        return heard_s < LEAST_HEARD * (outcome.expected_offset_s - outcome.expected_onset_s)

    def _was_lost(self, outcome: Outcome) -> bool:
        """Whether the sound was lost where the contact began or ended, or should have."""
        edges = (
            outcome.expected_onset_s,
            outcome.expected_offset_s,
            outcome.onset_s,
            outcome.offset_s,
        )
        return bool(self._model.in_lost(np.array(edges)).any())

    def _samples(self, seconds: float) -> int | None:
        return None if not math.isfinite(seconds) else max(round(seconds * self._rate), 0)

    def _millimetres(self, kind: VerdictKind, outcome: Outcome) -> tuple[float | None, str]:
        if not (math.isfinite(outcome.onset_s) and math.isfinite(outcome.expected_onset_s)):
            return None, ""
        if kind == VerdictKind.STARTED_EARLY and 0.0 < outcome.early_mm <= MOST_EARLY_MM:
            told = (who for onset_s, who in self._readings if abs(onset_s - outcome.onset_s) < SAME_START_S)
            return round(outcome.early_mm, 2), READ_BY.get(next(told, ""), "earlier contact")
        return None, ""

    @staticmethod
    def _reason(kind: VerdictKind, contact: Contact, outcome: Outcome) -> str:
        if kind == VerdictKind.NOT_HEARD:
            if math.isfinite(outcome.expected_onset_s):
                return f"{contact.where}: contact expected about {outcome.expected_onset_s:.1f} s, none heard"
            return f"{contact.where}: contact expected, none heard"
        if not math.isfinite(outcome.onset_s):
            return f"{contact.where}: nothing to judge by"
        heard = f"heard {outcome.onset_s:.2f}"
        heard += f" to {outcome.offset_s:.2f} s" if np.isfinite(outcome.offset_s) else " s, and on"
        expected = f"expected {outcome.expected_onset_s:.2f} to {outcome.expected_offset_s:.2f} s"
        return f"{contact.where}: {heard}, {expected}"
