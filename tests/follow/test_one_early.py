"""One hole too early, the others not: no wrong length is carried on."""

from dataclasses import replace

import pytest

from listen.follow.tracking import Tracking
from listen.timeline import Timeline
from tests.follow.runs import EAR, RATE, events_of, timeline_of

pytestmark = pytest.mark.closed
HOLES = [(3.0 + 4.0 * i, 5.0 + 4.0 * i) for i in range(10)]


def drilling() -> Timeline:
    """Ten equal holes at a known override."""
    program = timeline_of(HOLES, override_steady=True, feed_override=100.0)
    holes = tuple(replace(hole, way="drilling", feed_mm_per_min=240.0) for hole in program.contacts)
    return replace(program, contacts=holes)


def test_a_length_that_does_not_show_again_was_none() -> None:
    """Hole 4 begins 0.8 s or 3.2 mm early, and ends where it should; 5 and 6 are on time."""
    heard = [(a - (0.8 if i == 3 else 0.0), b) for i, (a, b) in enumerate(HOLES)]
    tracking = Tracking(drilling(), rate=RATE, ear=EAR, n_slots=16, width=200, most=32)
    carried = []
    for event in events_of(heard):
        tracking.take(event)
        engine = tracking.engine
        carried.append(float(engine.weights[engine.core["early_mm"] > 0.0].sum()))
    assert carried[7] > 0.9  # hole 4 is over, and was early
    assert carried[11] < 0.1  # hole 6 is over


def test_a_length_that_shows_again_is_carried_on() -> None:
    heard = [(a - (0.8 if i >= 3 else 0.0), b) for i, (a, b) in enumerate(HOLES)]
    tracking = Tracking(drilling(), rate=RATE, ear=EAR, n_slots=16, width=200, most=32)
    for event in events_of(heard)[:16]:
        tracking.take(event)
    engine = tracking.engine
    assert float(engine.weights[engine.core["early_mm"] > 0.0].sum()) > 0.9
