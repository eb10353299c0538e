"""Contacts before the one at which a guess began are not called missing: nobody knows what became of them."""

import pytest

from listen.follow import Follower
from listen.follow.tracking import Tracking
from listen.followed import Verdict, VerdictKind
from tests.follow.runs import EAR, RATE, events_of, timeline_of
from tests.follow.test_lost import PLACES

pytestmark = pytest.mark.closed


def test_what_lay_before_a_recording_that_begins_in_the_middle_is_not_missing() -> None:
    """Contacts 9 to 20 of 20, the first of them 1 s into the recording."""
    shift = PLACES[8][0] - 1.0
    follower = Follower(timeline_of(PLACES), rate=RATE, ear=EAR)
    said: list[object] = []
    for event in events_of([(a - shift, b - shift) for a, b in PLACES[8:]]):
        said.extend(follower.push((event,), event.decided_at))
    end = round((PLACES[-1][1] - shift + 3.0) * RATE)
    said += [*follower.push((), end), *follower.close(end)]
    verdicts = [item for item in said if isinstance(item, Verdict)]
    assert not [verdict for verdict in verdicts if verdict.kind is VerdictKind.NOT_HEARD]
    assert len([verdict for verdict in verdicts if verdict.kind is VerdictKind.AS_EXPECTED]) >= 11


def test_a_guess_that_began_at_the_top_speaks_of_all_contacts() -> None:
    tracking = Tracking(timeline_of(PLACES), rate=RATE, ear=EAR, n_slots=16, width=200, most=32)
    for event in events_of(PLACES[:2]):
        tracking.take(event)
    engine = tracking.engine
    assert float(engine.weights[engine.core["since"] == 0].sum()) > 0.95
