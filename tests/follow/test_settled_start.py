"""A start that is settled has lasted for a while: rather a tool that touches than a burst of the ear."""

from dataclasses import replace

import pytest

from listen.follow import Follower
from listen.states import Event, Standing, State
from listen.told import Cue
from tests.follow.runs import EAR, RATE, events_of, timeline_of
from tests.follow.test_quiet import believed

pytestmark = pytest.mark.closed
TEN = [(2.0 + 6.0 * i, 4.0 + 6.0 * i) for i in range(10)]
RUN = [(5.0 + 6.0 * i, 7.0 + 6.0 * i) for i in range(10)]
START_S = 51.0  # contact 9 begins two seconds before its place


def early_cues(
    lasted_s: float,
    *,
    probability: float = 0.85,
    stop_s: float | None = None,
    log_odds: float | None = None,
) -> list[float]:
    """When "before its line" is said [s], nobody having told the feed; settled when it has lasted so long."""
    follower = Follower(timeline_of(TEN), rate=RATE, ear=EAR)
    start = Event(
        state=State.ENTRY,
        at=round(START_S * RATE),
        decided_at=round((START_S + lasted_s) * RATE),
        probability=probability,
        spread=round(0.03 * RATE),
        standing=Standing.CONFIRMED,
    )
    events = [*events_of(RUN[:8], lag_s=0.5), start]
    if stop_s is not None:
        events.append(replace(start, state=State.AIR, at=round(stop_s * RATE)))
    if log_odds is not None:
        follower.listen(believed(START_S, START_S + lasted_s, log_odds))
    said: list[object] = []
    for event in events:
        said.extend(follower.push((event,), event.decided_at))
    said.extend(follower.push((), start.decided_at + RATE))
    return [cue.at / RATE for cue in said if isinstance(cue, Cue) and cue.kind == "before its line"]


@pytest.mark.parametrize("lasted_s", [0.7, 1.0])
def test_what_has_lasted_until_it_is_settled_is_said_then(lasted_s: float) -> None:
    """Of bursts 9 % last 0.7 s: what the ear believes in less than usual is hardly one by then."""
    assert early_cues(lasted_s) == pytest.approx([START_S + lasted_s], abs=0.001)


def test_a_burst_that_is_settled_together_with_its_end_is_not_said() -> None:
    assert early_cues(0.7, stop_s=51.6) == []


def test_what_was_half_heard_so_far_must_last_longer() -> None:
    firm, half = (early_cues(0.7, log_odds=odds) for odds in (3.4, 0.0))
    assert firm == pytest.approx([START_S + 0.7], abs=0.001)
    assert half == [] or half[0] > firm[0] + 0.2
