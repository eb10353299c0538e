"""Verdicts after the whole run was heard."""

from collections.abc import Sequence

import numpy as np

from listen.blocks import Gap
from listen.follow.closing import Closing
from listen.follow.outcomes import Outcome, Reading
from listen.follow.quiet import SECOND_LOOK, Quiet
from listen.follow.strength import Strengths
from listen.follow.tracking import Tracking
from listen.follow.unexpected import Unexpected
from listen.follow.verdicts import Wording
from listen.followed import Verdict, VerdictKind
from listen.marks import Mark
from listen.states import ContactSound, EarRates, Event, StateLikelihoods
from listen.timeline import Timeline

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
    beliefs: Sequence[StateLikelihoods] = (),
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
    beliefs : sequence of StateLikelihoods
        What the second look believes, in the order of time; none where it does not tell.

    Returns
    -------
    tuple of Verdict
        One for each expected contact in program order, then the unexpected ones.
    """
    tracking = Tracking(
        timeline,
        rate=rate,
        ear=ear or DEFAULT_EAR,
        n_slots=N_SLOTS,
        width=WIDTH,
        most=WIDTH,
        quiet=_quiet(beliefs, rate),
    )
    judge = _Judge(tracking, Strengths(timeline, sounds))
    last = 0
    for at, item in _in_order(events, marks, gaps):
        boundary = tracking.take(item)
        known = item.stop if isinstance(item, Gap) else item.decided_at if isinstance(item, Event) else at
        last = max(last, at, known)
        if boundary is not None:
            judge.heard(boundary.is_onset)
    return judge.all(max(last, end or 0))


def _quiet(beliefs: Sequence[StateLikelihoods], rate: int) -> Quiet:
    """What the second look believed of the whole run."""
    told = [each for each in beliefs if each.at.size]
    quiet = Quiet(
        rate, tells=SECOND_LOOK, kept_s=1.0 + max((each.at[-1] / rate for each in told), default=0.0)
    )
    for each in told:
        quiet.take(each)
    return quiet


def _in_order(
    events: Sequence[Event], marks: Sequence[Mark], gaps: Sequence[Gap]
) -> list[tuple[int, Event | Mark | Gap]]:
    """All that happened, by when it happened [samples]; marks first."""
    timed: list[tuple[int, int, int, Event | Mark | Gap]] = [(m.at, 0, i, m) for i, m in enumerate(marks)]
    timed += [(e.at, 1, i, e) for i, e in enumerate(events)]
    timed += [(g.start, 2, i, g) for i, g in enumerate(gaps)]
    return [(at, item) for at, _, _, item in sorted(timed, key=lambda entry: entry[:3])]


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
        self.wording = Wording(tracking.engine.model, tracking.rate, readings=tracking.readings)
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
            reading = Reading(view, view.weights, len(self._outcomes), np.zeros(view.core.size))
            self._outcomes.append(reading.outcome())

    def all(self, end: int) -> tuple[Verdict, ...]:
        """All verdicts, the sound having ended at `end` [samples]."""
        tracking = self.tracking
        closing = Closing(tracking, end / tracking.rate)
        while len(self._outcomes) < tracking.space.n:
            self._outcomes.append(closing.outcome(len(self._outcomes)))
        verdicts = [self._verdict(index, outcome, end) for index, outcome in enumerate(self._outcomes)]
        return (*verdicts, *self._strange, *self.unexpected.all(end))

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
            reason=f"{contact.where}: the sound ends before it could be judged",
        )
