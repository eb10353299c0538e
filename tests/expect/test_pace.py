"""Where the tool is inside one span that the machine takes longer for than its feed says."""

import dataclasses

import numpy as np
import pytest

from listen.expect import expect_timeline
from listen.expect.segments import segments_of
from listen.program.path import TimedPath
from tests.expect.hand_path import Hand, hand_job

pytestmark = pytest.mark.closed


def _later(path: TimedPath, span: int, seconds: float) -> TimedPath:
    """The same path with one span taking longer."""
    starts, stops = path.spans.start_s.copy(), path.spans.stop_s.copy()
    stops[span:] += seconds
    starts[span + 1 :] += seconds
    return dataclasses.replace(path, spans=dataclasses.replace(path.spans, start_s=starts, stop_s=stops))


def test_time_lost_in_speeding_up_and_slowing_down_is_laid_to_the_stops() -> None:
    """By hand: 80 mm at 10 mm/s, 0.2 s lost at either end, so 2 mm of ramp, twice the time each.

    At 2 mm the tool is 0.4 s under way, at 40 mm 0.4 + 3.8, at 78 mm 0.4 + 7.6.
    """
    plain = Hand(at=(0, 0, 50)).line(80, 0, 50).path()
    rows = segments_of(_later(plain, 0, 0.4), hand_job()).rows
    times = np.interp([2.0, 40.0, 78.0, 80.0], rows[:, 3], rows[:, 7])
    np.testing.assert_allclose(times, [0.4, 4.2, 8.0, 8.4], rtol=0, atol=1e-9)


def test_straight_on_there_is_no_stop_between_two_moves() -> None:
    """By hand: the whole loss of each lies at the outer end; in the middle the tool is at its feed."""
    plain = Hand(at=(0, 0, 50)).line(40, 0, 50).line(80, 0, 50).path()
    rows = segments_of(_later(_later(plain, 0, 0.2), 1, 0.2), hand_job()).rows
    times = np.interp([2.0, 40.0, 78.0], rows[:, 3], rows[:, 7])
    np.testing.assert_allclose(times, [0.4, 4.2, 8.0], rtol=0, atol=1e-9)


def test_a_contact_in_mid_span_lasts_its_length_at_the_feed() -> None:
    hand = Hand(at=(-20, -3, 10)).go(-20, -3, -5).line(100, -3, -5)
    quick = expect_timeline(hand.path(), hand_job()).contacts[0]
    slow = expect_timeline(_later(hand.path(), 1, 0.4), hand_job()).contacts[0]
    assert slow.stop - slow.start == pytest.approx(quick.stop - quick.start, abs=1e-6)
    assert slow.start == pytest.approx(quick.start + 0.2, abs=1e-6)
