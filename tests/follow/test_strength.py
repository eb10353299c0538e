"""Heavier and lighter, beside what the run's other contacts were heard at."""

import numpy as np
import pytest

from listen.follow.outcomes import Outcome
from listen.follow.strength import Strengths
from listen.states import ContactSound
from listen.timeline import Strength
from tests.follow.runs import RATE, timeline_of

pytestmark = pytest.mark.closed
PLACES = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(12)]
THERE_AND_BACK = [19.1, 15.2, 19.7, 12.6, 18.1, 14.0, 17.8, 13.2]  # climb and conventional in turn [dB]


def said_of(levels_db: list[float]) -> list[Strength]:
    """The strength verdict on each of so many contacts, heard one after the other where they should be."""
    strengths = Strengths(timeline_of(PLACES))
    said = []
    for index, (level_db, (start_s, stop_s)) in enumerate(zip(levels_db, PLACES, strict=False)):
        start, stop = round(start_s * RATE), round(stop_s * RATE)
        strengths.take(
            ContactSound(
                start=start, stop=stop, decided_at=stop, level_db=level_db, tooth_pass_hz=float("nan")
            )
        )
        outcome = Outcome(
            beliefs=np.eye(8)[0],
            onset_s=start_s,
            offset_s=stop_s,
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


def test_too_few_others_tell_nothing() -> None:
    assert set(said_of([15.0, 16.0, 14.5, 15.5, 27.0])) == {Strength.CANNOT_TELL}
