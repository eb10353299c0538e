"""What is learnt of the operator's habits, and a hold after the override was turned in the same cut."""

import pytest

from listen.follow import Follower
from listen.follow.habits import Habit
from listen.followed import Position
from tests.follow.runs import EAR, RATE, events_of, timeline_of

pytestmark = pytest.mark.closed


def test_a_habit_starts_from_what_is_believed_and_moves_to_what_is_done() -> None:
    """Believed once in 100 s, which counts as 2 in 200 s; 3 in the next 100 s make 5 in 300 s."""
    habit = Habit(1.0 / 100.0)
    assert habit.per_s == pytest.approx(0.01, rel=0, abs=1e-12)
    for belief in (1.0, 0.5, 1.5, 0.0):
        habit.learn(belief, 25.0)
    assert habit.per_s == pytest.approx(5.0 / 300.0, rel=0, abs=1e-12)


def test_a_habit_fades_and_stays_within_bounds() -> None:
    """Nothing in ten hours: the belief falls to a fifth, no lower; then it can still rise."""
    habit = Habit(1.0 / 100.0)
    for _ in range(600):
        habit.learn(0.0, 60.0)
    assert habit.per_s == pytest.approx(0.002, rel=0, abs=1e-12)
    for _ in range(60):
        habit.learn(1.0, 60.0)
    assert habit.per_s > 0.012


def test_a_cut_turned_down_and_then_held_is_followed() -> None:
    """Contact 6 of 12, 3 s long: 1 s at 100 %, 3 s at 50 %, held for 8 s, the last 0.5 s at 50 %.

    Lengths and gaps differ from contact to contact, so that only the right count fits what follows.
    """
    lengths = [2.0, 3.4, 2.6, 4.1, 1.7, 3.0, 2.2, 3.7, 1.4, 2.9, 4.4, 2.4]
    gaps = [2.0, 1.5, 2.4, 1.2, 2.9, 1.8, 2.2, 1.4, 2.7, 1.6, 2.1, 1.3]
    places, heard = [], []
    place = at = 0.0
    for index, (gap, length) in enumerate(zip(gaps, lengths, strict=True)):
        slow = 2.0 if index > 5 else 1.0
        place, at = place + gap, at + slow * gap
        places.append((place, place + length))
        if index == 5:
            heard += [(at, at + 4.0), (at + 12.0, at + 13.0)]
            at += 13.0
        else:
            heard.append((at, at + slow * length))
            at += slow * length
        place += length
    follower = Follower(timeline_of(places), rate=RATE, ear=EAR)
    said: dict[int, int | None] = {}
    for number, event in enumerate(events_of(heard)):
        for item in follower.push((event,), event.decided_at):
            if isinstance(item, Position):
                said[number] = item.next_contact
    assert [said[number] for number in (15, 17, 19)] == [8, 9, 10]
