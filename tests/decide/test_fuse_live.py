"""Load fills in live what sound missed, once it has been right, and sound is never kept waiting."""

from dataclasses import replace

import numpy as np
import pytest

from listen.decide.fuse_live import FuseLive
from listen.states import Event, Standing, State, StateLikelihoods

pytestmark = pytest.mark.closed
RATE = 8000
Told = list[tuple[str, float]]


def contact(start_s: float, stop_s: float, *, late_s: float = 0.0) -> list[Event]:
    states = (State.ENTRY, State.STEADY, State.EXIT, State.AIR)
    at = (start_s, start_s + 0.1, stop_s, stop_s)
    told = (start_s + 0.3 + late_s, start_s + 0.3 + late_s, stop_s + 0.2 + late_s, stop_s + 0.2 + late_s)
    return [
        Event(state=state, at=round(a * RATE), decided_at=round(t * RATE), probability=0.95)
        for state, a, t in zip(states, at, told, strict=True)
    ]


def fused(sound: list[Event], load: list[Event]) -> list[Event]:
    fuse = FuseLive(rate=RATE)
    order = sorted(
        [(e.decided_at, 0, i, e) for i, e in enumerate(sound)]
        + [(e.decided_at, 1, i, e) for i, e in enumerate(load)]
    )
    told: list[Event] = []
    come = 0
    for decided_at, source, _, event in order:
        for at in range(come, decided_at, RATE // 5):  # a load of five values a second
            told += fuse.has_come(at)
            come = at + RATE // 5
        told += fuse.load(event) if source else fuse.sound(event)
    return told


def entries(events: list[Event]) -> list[float]:
    return [event.at / RATE for event in events if event.state == State.ENTRY]


FOUR = [(2.0, 5.0), (8.0, 11.0), (14.0, 17.0), (20.0, 23.0)]


def test_a_contact_that_sound_missed_comes_from_load_after_load_was_right_three_times() -> None:
    load = [event for span in [*FOUR, (26.0, 29.0)] for event in contact(*span, late_s=0.5)]
    sound = [event for span in FOUR[:3] for event in contact(*span)]
    told = fused(sound, load)
    assert entries(told) == [2.0, 8.0, 14.0, 20.0, 26.0]
    assert all(e.probability <= 0.85 for e in told if e.at >= 20 * RATE)


def test_load_that_sees_what_sound_does_not_is_not_believed() -> None:
    wrong = [
        event for span in [(6.0, 7.0), (12.0, 13.0), (18.0, 19.0), (25.0, 27.0)] for event in contact(*span)
    ]
    sound = [event for span in FOUR for event in contact(*span)]
    assert fused(sound, wrong) == sound


def test_a_contact_from_load_is_dated_by_how_late_load_was_before() -> None:
    """By hand: load begins half a second late and ends 0.3 s late in the contacts that both have."""
    load = [event for a, b in FOUR for event in contact(a + 0.5, b + 0.3)]
    sound = [event for span in FOUR[:3] for event in contact(*span)]
    told = fused(sound, load)
    assert entries(told) == [2.0, 8.0, 14.0, 20.0]
    assert told[-1].at / RATE == 23.0


def test_load_that_is_now_early_now_late_is_not_believed() -> None:
    """By hand: beginnings 0.6 s late, 0.4 s early, 0.5 s late: whatever is filled in lies anywhere."""
    load = [
        event for (a, b), by in zip(FOUR, (0.6, -0.4, 0.5, 0.0), strict=True) for event in contact(a + by, b)
    ]
    sound = [event for span in FOUR[:3] for event in contact(*span)]
    assert fused(sound, load) == sound


def test_load_is_believed_where_it_had_what_sound_had_however_much_sound_missed() -> None:
    """By hand: sound had the first two of five; load had all, half a second late."""
    five = [*FOUR, (26.0, 29.0)]
    load = [event for span in five for event in contact(span[0] + 0.5, span[1] + 0.5)]
    sound = [event for span in FOUR[:2] for event in contact(*span)]
    assert entries(fused(sound, load)) == [2.0, 8.0, 20.0, 26.0]


def test_a_short_rise_of_load_is_not_passed_on_it_may_be_the_spindle_stopping() -> None:
    load = [event for span in [*FOUR, (26.0, 27.0)] for event in contact(*span)]
    sound = [event for span in FOUR for event in contact(*span)]
    assert fused(sound, load) == sound


def test_where_sound_heard_nothing_in_eight_contacts_load_is_believed() -> None:
    nine = [(6.0 * i + 2.0, 6.0 * i + 5.0) for i in range(9)]
    load = [event for span in nine for event in contact(*span)]
    assert entries(fused([], load)) == [50.0]


def test_where_sound_decides_nothing_its_belief_dates_what_load_has() -> None:
    """By hand: belief goes from .1 to .4 in each contact, 1.8 nats, .08 s late; load is .6 s late."""
    five = [*FOUR, (26.0, 29.0)]
    fuse = FuseLive(rate=RATE)
    told: list[Event] = []
    load = sorted(
        (e.decided_at, i, e) for i, e in enumerate(e for a, b in five for e in contact(a + 0.6, b + 0.6))
    )
    for at in range(0, 32 * RATE, RATE // 10):
        seconds = (np.arange(at, at + RATE // 10, RATE // 100) + RATE // 100) / RATE
        inside = np.any([(seconds > a + 0.08) & (seconds <= b + 0.08) for a, b in five], axis=0)
        fuse.believe(
            StateLikelihoods(
                at=np.round(seconds * RATE).astype(np.int64),
                log_likelihood=np.zeros((seconds.size, 4)),
                contact=np.where(inside, 0.4, 0.1),
            )
        )
        while load and load[0][0] <= at:
            told += fuse.load(load.pop(0)[2])
        told += fuse.has_come(at)
    assert entries(told) == [pytest.approx(20.0, abs=0.06), pytest.approx(26.0, abs=0.06)]


def test_sound_that_comes_later_ends_what_load_began_and_begins_nothing_anew() -> None:
    load = [event for span in [*FOUR, (26.0, 29.0)] for event in contact(*span)]
    sound = [event for span in FOUR for event in contact(*span)] + contact(26.2, 28.9, late_s=2.2)
    told = fused(sound, load)
    assert entries(told) == [2.0, 8.0, 14.0, 20.0, 26.0]
    assert [event.at / RATE for event in told if event.state == State.AIR][-1] == 28.9


def test_without_load_sound_passes_unchanged_the_unsure_among_it() -> None:
    sound = contact(2.0, 5.0)
    unsure = Event(
        state=State.ENTRY, at=9 * RATE, decided_at=9 * RATE, probability=0.6, standing=Standing.PROVISIONAL
    )
    assert fused([*sound, unsure], []) == [*sound, unsure]


def test_load_waits_where_sound_is_about_to_decide() -> None:
    """By hand: load rises at 18.2 s, sound supposes an entry of its own at 20.1 s: that counts."""
    load = [event for a, b in [*FOUR[:3], (18.2, 23.0)] for event in contact(a, b)]
    sound = [event for span in FOUR[:3] for event in contact(*span)]
    supposed = replace(sound[0], at=20 * RATE, decided_at=round(20.1 * RATE), standing=Standing.PROVISIONAL)
    told = fused([*sound, supposed, *contact(20.0, 23.0)], load)
    sure = [event for event in told if event.standing is Standing.CONFIRMED]
    assert entries(sure) == [2.0, 8.0, 14.0, 20.0]


def test_what_load_began_far_too_early_ends_where_sound_begins() -> None:
    """By hand: load is in a contact from 18.5 s on, sound begins one at 22 s: two contacts, not one."""
    load = [event for a, b in [*FOUR[:3], (18.5, 25.0)] for event in contact(a, b)]
    sound = [event for a, b in [*FOUR[:3], (22.0, 25.0)] for event in contact(a, b)]
    told = fused(sound, load)
    assert entries(told) == [2.0, 8.0, 14.0, 18.5, 22.0]
    assert [event.at / RATE for event in told if event.state == State.AIR] == [5.0, 11.0, 17.0, 22.0, 25.0]
