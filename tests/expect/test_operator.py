"""A person who is slower than the hold tables lengthens them; one who is faster does not shorten them."""

import dataclasses
from pathlib import Path

import pytest

from listen.errors import InputError
from listen.expect import expect
from listen.expect.approach import catchable
from listen.job import Operator
from listen.job_file import load_job
from listen.timeline import HoldPoint
from tests.expect.hand_path import Hand, hand_job

pytestmark = pytest.mark.closed
JOB = """
program = "part.nc"
{more}
[stock]
min = [0.0, 0.0, -20.0]
max = [80.0, 50.0, 0.0]

[[tools]]
number = 1
kind = "flat end mill"
diameter = 10.0
"""


def hold_of(hand: Hand, reaction_s: float) -> HoldPoint:
    job = dataclasses.replace(hand_job(), operator=Operator(reaction_s=reaction_s))
    return expect(hand.path(), job).timeline.holds[0]


def test_a_slower_person_goes_further_and_a_faster_one_no_less() -> None:
    """By hand at 10 mm/s: 0.4 s more reaction is 4 mm more; 8.06 + 0.169 mm with the tables' own 0.5 s."""
    hand = Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(100, 25, -3).line(100, 32, -3).line(-20, 32, -3)
    assert hold_of(hand, 0.5).travel_mm == pytest.approx(8.229, abs=0.01)
    assert hold_of(hand, 0.9).travel_mm == pytest.approx(12.229, abs=0.01)
    assert hold_of(hand, 0.2).travel_mm == hold_of(hand, 0.5).travel_mm


def test_a_window_long_enough_for_most_is_no_room_for_a_slow_person() -> None:
    """By hand at 50 mm/s: 55 + 7 + 55 mm of air are 2.34 s; least to press is 1.0, or 1.0 + (2.5 - 0.5) s."""
    hand = Hand(at=(-20, 25, 10), feed=3000).go(-20, 25, -3).line(140, 25, -3).line(140, 32, -3)
    hand.line(-20, 32, -3)
    usual, slow = hold_of(hand, 0.5), hold_of(hand, 2.5)
    assert 1.0 < usual.time_to_press_s < 2.34
    assert usual.has_room
    assert not slow.has_room


def test_a_rung_that_a_slow_person_cannot_catch() -> None:
    """By hand, 5 % of 15 m/min: 12.5·0.55 + 0.24 = 7.1 mm is within half of 25; 12.5·1.05 is not."""
    slow = dataclasses.replace(hand_job(), operator=Operator(reaction_s=1.0))
    assert catchable(250.0, 25.0, hand_job(), rapid=True) == 5.0
    assert catchable(250.0, 25.0, slow, rapid=True) is None


def test_the_reaction_is_read_from_the_job_or_a_file_beside_it(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    (tmp_path / "me.toml").write_text("[operator]\nreaction_s = 0.8\n")
    job.write_text(JOB.format(more='operator_from = "me.toml"'))
    assert load_job(job).operator == Operator(reaction_s=0.8)
    job.write_text(JOB.format(more='operator_from = "me.toml"') + "[operator]\nreaction_s = 0.9\n")
    assert load_job(job).operator.expected_s == 0.9
    assert load_job(job).operator.surprise_s == pytest.approx(1.8)
    job.write_text(JOB.format(more=""))
    assert load_job(job).operator == Operator()


def test_nonsense_is_refused(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(JOB.format(more="") + "[operator]\nreaction_s = 0\n")
    with pytest.raises(InputError, match=r"reaction_s must be 0.05 to 10 seconds, got 0"):
        load_job(job)
    job.write_text(JOB.format(more="") + "[operator]\nreactions = 0.5\n")
    with pytest.raises(InputError, match="did you mean 'reaction_s'"):
        load_job(job)
    with pytest.raises(InputError, match="got nan"):
        Operator(reaction_s=float("nan"))
