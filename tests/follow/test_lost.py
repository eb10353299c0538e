"""What is done once the place is lost, and what one tool's air says of the next tool's."""

import numpy as np
import pytest

from listen.follow import Follower
from listen.follow.feed_clock import FeedClock
from listen.follow.model import Model
from listen.follow.priors import priors_for
from listen.follow.quiet import Quiet
from listen.follow.space import Space
from listen.followed import Position
from tests.follow.runs import EAR, RATE, Stretches, events_of, timeline_of

pytestmark = pytest.mark.closed
LENGTHS = [1.0, 3.2, 1.7, 4.4, 2.3, 1.2, 3.8, 1.5, 2.9, 1.1, 4.1, 2.0, 3.5, 1.3, 2.6, 4.8, 1.9, 3.0, 1.4, 2.2]
GAPS = [2.0, 1.1, 3.0, 1.6, 2.4, 1.3, 2.8, 1.0, 2.2, 3.3, 1.4, 2.6, 1.2, 3.1, 1.8, 2.5, 1.5, 2.9, 1.7, 2.1]
STARTS = np.cumsum(GAPS) + np.concatenate([[0.0], np.cumsum(LENGTHS)[:-1]])
PLACES = [(float(a), float(a) + b) for a, b in zip(STARTS, LENGTHS, strict=True)]


def next_contact(heard: Stretches) -> int | None:
    """What comes next, by the last position, just after the last contact."""
    follower = Follower(timeline_of(PLACES), rate=RATE, ear=EAR)
    said: list[object] = []
    for event in events_of(heard):
        said.extend(follower.push((event,), event.decided_at))
    return [item for item in said if isinstance(item, Position)][-1].next_contact


def test_a_place_that_was_lost_is_found_again() -> None:
    """Contacts 1 to 3, then, without a word, the program goes on at contact 13; six more are heard."""
    jump = PLACES[12][0] - PLACES[2][1] - 20.0
    heard = [*PLACES[:3], *((a - jump, b - jump) for a, b in PLACES[12:18])]
    assert next_contact(heard) == 19


def test_sounds_after_the_end_are_no_contacts_anew() -> None:
    last = PLACES[-1][1]
    noises = [(last + 20.0 + 9.0 * i, last + 21.5 + 9.0 * i) for i in range(5)]
    assert next_contact([*PLACES, *noises]) is None


@pytest.mark.parametrize(("loose_s", "carried_s"), [(0.0, 2.47), (6.0, 0.16)])
def test_air_that_took_long_with_one_tool_says_little_of_the_next(loose_s: float, carried_s: float) -> None:
    """Two standard deviations of 0.08 s go over a tool change, no more."""
    program = timeline_of(PLACES)
    model = Model(Space(program), priors_for(program, EAR), FeedClock(program), Quiet(RATE))
    usual = model.usual(np.array([2.47]), np.array([loose_s]), np.array([1.0]))
    assert usual == pytest.approx([carried_s], rel=0, abs=1e-12)
