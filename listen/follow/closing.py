"""What became of contacts that were still open when the sound ended."""

from dataclasses import replace

import numpy as np

from listen.follow.hypotheses import Floats, Off
from listen.follow.outcomes import NOT_HEARD, PENDING, Outcome, Reading
from listen.follow.tracking import Tracking

MOST = 0.9  # of what was waited for did not come, where it was due before the end of the sound
LIKELY = 0.7  # belief in that where the program may just have been stopped
MAY_NOT_RUN = 0.65  # probability at most where nothing was heard and nobody told that the program was started


class Closing:
    """Outcomes by all that was heard, no more being to come.

    Parameters
    ----------
    tracking : Tracking
        Read only.
    end_s : float
        Where the sound ended [s].
    """

    def __init__(self, tracking: Tracking, end_s: float) -> None:
        self._tracking = tracking
        self._end_s = end_s
        self._weights, self._absent = tracking.beliefs(end_s)

    def outcome(self, index: int) -> Outcome:
        """Outcome of contact `index` (from 0)."""
        view = self._tracking.view()
        reading = Reading(view, self._weights, index, self._absent, is_over=True)
        outcome = reading.outcome()
        beliefs, reach = outcome.beliefs.copy(), 1.0
        if beliefs[PENDING] - reading.untold > 0.2 and not np.isfinite(outcome.onset_s):
            beliefs, reach = self._never_came(index, outcome, beliefs)
        return replace(
            outcome,
            beliefs=beliefs,
            reach=reach,
            most=1.0 if self._runs() else MAY_NOT_RUN,
            expected_onset_s=self._expected(index, outcome, 0),
            expected_offset_s=self._expected(index, outcome, 1),
        )

    def _expected(self, index: int, outcome: Outcome, which: int) -> float:
        value = (outcome.expected_onset_s, outcome.expected_offset_s)[which]
        if np.isfinite(value):
            return value
        space = self._tracking.space
        place = (space.start if which == 0 else space.stop)[index]
        amounts = space.amounts_until(np.array([place]))[0]
        timeline = space.timeline
        feed = max(timeline.feed_override, 1.0) / 100.0
        rapid = max(timeline.rapid_override, 1.0) / 100.0
        return float(amounts[0] / feed + amounts[1] / rapid + amounts[2] + amounts[3])

    def _never_came(self, index: int, outcome: Outcome, beliefs: Floats) -> tuple[Floats, float]:
        """Not heard, if the sound went on well past where the contact should have been.

        Where nothing at all was heard, the sound may have begun in the approach; one that is over before the
        program could have come from its start to its first contact tells nothing.
        """
        expected = self._expected(index, outcome, 0)
        begin = self._last_heard_s()
        if not np.isfinite(outcome.expected_onset_s):
            first = self._expected(0, outcome, 0)
            if self._end_s <= first:
                return beliefs, 1.0
            expected, begin = expected - first, 0.0
        if self._end_s - expected <= max(1.0, 0.1 * (expected - begin)):
            return beliefs, 1.0
        beliefs[NOT_HEARD] += MOST * beliefs[PENDING]
        beliefs[PENDING] *= 1.0 - MOST
        return beliefs, 1.0 if self._goes_on() else LIKELY

    def _goes_on(self) -> bool:
        """Whether the program was hardly just stopped: nothing heard at all, a tool gone, or told."""
        engine = self._tracking.engine
        if engine.n_stretches == 0 or self._tracking.clock.told_by_control:
            return True
        gone = np.isin(engine.rings.off[:, engine.slot], (Off.GONE, Off.STOPPED))
        return bool(engine.weights[gone].sum() > 0.5)

    def _runs(self) -> bool:
        """Whether the program was started: a raised dry run and none at all sound the same."""
        return self._tracking.engine.n_stretches > 0 or self._tracking.start_told

    def _last_heard_s(self) -> float:
        engine = self._tracking.engine
        return float(engine.offsets[engine.slot]) if engine.n_stretches else 0.0
