"""What the live ear believed where nothing was heard: a miss is mostly half heard."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from listen.follow import Follower, refined_verdicts
from listen.follow.own_ear import OwnEar
from listen.follow.priors import priors_for
from listen.follow.quiet import LIVE, SECOND_LOOK, Quiet, Tells
from listen.followed import Position, Verdict
from listen.states import StateLikelihoods
from tests.follow.runs import EAR, RATE, events_of, timeline_of

pytestmark = pytest.mark.closed
PLACES = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(8)]
LATER = 1000.0


def believed(start_s: float, stop_s: float, log_odds: float) -> StateLikelihoods:
    at = np.round(np.arange(start_s, stop_s, 0.01) * RATE).astype(np.int64)
    contact = np.full(at.size, 1.0 / (1.0 + math.exp(-log_odds)))
    return StateLikelihoods(at=at, log_likelihood=np.zeros((at.size, 4)), contact=contact)


def for_a_miss(log_odds: float, *, about: float = LIVE.air) -> float | None:
    """Over a contact of two seconds, with another belief before and after it."""
    quiet = Quiet(RATE)
    for start_s, stop_s, odds in ((0.0, 5.0, about), (5.0, 7.0, log_odds), (7.0, 10.0, about)):
        quiet.take(believed(start_s, stop_s, odds))
    return quiet.for_a_miss(5.0, 7.0, LATER)


def test_the_ratio_is_what_was_measured() -> None:
    """At -1: 2.08 - 1.05 - 0.1 = 0.93 nats, by hand; usual air at -3.1 is a tenth as likely over a miss."""
    assert (LIVE.still, LIVE.slope, LIVE.bend) == (2.08, 1.05, -0.10)
    assert for_a_miss(-1.0) == pytest.approx(2.5345, rel=1e-4)
    assert for_a_miss(-3.1) == pytest.approx(0.118, rel=0.01)


def test_louder_speaks_more_for_a_miss_and_little_is_made_of_either_end() -> None:
    found = [for_a_miss(odds) or 0.0 for odds in np.arange(-5.0, 5.0, 0.5)]
    assert found == sorted(found)
    assert (found[0], found[-1]) == (0.03, 20.0)


@pytest.mark.parametrize(
    ("log_odds", "about", "ratio"),
    [
        (1.0, 1.0, 1.0),  # no less all about it: neither
        (
            1.0,
            -1.0,
            2.234,
        ),  # about it 2.1 over the usual -3.1: as -1.1 in usual air, 2.08 - 1.155 - 0.121 nats
        (-1.0, -5.0, 2.5345),  # quieter air than usual adds nothing
    ],
)
def test_what_is_half_heard_all_about_tells_of_neither(log_odds: float, about: float, ratio: float) -> None:
    assert for_a_miss(log_odds, about=about) == pytest.approx(ratio, rel=0.01)


def test_a_short_contact_tells_by_what_there_is_of_it() -> None:
    quiet = Quiet(RATE)
    quiet.take(believed(0.0, 10.0, -3.2))
    assert quiet.for_a_miss(5.0, 5.3, LATER) is not None
    assert quiet.for_a_miss(5.0, 5.12, LATER) is None


@pytest.mark.parametrize(
    ("log_odds", "ratio"),
    [
        (-1.2, 0.9892),  # -0.5 (1.5/2)² - ln 2 + 0.5 (1.5/1.2)² + ln 1.2
        (-6.0, 0.1948),  # as at -2.7: -0.5 (3/2)² - ln 2 + ln 1.2
        (1.0, 5.0),  # as at 0.3, 13.7, of which no more is made than 5
    ],
)
def test_what_is_believed_since_an_end_tells_it_from_a_break(log_odds: float, ratio: float) -> None:
    """Mean log odds of 0.3 ± 2.0 after a break, -2.7 ± 1.2 after an end, no further than their means."""
    quiet = Quiet(RATE)
    assert quiet.for_a_break(5.0, 6.0) == 1.0
    for start_s, stop_s, odds in ((0.0, 5.0, 3.0), (5.0, 7.0, log_odds)):
        quiet.take(believed(start_s, stop_s, odds))
    assert quiet.for_a_break(5.0, 6.0) == pytest.approx(ratio, rel=1e-3)


def test_no_belief_counts_for_more_than_one_in_two_hundred() -> None:
    quiet = Quiet(RATE)
    quiet.take(believed(0.0, 2.0, 20.0))
    assert quiet.mean_odds(0.5, 1.5) == pytest.approx(math.log(199.0), rel=0, abs=1e-9)


def test_what_is_not_known_tells_nothing() -> None:
    quiet = Quiet(RATE)
    assert quiet.for_a_miss(5.0, 7.0, LATER) is None
    quiet.take(believed(0.0, 10.0, 0.0))
    assert quiet.for_a_miss(math.nan, 7.0, LATER) is None
    assert quiet.for_a_miss(11.0, 12.0, LATER) is None
    assert quiet.for_a_miss(5.0, 7.0, 5.2) is None  # most of it is still to come
    quiet.take(believed(5000.0, 5010.0, 0.0))
    assert quiet.for_a_miss(5.0, 7.0, LATER) is None  # too long ago


def test_pieces_of_any_size_tell_the_same() -> None:
    whole, pieces = Quiet(RATE), Quiet(RATE)
    frames = believed(0.0, 10.0, -1.0)
    whole.take(frames)
    for low in range(0, frames.at.size, 7):
        part = slice(low, low + 7)
        pieces.take(
            StateLikelihoods(
                at=frames.at[part],
                log_likelihood=frames.log_likelihood[part],
                contact=frames.contact[part],
            )
        )
    assert pieces.for_a_miss(5.0, 7.0, LATER) == pytest.approx(whole.for_a_miss(5.0, 7.0, LATER), rel=1e-12)


def sure_of_the_fifth(log_odds: float, missed_share: float = 0.03) -> float:
    """Probability of "not heard" of the fifth of eight, the ear being said to miss so many."""
    program = timeline_of(PLACES, feed_override=100.0, override_steady=True)
    ear = EAR.__class__(
        false_bursts_per_hour=2.0,
        dropouts_per_hour=10.0,
        missed_share=missed_share,
        onset_spread_s=0.03,
        offset_spread_s=0.05,
    )
    follower = Follower(program, rate=RATE, ear=ear)
    follower.listen(believed(12.5, 18.0, log_odds))
    said: list[object] = []
    for event in events_of([place for i, place in enumerate(PLACES) if i != 4]):
        said += follower.push((event,), event.decided_at)
    said += follower.close(30 * RATE)
    (verdict,) = [one for one in said if isinstance(one, Verdict) and one.contact == 5]
    return verdict.probability if verdict.kind == "not heard" else 0.0


def test_a_contact_that_was_half_heard_is_not_called_missing() -> None:
    assert sure_of_the_fifth(-4.0) > 0.75
    assert sure_of_the_fifth(0.5) == 0.0


@pytest.mark.parametrize("later_s", [0.0, 0.25, 0.5, 0.75])
def test_a_contact_that_may_have_been_missed_is_judged_once_its_time_can_tell(later_s: float) -> None:
    """The fifth of eight should run for six seconds and is not there; the ear misses one in twenty.

    That it does not come is clear before what the ear believed meanwhile is known.
    """
    places = [(a + 4.0 * (i > 4) + later_s, b + 4.0 * (i >= 4) + later_s) for i, (a, b) in enumerate(PLACES)]
    program = timeline_of(places, feed_override=100.0, override_steady=True)
    follower = Follower(program, rate=RATE, ear=replace(EAR, missed_share=0.05))
    events = events_of([place for i, place in enumerate(places) if i != 4])
    said: list[object] = []
    for second in range(36):
        follower.listen(believed(second, second + 1.0, -4.0))
        new = tuple(e for e in events if second * RATE <= e.decided_at < (second + 1) * RATE)
        said += follower.push(new, (second + 1) * RATE)
    said += follower.close(36 * RATE)
    (verdict,) = [one for one in said if isinstance(one, Verdict) and one.contact == 5]
    assert verdict.kind == "not heard"
    assert places[4][0] < verdict.called_at / RATE < places[4][1] + 2.0


def test_the_less_an_ear_misses_the_surer_is_what_it_does_not_hear() -> None:
    """And by a little only: the guesses about the place must not lose what the ear gains."""
    sure = [sure_of_the_fifth(-4.0, share) for share in (0.03, 0.02, 0.01, 0.005, 0.001)]
    assert sure == sorted(sure)
    assert np.abs(np.diff(sure)).max() < 0.1


def test_an_ear_misses_as_often_as_was_found_and_as_it_believed_meanwhile() -> None:
    ear = OwnEar(priors_for(timeline_of(PLACES), EAR))
    assert ear.missed(1.0) == pytest.approx(0.01, rel=1e-9)
    assert ear.missed(0.1) == pytest.approx(0.001, rel=1e-9)


def refined_of_the_fifth(log_odds: float) -> Verdict:
    """Of eight the fifth was not heard; the second look believed so much of it, and of all else nothing."""
    program = timeline_of(PLACES, feed_override=100.0, override_steady=True)
    heard = events_of([place for i, place in enumerate(PLACES) if i != 4])
    beliefs = [believed(0.0, 14.0, -5.0), believed(14.0, 16.0, log_odds), believed(16.0, 30.0, -5.0)]
    return refined_verdicts(program, heard, (), (), RATE, EAR, end=30 * RATE, beliefs=beliefs)[4]


def test_afterwards_a_contact_that_the_second_look_half_heard_cannot_be_told() -> None:
    assert refined_of_the_fifth(-5.0).kind == "not heard"
    assert refined_of_the_fifth(-3.5).kind == "not heard"  # no more than a real room's air
    assert refined_of_the_fifth(-1.0).kind == "cannot tell"


def test_the_second_look_tells_nothing_by_what_is_below_even() -> None:
    """At -3.5: 4.01 - 3.92 - 0.735 = -0.645 nats, less than even; at -3: 4.01 - 3.36 - 0.54 = 0.11 nats."""
    quiet = Quiet(RATE, tells=SECOND_LOOK, kept_s=30.0)
    for start_s, stop_s, odds in ((0.0, 5.0, -5.0), (5.0, 7.0, -3.5), (7.0, 15.0, -5.0), (15.0, 17.0, -3.0)):
        quiet.take(believed(start_s, stop_s, odds))
    quiet.take(believed(17.0, 20.0, -5.0))
    assert quiet.for_a_miss(5.0, 7.0, LATER) == 0.03
    assert quiet.for_a_miss(15.0, 17.0, LATER) == pytest.approx(math.exp(0.11), rel=1e-3)


def believed_missed(log_odds: float) -> float:
    """Belief that the fourth of eight was left out; after the third it is quiet three seconds too long."""
    follower = Follower(timeline_of(PLACES), rate=RATE, ear=replace(EAR, missed_share=0.03))
    for start_s, stop_s, odds in ((0.0, 11.0, -3.1), (11.0, 13.0, log_odds), (13.0, 14.5, -3.1)):
        follower.listen(believed(start_s, stop_s, odds))
    said: list[object] = []
    for event in events_of([PLACES[0], PLACES[1], PLACES[2], PLACES[4]]):
        said += follower.push((event,), event.decided_at)
    last = [one for one in said if isinstance(one, Position)][-1]
    return last.probability if last.next_contact == 6 else 0.0


def test_what_the_ear_believed_tells_a_hold_from_a_contact_missed() -> None:
    """Held for three seconds, or the fourth missed: the times are the same, the place is a contact apart."""
    odds = [p / (1.0 - p) for p in (believed_missed(0.5), believed_missed(-4.0))]
    assert odds[0] > 3.0 * odds[1]


def odds_of_the_top(log_odds: float) -> float:
    """That the first three contacts were heard, not the second to the fourth: they begin at 5 s, not at 2 s.

    All are alike; either the program was started three seconds late, or the first was missed.
    """
    follower = Follower(timeline_of(PLACES), rate=RATE, ear=replace(EAR, missed_share=0.03))
    for start_s, stop_s, odds in ((0.0, 2.0, -3.1), (2.0, 4.0, log_odds), (4.0, 5.0, -3.1)):
        follower.listen(believed(start_s, stop_s, odds))
    said: list[object] = []
    for event in events_of(PLACES[1:4]):
        said += follower.push((event,), event.decided_at)
    last = [one for one in said if isinstance(one, Position)][-1]
    assert last.next_contact == 4
    return last.probability / (1.0 - last.probability)


def test_what_the_ear_believed_before_it_first_heard_one_tells_a_late_start_from_a_contact_missed() -> None:
    assert odds_of_the_top(-4.0) > 10.0 * odds_of_the_top(0.5)


@pytest.mark.parametrize(
    ("log_odds", "kind", "least"), [(-4.7, "ended early", 0.9), (0.5, "as expected", 0.9)]
)
def test_a_cut_that_ends_early_in_quiet_air_was_not_lost_by_the_ear(
    log_odds: float, kind: str, least: float
) -> None:
    """The fifth of eight ends 0.4 s too soon and the next comes on time; half heard, it went on."""
    heard = [(start, stop - 0.4 * (i == 4)) for i, (start, stop) in enumerate(PLACES)]
    edges = ((0.0, 15.65, -4.7), (15.65, 15.95, log_odds), (15.95, 26.0, -4.7))
    program = timeline_of(PLACES, feed_override=100.0, override_steady=True)
    beliefs = [believed(*each) for each in edges]
    found = refined_verdicts(program, events_of(heard), (), (), RATE, EAR, beliefs=beliefs)
    assert found[4].kind == kind
    assert found[4].probability > least


def of_a_miss(heard: list[float], log_odds: float, *, tells: Tells = LIVE, none_missed: bool = True) -> float:
    """Over two seconds without a contact, after contacts heard with these log odds, one in three seconds."""
    quiet = Quiet(RATE, tells=tells)
    for index, odds in enumerate(heard):
        quiet.take(believed(3.0 * index, 3.0 * index + 2.0, odds))
        quiet.take(believed(3.0 * index + 2.0, 3.0 * index + 3.0, log_odds))
        quiet.hear(3.0 * index, 3.0 * index + 2.0)
    quiet.none_missed = none_missed
    start_s = 3.0 * len(heard)
    quiet.take(believed(start_s, start_s + 4.0, log_odds))
    found = quiet.for_a_miss(start_s, start_s + 2.0, LATER)
    assert found is not None
    return found


FIRM = [4.0] * 6


@pytest.mark.parametrize(
    ("tells", "log_odds", "ratio"),
    [
        (LIVE, -2.6, 0.09),  # 2 Φ(-3.0 / 1.5) = 0.0455, and no less is made of it
        (LIVE, -1.1, 0.3173),  # 2 Φ(-1)
        (SECOND_LOOK, -2.9, 0.06),  # 2 Φ(-4.0 / 1.6) = 0.0124
        (SECOND_LOOK, -0.5, 0.3173),  # 2 Φ(-1)
    ],
)
def test_a_miss_among_contacts_firmly_heard_would_be_half_heard(
    tells: Tells, log_odds: float, ratio: float
) -> None:
    assert of_a_miss(FIRM, log_odds, tells=tells) == pytest.approx(ratio, rel=1e-3)


@pytest.mark.parametrize("heard", [FIRM[1:], [*FIRM[1:], 0.5]])
def test_where_few_were_heard_or_one_was_not_firm_nothing_is_made_of_it(heard: list[float]) -> None:
    """Half heard all about it tells of neither."""
    assert of_a_miss(heard, -1.5) == pytest.approx(1.0, rel=1e-9)


def test_where_one_was_missed_already_nothing_is_made_of_it() -> None:
    assert of_a_miss(FIRM, -1.5, none_missed=False) == pytest.approx(1.0, rel=1e-9)


def test_the_contacts_nearest_to_the_place_count() -> None:
    """The first of seven was hardly heard; the six before the silence were."""
    assert of_a_miss([0.0, *FIRM], -1.1) == pytest.approx(0.3173, rel=1e-3)


def ninth(of_contacts: float) -> Verdict:
    """The refined verdict on the ninth of ten, taken out, in air believed at -2.9, which is not quiet."""
    places = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(10)]
    heard = [place for i, place in enumerate(places) if i != 8]
    edges = [0.0, *(edge for place in heard for edge in place), 34.0]
    beliefs = [
        believed(start, stop, of_contacts if index % 2 else -2.9)
        for index, (start, stop) in enumerate(pairwise(edges))
    ]
    ear = replace(EAR, missed_share=0.045, missed_worth=4.4)
    program = timeline_of(places)
    return refined_verdicts(
        program, events_of(heard), (), (), RATE, ear, end=round(34.0 * RATE), beliefs=beliefs
    )[8]


def test_a_pass_taken_out_of_a_run_firmly_heard_is_not_heard() -> None:
    """An ear that misses one in twenty or so, in a room that is not quiet, tells it only of a firm run."""
    assert ninth(4.5).kind == "not heard"
    assert ninth(1.5).kind == "cannot tell"
