"""A recording that begins with the program well under way: found by what differs, else one of several."""

import numpy as np
import pytest

from listen.follow import Follower
from listen.follow.engine import _rank_among_equals
from listen.followed import Position
from listen.timeline import Timeline
from tests.follow.runs import EAR, RATE, Stretches, events_of, timeline_of
from tests.follow.test_lost import PLACES
from tools.tools_follow.jobs import planned

pytestmark = pytest.mark.closed
ALIKE = [(2.0 + 8.0 * i, 8.0 + 8.0 * i) for i in range(24)]  # 6 s of cut, 2 s of air


def last_position(program: Timeline, heard: Stretches) -> Position:
    """Just after the last contact."""
    follower = Follower(program, rate=RATE, ear=EAR)
    said: list[object] = []
    for event in events_of(heard):
        said.extend(follower.push((event,), event.decided_at))
    return [item for item in said if isinstance(item, Position)][-1]


def slowed(places: Stretches, begin_s: float, rate: float) -> Stretches:
    """What is heard of them from `begin_s` along the program on, at another override."""
    cut = [(max(a, begin_s), b) for a, b in places if b > begin_s]
    return [((a - begin_s) / rate, (b - begin_s) / rate) for a, b in cut]


@pytest.mark.parametrize("rate", [1.0, 0.5, 1.2])
@pytest.mark.parametrize("first", [4, 9, 12])
def test_six_contacts_that_differ_tell_the_place_at_any_override(first: int, rate: float) -> None:
    """Listening begins in the air before contact `first`, which nothing but its length and air tells."""
    heard = slowed(PLACES, PLACES[first - 1][0] - 1.0, rate)[:6]
    position = last_position(timeline_of(PLACES), heard)
    assert position.next_contact == first + 6
    assert position.probability > 0.9


def test_a_place_far_down_a_long_program_is_found() -> None:
    """A drawn run heard from contact 50 of 97 on: a start from the top, the dial turned, is likelier first.

    Where guesses of other places were held against that one they were gone before the fifth contact, and
    none of 48 was matched.
    """
    counts = planned("from the middle", 3004)
    assert counts["heard"] == 48
    assert counts["once over"] >= 44


def test_afterwards_a_place_is_kept_at_more_than_the_slow_rates_that_a_burst_favours() -> None:
    """A drawn run heard from contact 53 of 60 on, with a burst of the ear between the first two contacts.

    The six likeliest guesses of that place soon were all of a quarter of the true rate and less; live the
    same run was followed.
    """
    counts = planned("from the middle", 7)
    assert (counts["heard"], counts["smoothed"]) == (8, 8)


@pytest.mark.parametrize("rate", [1.0, 1.2])
def test_alike_contacts_heard_from_inside_one_are_one_of_several(rate: float) -> None:
    """Nothing tells contact 10 from any other: no place is likelier than all others together."""
    heard = slowed(ALIKE, ALIKE[9][0] + 2.0, rate)[:6]
    assert last_position(timeline_of(ALIKE), heard).probability < 0.5


def test_equal_values_are_ranked_in_their_order() -> None:
    assert _rank_among_equals(np.array([5, 5, 2, 5, 2, 9], np.int32)).tolist() == [0, 1, 0, 2, 1, 0]


def test_a_place_is_not_believed_for_how_finely_its_rates_are() -> None:
    """Sixty alike contacts, listened to from inside one: 30 % for the first, as where listening begins.

    Fewer rates are tried of sixty contacts than of one; what the guesses kept leave out counts as well.
    """
    places = [(2.0 + 6.0 * i, 6.0 + 6.0 * i) for i in range(60)]
    heard = [(0.0, 2.5), *((2.5 + 2.0 + 6.0 * i, 2.5 + 6.0 + 6.0 * i) for i in range(4))]
    assert last_position(timeline_of(places), heard).probability < 0.4
