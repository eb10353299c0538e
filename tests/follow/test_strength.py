"""Heavier and lighter, beside what the run's other contacts were heard at."""

import numpy as np
import pytest

from listen.follow.outcomes import Outcome
from listen.follow.strength import Strengths
from listen.followed import Strength
from listen.states import ContactSound
from tests.follow.runs import RATE, timeline_of

pytestmark = pytest.mark.closed
PLACES = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(12)]
THERE_AND_BACK = [19.1, 15.2, 19.7, 12.6, 18.1, 14.0, 17.8, 13.2]  # climb and conventional in turn [dB]


def said_of(
    levels_db: list[float], own_db: list[float] | None = None, *, last_s: float = 2.0
) -> list[Strength]:
    """The strength verdict on each of so many contacts, heard one after the other where they should be.

    `last_s`: how long the sound of the last one is; all others are as long as expected.
    """
    own_db = own_db or levels_db
    strengths = Strengths(timeline_of(PLACES))
    said = []
    for index, (level_db, own, (start_s, stop_s)) in enumerate(zip(levels_db, own_db, PLACES, strict=False)):
        heard_until_s = start_s + last_s if index == len(levels_db) - 1 else stop_s
        start, stop = round(start_s * RATE), round(heard_until_s * RATE)
        strengths.take(
            ContactSound(
                start=start,
                stop=stop,
                decided_at=stop,
                level_db=level_db,
                own_db=own,
                tooth_pass_hz=float("nan"),
            )
        )
        outcome = Outcome(
            beliefs=np.eye(8)[0],
            onset_s=start_s,
            offset_s=heard_until_s,
            expected_onset_s=start_s,
            expected_offset_s=stop_s,
        )
        said.append(strengths.of(index, outcome, RATE)[0])
    return said


def test_two_loudnesses_in_turn_are_none_too_light() -> None:
    assert Strength.LIGHTER not in said_of(THERE_AND_BACK)
    assert Strength.HEAVIER not in said_of(THERE_AND_BACK)


@pytest.mark.parametrize(("off_db", "kind"), [(12.0, Strength.HEAVIER), (-12.0, Strength.LIGHTER)])
def test_what_is_far_off_the_others_is_said(off_db: float, kind: Strength) -> None:
    alike = [15.0, 16.0, 14.5, 15.5, 15.2]
    assert said_of([*alike, 15.0 + off_db])[-1] == kind
    assert said_of([*alike, 15.3])[-1] == Strength.AS_EXPECTED


def test_a_sound_that_is_mostly_air_tells_no_strength() -> None:
    """Cuts of 2 s: the middle of a sound of 3.9 s is of the cut, that of one of 4.1 s may be air."""
    alike = [15.0, 16.0, 14.5, 15.5, 15.2]
    assert said_of([*alike, 3.0], last_s=3.9)[-1] == Strength.LIGHTER
    assert said_of([*alike, 3.0], last_s=4.1)[-1] == Strength.CANNOT_TELL


def test_too_few_others_tell_nothing() -> None:
    assert set(said_of([15.0, 16.0, 14.5, 15.5, 27.0])) == {Strength.CANNOT_TELL}


def test_spray_that_comes_on_makes_no_contact_lighter() -> None:
    """The air rises by 9 dB, the cut's own sound stays."""
    over_air = [15.0, 16.0, 14.5, 15.5, 15.2, 6.0, 6.2]
    assert (
        said_of(over_air, [-30.0, -29.0, -30.5, -29.5, -29.8, -30.0, -29.8])[-2:]
        == [Strength.AS_EXPECTED] * 2
    )


def test_a_microphone_that_sets_its_own_level_makes_no_contact_lighter() -> None:
    """It turns all down by 9 dB: air and cut alike."""
    own = [-30.0, -29.0, -30.5, -29.5, -29.8, -39.0, -38.8]
    assert said_of([15.0, 16.0, 14.5, 15.5, 15.2, 15.0, 15.2], own)[-2:] == [Strength.AS_EXPECTED] * 2


def test_without_its_own_level_the_one_over_the_air_counts() -> None:
    """A run that was recorded before it was kept."""
    nothing = [float("nan")] * 6
    assert said_of([15.0, 16.0, 14.5, 15.5, 15.2, 27.0], nothing)[-1] == Strength.HEAVIER


def test_two_measures_that_contradict_each_other_call_nothing_heavier_or_lighter() -> None:
    """The air went down by more than the cut did: over the air it is louder, without the air it is not."""
    own = [-30.0, -29.0, -30.5, -29.5, -29.8, -42.0]
    assert said_of([15.0, 16.0, 14.5, 15.5, 15.2, 27.0], own)[-1] == Strength.AS_EXPECTED
