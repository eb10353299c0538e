"""Verdicts after the whole run was heard."""

from collections.abc import Sequence

import numpy as np

from listen.blocks import Gap
from listen.follow.hypotheses import Floats
from listen.follow.outcomes import NOT_HEARD, PENDING, Outcome, outcome_of
from listen.follow.strength import Strengths
from listen.follow.tracking import Item, Tracking
from listen.follow.unexpected import Unexpected
from listen.follow.verdicts import Wording
from listen.states import ContactSound, EarRates, Event
from listen.timeline import Mark, Timeline, Verdict, VerdictKind

N_SLOTS = 96
WIDTH = 500
KEEP = 32  # stretches that a contact stays open for later evidence


def refined_verdicts(
    timeline: Timeline,
    events: Sequence[Event],
    sounds: Sequence[ContactSound] = (),
    marks: Sequence[Mark] = (),
    rate: int = 48000,
    ear: EarRates | None = None,
    *,
    end: int | None = None,
    gaps: Sequence[Gap] = (),
) -> tuple[Verdict, ...]:
    """Verdicts on every contact, from all that was heard before and after it.

    Parameters
    ----------
    timeline : Timeline
    events : sequence of Event
        As decided after the run, in the order of `at`.
    sounds : sequence of ContactSound
        For the strength verdicts.
    marks : sequence of Mark
    rate : int
        Sample rate [Hz].
    ear : EarRates
        The ear's measured rates.
    end : int
        End of the recording [samples]; without it, the last thing known.
    gaps : sequence of Gap

    Returns
    -------
    tuple of Verdict
        One for each expected contact in program order, then the unexpected ones.
    """
    if ear is None:
        ear = DEFAULT_EAR
    tracking = Tracking(timeline, rate=rate, ear=ear, n_slots=N_SLOTS, width=WIDTH, most=WIDTH)
    judge = _Judge(tracking, Strengths(timeline, sounds))
    timed: list[tuple[int, int, int, Item]] = [(e.at, 1, i, e) for i, e in enumerate(events)]
    timed += [(m.at, 0, i, m) for i, m in enumerate(marks)]
    timed += [(g.start, 2, i, g) for i, g in enumerate(gaps)]
    last = 0
    for at, _, _, item in sorted(timed, key=lambda entry: entry[:3]):
        boundary = tracking.take(item)
        last = max(last, at, item.stop if isinstance(item, Gap) else at)
        if isinstance(item, Event):
            last = max(last, item.decided_at)
        if boundary is not None:
            judge.heard(boundary.is_onset)
    return judge.all(max(last, end or 0))


DEFAULT_EAR = EarRates(
    false_bursts_per_hour=2.0,
    dropouts_per_hour=10.0,
    missed_share=0.01,
    onset_spread_s=0.05,
    offset_spread_s=0.08,
)


class _Judge:
    """Takes outcomes while they can still be read from the guesses."""

    def __init__(self, tracking: Tracking, strengths: Strengths) -> None:
        self.tracking = tracking
        self.wording = Wording(tracking.engine.model, tracking.rate)
        self.strengths = strengths
        self.unexpected = Unexpected(tracking)
        self._outcomes: list[Outcome] = []
        self._strange: list[Verdict] = []

    def heard(self, is_onset: bool) -> None:
        """A boundary came: settle contacts that are about to leave the memory."""
        engine = self.tracking.engine
        self.unexpected.heard(is_onset)
        now_s = self.tracking.now_s
        self._strange.extend(self.unexpected.settle(now_s, int(now_s * self.tracking.rate)))
        if is_onset or engine.n_stretches < N_SLOTS - KEEP:
            return
        slot = (engine.n_stretches - (N_SLOTS - KEEP)) % engine.n_slots
        view = self.tracking.view()
        contact = view.rings.last[:, slot]
        row = int(np.argmax(view.weights))
        while len(self._outcomes) <= int(contact[row]):
            self._outcomes.append(
                outcome_of(view, view.weights, len(self._outcomes), np.zeros(view.core.size))
            )

    def all(self, end: int) -> tuple[Verdict, ...]:
        """All verdicts, the sound having ended at `end` [samples]."""
        tracking = self.tracking
        end_s = end / tracking.rate
        weights, absent = tracking.beliefs(end_s)
        while len(self._outcomes) < tracking.space.n:
            index = len(self._outcomes)
            outcome = outcome_of(tracking.view(), weights, index, absent, is_over=True)
            self._outcomes.append(self._at_the_end(index, outcome, end_s))
        verdicts = []
        for index, outcome in enumerate(self._outcomes):
            verdict = self._verdict(index, outcome, end)
            verdicts.append(verdict)
        return (*verdicts, *self._strange, *self.unexpected.all(end))

    def _at_the_end(self, index: int, outcome: Outcome, end_s: float) -> Outcome:
        """The run is over: what was still open is judged by what was heard, and no more comes."""
        beliefs = outcome.beliefs.copy()
        if beliefs[PENDING] > 0.2 and not np.isfinite(outcome.onset_s):
            beliefs = self._never_came(index, outcome, beliefs, end_s)
        return Outcome(
            beliefs=beliefs,
            onset_s=outcome.onset_s,
            offset_s=outcome.offset_s,
            expected_onset_s=self._expected(index, outcome, 0),
            expected_offset_s=self._expected(index, outcome, 1),
            early_mm=outcome.early_mm,
        )

    def _expected(self, index: int, outcome: Outcome, which: int) -> float:
        value = (outcome.expected_onset_s, outcome.expected_offset_s)[which]
        if np.isfinite(value):
            return value
        space = self.tracking.space
        place = (space.start if which == 0 else space.stop)[index]
        amounts = space.amounts_until(np.array([place]))[0]
        timeline = space.timeline
        feed = max(timeline.feed_override, 1.0) / 100.0
        rapid = max(timeline.rapid_override, 1.0) / 100.0
        return float(amounts[0] / feed + amounts[1] / rapid + amounts[2] + amounts[3])

    def _never_came(self, index: int, outcome: Outcome, beliefs: Floats, end_s: float) -> Floats:
        """Not heard, if the sound went on well past where the contact should have been.

        Where nothing at all was heard, the sound may have begun in the approach.
        """
        expected = self._expected(index, outcome, 0)
        begin = self._last_heard_s()
        if not np.isfinite(outcome.expected_onset_s):
            expected -= self._expected(0, outcome, 0)
            begin = 0.0
        if end_s - expected > max(1.0, 0.1 * (expected - begin)):
            beliefs[NOT_HEARD] += 0.9 * beliefs[PENDING]
            beliefs[PENDING] *= 0.1
        return beliefs

    def _last_heard_s(self) -> float:
        engine = self.tracking.engine
        return float(engine.offsets[engine.slot]) if engine.n_stretches else 0.0

    def _verdict(self, index: int, outcome: Outcome, end: int) -> Verdict:
        strength, louder = self.strengths.of(index, outcome, self.tracking.rate)
        verdict = self.wording.verdict(index, outcome, end, strength=strength, louder_db=louder)
        if outcome.settled >= 0.5:
            return verdict
        contact = self.tracking.space.timeline.contacts[index]
        return Verdict(
            contact=contact.id,
            kind=VerdictKind.CANNOT_TELL,
            probability=0.9,
            called_at=end,
            expected_onset=verdict.expected_onset,
            expected_offset=verdict.expected_offset,
            heard_onset=verdict.heard_onset,
            heard_offset=verdict.heard_offset,
            strength=strength,
            louder_db=louder,
            reason=f"line {contact.line} ({contact.block}): the sound ends before it could be judged",
        )
