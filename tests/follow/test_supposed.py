"""What the live ear only supposes is mostly no contact, and each run learns how often."""

from dataclasses import replace

import pytest

from listen.follow import Follower
from listen.follow.supposed import USUAL_PER_S, WORTH_S, Supposed
from listen.states import Event, Standing, State
from listen.told import Cue
from tests.follow.runs import EAR, RATE, Stretches, events_of, timeline_of

pytestmark = pytest.mark.closed
TEN = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(10)]
RUN = [(5.0 + 3.0 * i, 7.0 + 3.0 * i) for i in range(10)]
EARLY_S = 28.5  # contact 9 begins half a second before its place, at a known feed


def test_each_one_that_was_taken_back_counts_by_the_air_it_came_in() -> None:
    """Before the run as good as 5.8 s of air with 0.22 a second; then two in 5 s of it, none in the cut."""
    assert (USUAL_PER_S, WORTH_S) == (0.22, 5.8)
    supposed = Supposed()
    assert supposed.per_s(0.0) == pytest.approx(0.22, rel=0, abs=1e-12)
    supposed.touches(2.0)
    assert supposed.per_s(4.0) == pytest.approx(0.22 * 5.8 / 7.8, rel=0, abs=1e-12)
    supposed.leaves(10.0)
    for _ in range(2):
        supposed.taken_back()
    assert supposed.per_s(13.0) == pytest.approx((0.22 * 5.8 + 2.0) / 10.8, rel=0, abs=1e-12)


def supposed_at(at_s: float, decided_s: float, standing: Standing) -> Event:
    return Event(
        state=State.ENTRY,
        at=round(at_s * RATE),
        decided_at=round(decided_s * RATE),
        probability=0.95,
        spread=round(0.03 * RATE),
        standing=standing,
    )


def early_cues(heard: Stretches, *, taken_back_s: tuple[float, ...] = ()) -> list[float]:
    """When "before its line" is said [s]; starts are supposed after 0.03 s and confirmed after 0.5 s."""
    follower = Follower(timeline_of(TEN, feed_override=100.0, override_steady=True), rate=RATE, ear=EAR)
    events = list(events_of(heard, lag_s=0.5))
    for event in [each for each in events if each.state is State.ENTRY]:
        events.append(supposed_at(event.at / RATE, event.at / RATE + 0.03, Standing.PROVISIONAL))
    for at_s in taken_back_s:
        events.append(supposed_at(at_s, at_s + 0.03, Standing.PROVISIONAL))
        events.append(supposed_at(at_s, at_s + 0.45, Standing.WITHDRAWN))
    said: list[object] = []
    for event in sorted(events, key=lambda each: each.decided_at):
        said.extend(follower.push((event,), event.decided_at))
    return [cue.at / RATE for cue in said if isinstance(cue, Cue) and cue.kind == "before its line"]


def test_an_early_start_is_told_once_it_is_settled() -> None:
    assert early_cues([*RUN[:8], (EARLY_S, 31.0)]) == pytest.approx([EARLY_S + 0.5], abs=0.001)


def test_a_start_that_is_taken_back_draws_no_word() -> None:
    assert early_cues(RUN[:8], taken_back_s=(EARLY_S,)) == []


def test_only_what_is_taken_back_in_air_counts() -> None:
    """Where the ear doubts a cut that runs it says nothing of its starts in air."""
    follower = Follower(timeline_of(TEN), rate=RATE, ear=EAR)
    in_cut, in_air = (supposed_at(at_s, at_s + 0.4, Standing.WITHDRAWN) for at_s in (5.5, 7.5))
    first, last = events_of(RUN[:1])
    doubts = []
    for event in (first, in_cut, last, replace(in_air, standing=Standing.WITHDRAWN)):
        follower.push((event,), event.decided_at)
        doubts.append(follower._tracking.doubt_of(supposed_at(7.9, 7.93, Standing.PROVISIONAL)))
    assert doubts[1] == pytest.approx(doubts[0], rel=1e-9)
    assert doubts[3] > 1.5 * doubts[2]
