"""When a start is plain: a few frames, worked by hand."""

import numpy as np
import pytest

from listen.decide.rise import Rise, odds_of
from listen.states import log_odds

pytestmark = pytest.mark.closed


def told_after(*odds: float, cut: int = 0) -> bool:
    """Whether the last of these frames is told, of which so many at the beginning were told as contact."""
    rise = Rise(least=0.0, by=2.0, most=2.5)
    for i, value in enumerate(odds):
        rise.push(value, in_contact=i < cut)
    return rise.has_come()


def test_out_of_calm_even_odds_are_enough_and_less_is_not() -> None:
    assert told_after(*[-4.0] * 60, 0.0)
    assert not told_after(*[-4.0] * 60, -0.1)


def test_out_of_two_minds_it_must_be_two_nats_more_but_never_more_than_the_most() -> None:
    assert not told_after(*[-0.5] * 60, 1.4)
    assert told_after(*[-0.5] * 60, 1.6)
    assert told_after(*[2.0] * 60, 2.5)


def test_the_frames_that_rise_are_not_what_they_are_held_against() -> None:
    """Six frames at -1, then three that rise: 1 nat is asked for, not 2 over a mean with two at 1.5 in it."""
    assert not told_after(*[-1.0] * 6, 1.5, 1.5, 0.9)
    assert told_after(*[-1.0] * 6, 1.5, 1.5, 1.0)


def test_a_cut_is_forgotten_after_a_tenth_of_a_second_of_air() -> None:
    """At 4 nats for 40 frames, then air at -4: 14 frames of it leave eleven that are looked at."""
    assert not told_after(*[4.0] * 40, *[-4.0] * 8, 0.5, cut=40)
    assert told_after(*[4.0] * 40, *[-4.0] * 14, 0.5, cut=40)


def test_the_first_frame_of_a_run_is_told_at_even_odds() -> None:
    assert told_after(0.0)


def test_one_belief_has_the_log_odds_of_many() -> None:
    beliefs = np.array([0.0, 1e-5, 0.2, 0.5, 0.999999])
    assert [odds_of(float(b)) for b in beliefs] == pytest.approx(log_odds(beliefs).tolist())
