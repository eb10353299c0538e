"""How far the ear of a run is taken for worse than it was said to be."""

from dataclasses import replace

import numpy as np
import pytest

from listen.follow import refined_verdicts
from listen.follow.own_ear import OwnEar, date_tells
from listen.follow.priors import priors_for
from listen.follow.tracking import Tracking
from tests.follow.runs import EAR, RATE, Stretches, events_of, timeline_of

pytestmark = pytest.mark.closed
TWELVE = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(12)]
RUN = [(5.0 + 3.0 * i, 7.0 + 3.0 * i) for i in range(12)]


def an_ear() -> OwnEar:
    return OwnEar(priors_for(timeline_of(TWELVE), EAR))


def worse_after(heard: Stretches) -> float:
    """Belief in the worse ear once these stretches were heard, the override being stated."""
    program = timeline_of(TWELVE, feed_override=100.0, override_steady=True)
    tracking = Tracking(program, rate=RATE, ear=EAR, n_slots=16, width=200, most=32)
    for event in events_of(heard):
        tracking.take(replace(event, spread=0))
    return tracking.engine.model.ear.worse


def test_one_slip_makes_five_times_the_odds() -> None:
    """From 1 to 10: a worse ear slips 5 times as often, so 5 to 10, that is 1 in 3."""
    ear = an_ear()
    assert ear.worse == pytest.approx(1.0 / 11.0, rel=0, abs=1e-12)
    ear.slipped(1.0)
    assert ear.worse == pytest.approx(1.0 / 3.0, rel=0, abs=1e-12)


def test_what_the_worse_ear_does_counts_by_the_belief_in_it() -> None:
    """At 1 in 3: (1 + 4/3) times as often, dates of (1 + (6.25 - 1)/3) times the variance."""
    ear = an_ear()
    ear.slipped(1.0)
    assert ear.times == pytest.approx(7.0 / 3.0, rel=0, abs=1e-12)
    assert ear.wider == pytest.approx(2.75, rel=0, abs=1e-12)


@pytest.mark.parametrize("in_contact", [True, False])
def test_a_minute_without_a_slip_speaks_for_the_ear(in_contact: bool) -> None:
    """A worse ear slips 5 times as often: none in 60 s is likelier by 4 · 60 s · its rate [nats]."""
    ear = an_ear()
    per_hour = EAR.dropouts_per_hour if in_contact else EAR.false_bursts_per_hour
    ear.heard(60.0, in_contact=in_contact)
    odds = np.log(0.1) - 4.0 * 60.0 * per_hour / 3600.0
    assert ear.worse == pytest.approx(1.0 / (1.0 + np.exp(-odds)), rel=0, abs=1e-9)


def test_an_ear_may_become_better_again_and_one_date_says_little() -> None:
    """However many slips there were, the odds end at e^6; a date counts for -0.5 to 1.5 nats."""
    ear = an_ear()
    for _ in range(100):
        ear.slipped(1.0)
    assert ear.worse == pytest.approx(1.0 / (1.0 + np.exp(-6.0)), rel=0, abs=1e-12)
    told = date_tells(np.array([0.0, 5.0]), np.full(2, 0.01), np.full(2, 0.01))
    assert told.tolist() == [-0.5, 1.5]


def test_a_contact_that_was_half_heard_is_missed_by_as_much_more() -> None:
    """Of an ear said to miss 1 %, for a belief that is seven times as likely over a miss: 7 %."""
    assert an_ear().missed(7.0) == pytest.approx(0.07, rel=0, abs=1e-12)


def test_an_hour_of_cutting_without_a_slip_speaks_for_the_ear_but_not_for_ever() -> None:
    ear = an_ear()
    ear.heard(3600.0, in_contact=True)
    assert ear.worse == pytest.approx(1.0 / (1.0 + np.exp(3.0)), rel=0, abs=1e-12)


def test_a_date_as_forecast_speaks_for_the_stated_ear_and_a_far_one_against_it() -> None:
    """Variance 0.01 s², of which 0.001 of the ear's: 0.01525 for one that dates 2.5 times as loosely.

    As forecast: -0.5 ln 1.525 = -0.211 nats. 0.2 s off: + 0.5 · 0.04 · (100 - 65.574) = + 0.4775 nats.
    """
    told = date_tells(np.array([0.0, 0.2]), np.full(2, 0.01), np.full(2, 0.001))
    assert told == pytest.approx([-0.2110, 0.4775], rel=0, abs=5e-5)


def test_dates_that_scatter_make_the_ear_the_worse_one() -> None:
    """0.12 s to and fro, where 0.03 s at starts and 0.05 s at ends is what the ear was said to have."""
    loose = [(a + 0.12 * (-1) ** i, b - 0.12 * (-1) ** (i // 2)) for i, (a, b) in enumerate(RUN)]
    assert worse_after(RUN) < 0.1
    assert worse_after(loose) > 0.5


def test_a_worse_ear_misses_more() -> None:
    """Four times 1 % times (1 - 1/11) above the stated 1 %, for a belief in the worse ear of next to 1."""
    ear = an_ear()
    assert ear.missed() == pytest.approx(0.0, rel=0, abs=1e-12)
    for _ in range(10):
        ear.slipped(1.0)
    assert ear.missed() == pytest.approx(0.0364, rel=0.01)


def test_after_a_miss_an_ear_is_taken_to_miss_more() -> None:
    """An ear said to miss 1 %, contacts 0.4 % not there: the first one may be either.

    After 9 contacts heard it misses (4.4 · 0.01) / 13.4 = 0.33 %, so that it was it with 0.451; then
    0.451 / 14.4 = 3.13 % of the contacts are known misses, 0.2 % are borne.
    """
    ear = an_ear()
    for _ in range(9):
        ear.judged(heard=True, fault=0.004)
    assert ear.missed() == pytest.approx(0.0, rel=0, abs=1e-12)
    ear.judged(heard=False, fault=0.004)
    assert ear.missed() == pytest.approx(0.0313 - 0.002, rel=0.005)


def test_an_ear_that_misses_one_contact_is_taken_to_miss_the_next_as_well() -> None:
    """Said to miss 1 %, which is worth 4.4 contacts: 0.044 of 4.4, then 1.044 of 5.4 = 19.3 %."""
    assert an_ear().misses_after(np.array([0.0, 1.0]), 1) == pytest.approx([0.044 / 5.4, 1.044 / 5.4])


def test_only_the_first_of_contacts_not_heard_here_and_there_is_flagged() -> None:
    """Of twenty contacts the sixth, the eleventh and the sixteenth are not heard, all else is on time."""
    places = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(20)]
    heard = [place for i, place in enumerate(places) if i not in (5, 10, 15)]
    program = timeline_of(places, feed_override=100.0, override_steady=True)
    ear = replace(EAR, missed_share=0.03)
    found = refined_verdicts(program, events_of(heard), (), (), RATE, ear, end=66 * RATE)
    assert [found[i].kind for i in (5, 10, 15)] == ["not heard", "cannot tell", "cannot tell"]
