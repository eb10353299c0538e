"""A contact that began early or ended late is only as sure as the ear was of what lies beyond its place."""

from itertools import pairwise

import pytest

from listen.follow import Follower
from listen.follow.quiet import HALF_HEARD, HEARD, SECOND_LOOK, Quiet
from listen.timeline import Verdict, VerdictKind
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
    assert (HALF_HEARD, HEARD) == ((1.1, 1.4), (3.4, 1.2))
    quiet = Quiet(RATE)
    assert quiet.for_half_heard(5.0, 6.0) == 1.0
    quiet.take(believed(0.0, 10.0, log_odds))
    assert quiet.for_half_heard(5.0, 6.0) == pytest.approx(ratio, rel=1e-3)


def test_of_the_second_look_nothing_like_it_was_measured() -> None:
    quiet = Quiet(RATE, tells=SECOND_LOOK)
    quiet.take(believed(0.0, 10.0, 0.0))
    assert quiet.for_half_heard(5.0, 6.0) == 1.0


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
def test_what_was_half_heard_beyond_the_place_makes_it_less_sure(
    heard: Stretches, beyond: tuple[float, float], kind: VerdictKind
) -> None:
    firm, half = fourth(heard, beyond, 4.0), fourth(heard, beyond, 0.5)
    assert (firm.kind, half.kind) == (kind, kind)
    odds = [each.probability / (1.0 - each.probability) for each in (firm, half)]
    assert odds[0] / odds[1] == pytest.approx(13.9, rel=0.15)  # e^2.63, by hand as above
