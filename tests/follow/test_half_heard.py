"""A contact out of its place may only be dated wrongly: as often as the ear does so, believing as here."""

from itertools import pairwise

import pytest

from listen.follow import Follower, refined_verdicts
from listen.follow.quiet import LIVE, SECOND_LOOK, Quiet, Tells
from listen.followed import Verdict, VerdictKind
from tests.follow.runs import EAR, RATE, Stretches, events_of, timeline_of
from tests.follow.test_quiet import believed

pytestmark = pytest.mark.closed
SIX = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(6)]
RUN = [(5.0 + 3.0 * i, 7.0 + 3.0 * i) for i in range(6)]
EARLY = [*RUN[:3], (13.4, 16.0), *RUN[4:]]  # contact 4 begins 0.6 s before its place
LATE = [*RUN[:3], (14.0, 16.8), *RUN[4:]]  # contact 4 ends 0.8 s after it


@pytest.mark.parametrize(
    ("log_odds", "ratio"),
    [
        (1.1, 5.380),  # -ln 1.4 + 0.5 (2.3/1.2)² + ln 1.2 = 1.683 nats
        (2.0, 1.3768),  # -0.5 (0.9/1.4)² - ln 1.4 + 0.5 (1.4/1.2)² + ln 1.2 = 0.320 nats
        (3.4, 1.0),  # firmly believed is not surer than it was said to be
        (-3.0, 20.0),  # little is made of what lies far off
    ],
)
def test_the_ratio_is_what_was_measured(log_odds: float, ratio: float) -> None:
    assert (LIVE.half_heard, LIVE.heard) == ((1.1, 1.4), (3.4, 1.2))
    quiet = Quiet(RATE)
    assert quiet.for_half_heard(5.0, 6.0) == 1.0
    quiet.take(believed(0.0, 10.0, log_odds))
    assert quiet.for_half_heard(5.0, 6.0) == pytest.approx(ratio, rel=1e-3)


@pytest.mark.parametrize(
    ("tells", "log_odds", "before", "after"),
    [
        # -0.5 (2.9/1.4)² - ln 1.4 + 0.5 (0.6/1.2)² + ln 1.2 = -2.174 nats, of 1.0 and 2.2 %
        (LIVE, 4.0, 0.010 * 0.1137, 0.022 * 0.1137),
        (LIVE, 0.5, 0.010 * 14.95, 0.022 * 14.95),  # -0.092 - 0.336 + 2.920 + 0.182 = 2.674 nats -> 14.5
        # -0.5 (0.2/1.1)² - ln 1.1 + 0.5 (2.8/0.8)² + ln 0.8 = 5.8 nats: no more than 20 is made of it
        (SECOND_LOOK, 2.0, 0.007 * 20.0, 0.008 * 20.0),
        (SECOND_LOOK, 4.8, 0.007 * 0.03, 0.008 * 0.03),  # -3.72 - 0.095 - 0.223 = -4.0 nats: 0.03 at least
    ],
)
def test_how_often_air_is_taken_for_cutting(
    tells: Tells, log_odds: float, before: float, after: float
) -> None:
    quiet = Quiet(RATE, tells=tells)
    assert quiet.for_air_before(5.0, 6.0) == quiet.for_air_after(5.0, 6.0) == 0.0
    quiet.take(believed(0.0, 10.0, log_odds))
    assert quiet.for_air_before(5.0, 6.0) == pytest.approx(before, rel=0.05)
    assert quiet.for_air_after(5.0, 6.0) == pytest.approx(after, rel=0.05)
    assert quiet.for_air_before(float("nan"), 6.0) == 0.0


def fourth(heard: Stretches, beyond: tuple[float, float], log_odds: float) -> Verdict:
    """The live verdict on contact 4, its cut firmly believed and what lies beyond its place less so."""
    program = timeline_of(SIX, feed_override=100.0, override_steady=True)
    follower = Follower(program, rate=RATE, ear=EAR)
    start, stop = heard[3]
    edges = sorted({start, stop, *beyond})
    for begin, end in pairwise(edges):
        follower.listen(believed(begin, end, log_odds if (begin, end) == beyond else 4.0))
    said: list[object] = []
    for event in events_of(heard):
        said += follower.push((event,), event.decided_at)
    said += follower.close(30 * RATE)
    return next(each for each in said if isinstance(each, Verdict) and each.contact == 4)


@pytest.mark.parametrize(
    ("heard", "beyond", "kind"),
    [
        (EARLY, (13.4, 14.0), VerdictKind.STARTED_EARLY),
        (LATE, (16.0, 16.8), VerdictKind.ENDED_LATE),
    ],
)
def test_what_was_half_heard_beyond_the_place_was_air(
    heard: Stretches, beyond: tuple[float, float], kind: VerdictKind
) -> None:
    firm, half = fourth(heard, beyond, 4.5), fourth(heard, beyond, 0.5)
    assert (firm.kind, half.kind) == (kind, VerdictKind.AS_EXPECTED)


def test_a_first_part_that_was_half_heard_was_missed() -> None:
    """Contact 4 of 2 s is heard from its middle on: in silence it began late, half heard it was there."""
    late = [*RUN[:3], (15.0, 16.0), *RUN[4:]]
    said = [fourth(late, (14.0, 15.0), log_odds) for log_odds in (-4.0, 0.0)]
    assert [each.kind for each in said] == [VerdictKind.STARTED_LATE, VerdictKind.AS_EXPECTED]


@pytest.mark.parametrize(
    ("stop_s", "kind"), [(16.0, VerdictKind.AS_EXPECTED), (15.1, VerdictKind.STARTED_EARLY)]
)
def test_a_contact_that_ends_as_early_as_it_begins_was_not_dated_wrongly(
    stop_s: float, kind: VerdictKind
) -> None:
    """Contact 4 is heard from 13.1 s on, 0.9 s early, of which the second look half believes."""
    heard = [*RUN[:3], (13.1, stop_s), *RUN[4:]]
    beliefs = [believed(5.0, 13.1, -4.7), believed(13.1, 14.0, 1.0), believed(14.0, 30.0, -4.7)]
    program = timeline_of(SIX, feed_override=100.0, override_steady=True)
    found = refined_verdicts(program, events_of(heard), (), (), RATE, EAR, end=30 * RATE, beliefs=beliefs)
    assert found[3].kind is kind


def test_a_run_that_is_dated_well_is_believed_more() -> None:
    """4.8 % of the live ear's contacts, worth 10.5: after 10 good ones 0.504 of 20.5, 2.46 %."""
    quiet = Quiet(RATE)
    quiet.take(believed(0.0, 10.0, 4.0))
    before = quiet.for_air_before(5.0, 6.0)
    for _ in range(10):
        quiet.date(0.0)
    assert quiet.for_air_before(5.0, 6.0) == pytest.approx(before * 0.0246 / 0.048, rel=0.01)
    quiet.date(1.0)  # 1.504 of 21.5, 7.0 %
    assert quiet.for_air_before(5.0, 6.0) == pytest.approx(before * 0.0700 / 0.048, rel=0.01)
