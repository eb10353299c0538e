"""The live ear stops believing in a running cut: said as soon as it seldom does so while a cut goes on."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.follow import Follower
from listen.follow.lost_cut import MEASURED_PER_S, LostCut
from listen.states import StateLikelihoods
from listen.told import Cue
from tests.follow.runs import EAR, RATE, events_of, timeline_of

pytestmark = pytest.mark.closed
PASSES = [(2.0 + 10.0 * index, 8.0 + 10.0 * index) for index in range(3)]
HOP = RATE // 100
END = 32 * RATE
Falls = list[tuple[float, float, float]]  # from, until [s], log odds of contact there


def believed(falls: Falls) -> tuple[np.ndarray, np.ndarray]:
    """Frames, and belief in contact: log odds of 5 in the passes, -5 in air, and what falls say."""
    at = np.arange(HOP, END + 1, HOP)
    second = (at - 0.5 * HOP) / RATE
    odds = np.full(at.size, -5.0)
    for start, stop in PASSES:
        odds[(second > start) & (second < stop)] = 5.0
    for start, stop, value in falls:
        odds[(second > start) & (second < stop)] = value
    return at, 1.0 / (1.0 + np.exp(-odds))


def followed(
    falls: Falls, *, stop_s: float | None = None, cuts: list[int] | None = None, lag_s: float = 0.5
) -> list[Cue]:
    """Cues of a run whose second pass ends at `stop_s`, if it does, confirmed half a second later."""
    at, belief = believed(falls)
    stretches = [
        (start, stop_s if stop_s and index == 1 else stop) for index, (start, stop) in enumerate(PASSES)
    ]
    events = events_of(stretches, lag_s=lag_s)
    follower = Follower(timeline_of(PASSES, feed_override=100.0, override_steady=True), rate=RATE, ear=EAR)
    said: list[object] = []
    before = -1
    for now in sorted({*(cuts or []), END}):
        new = (at > before) & (at <= now)
        if new.any():
            nothing = np.zeros((int(new.sum()), 4))
            follower.listen(StateLikelihoods(at=at[new], log_likelihood=nothing, contact=belief[new]))
        said += follower.push(tuple(e for e in events if before < e.decided_at <= now), now)
        before = now
    return [cue for cue in said if isinstance(cue, Cue)]


def stops(falls: Falls, **more: float) -> list[float]:
    return [cue.at / RATE for cue in followed(falls, **more) if cue.kind == "cutting stopped"]  # type: ignore[arg-type]


def test_a_cut_that_is_surely_gone_is_said_long_before_the_ear_has_settled_it() -> None:
    (said,) = stops([(15.0, 18.0, -4.5)], stop_s=15.0)
    assert 15.0 < said <= 15.1


def test_a_shallow_fall_must_last_longer_than_a_deep_one() -> None:
    deep, less = (stops([(15.0, 18.0, odds)], stop_s=15.0)[0] for odds in (-4.5, -2.5))
    assert deep < less < 15.5


def test_falls_are_as_seldom_as_the_law_says() -> None:
    """By hand, no cutting watched yet: at -2 for 0.05 s exp(-1.9 - 1.96 - 0.4) · 5^-0.73 = 0.00437 a second.

    Deeper levels were not reached; at shallower ones falls are more frequent: the seldomest counts.
    """
    lost = LostCut(RATE, dropouts_per_s=MEASURED_PER_S, runs_on=lambda _: True)
    at = np.arange(HOP, 26 * HOP, HOP)
    belief = np.where(np.arange(25) < 20, 0.99, 1.0 / (1.0 + np.exp(2.0 + 1e-9)))
    lost.take(StateLikelihoods(at=at, log_likelihood=np.zeros((25, 4)), contact=belief))
    *_, last = lost.until(int(at[-1]), in_contact=True)
    learnt = 0.5 / (
        0.5 + 20 * 0.01 * np.exp(-1.9 - 0.98 - 0.1) * 5.0**-0.76
    )  # 0.19 s of cutting without a fall
    assert last.per_s == pytest.approx(np.exp(-1.9 - 1.96 - 0.4) * 5.0**-0.73 * learnt, rel=1e-3)


def test_an_end_that_took_long_to_be_settled_is_not_said() -> None:
    """The live ear believes on for a while; what it gives up two seconds late was half heard."""
    soon, late = (stops([(15.2, 18.0, -0.1)], stop_s=15.0, lag_s=lag_s) for lag_s in (1.0, 2.0))
    assert len(soon) == 1
    assert late == []


def test_a_short_shallow_fall_is_no_stop() -> None:
    assert stops([(15.0, 15.06, -1.2)]) == []


def test_where_it_was_said_wrongly_the_cut_is_said_to_go_on() -> None:
    """The belief comes back after 0.3 s, and the ear never confirms an end."""
    told = [cue.kind for cue in followed([(15.0, 15.3, -4.5)]) if 15.0 < cue.at / RATE < 15.5]
    assert told == ["cutting stopped", "cutting goes on"]


def test_a_machine_whose_belief_often_falls_is_waited_for_longer() -> None:
    often = [(2.5 + 0.5 * index, 2.7 + 0.5 * index, -1.2) for index in range(8)]
    calm, restless = (
        stops([(15.0, 18.0, -3.0)], stop_s=15.0),
        stops([*often, (15.0, 18.0, -3.0)], stop_s=15.0),
    )
    assert restless[-1] > calm[0] + 0.1


def test_a_fall_that_no_end_is_settled_for_is_taken_back() -> None:
    """An end would be confirmed within 1.5 s: what is still not settled by then was none."""
    told = [
        (cue.kind, cue.at / RATE) for cue in followed([(13.0, 17.5, -4.5)]) if 13.0 < cue.at / RATE < 16.0
    ]
    assert [kind for kind, _ in told] == ["cutting stopped", "cutting goes on"]
    assert told[1][1] == pytest.approx(14.5, abs=0.05)


def still(falls: Falls) -> list[float]:
    """When "still cutting" is said; ends are settled 2 s after, when a cut of 6 s is 1.5 s too long."""
    return [cue.at / RATE for cue in followed(falls, lag_s=2.0) if cue.kind == "still cutting"]


def test_it_still_cuts_only_while_the_live_ear_believes_so() -> None:
    """From 2 to 8 s by the sheet: 1.5 s after 8 s the ear has not settled the end, but heard it."""
    assert still([]) == []
    (said,) = still([(8.0, 11.0, 5.0)])
    assert 9.5 < said <= 10.0


def test_a_moment_of_belief_after_the_cut_should_have_ended_is_no_cut_that_goes_on() -> None:
    """Not believed in from 8.0 s on, but for 0.3 s: such a moment is no cut that goes on."""
    assert still([(9.65, 9.95, 5.0)]) == []


def test_a_fall_where_the_cut_ends_anyway_is_no_stop() -> None:
    assert stops([(17.8, 18.0, -4.5)]) == []


@pytest.mark.parity
@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, END), max_size=30))
def test_any_cut_gives_the_same_cues(cuts: list[int]) -> None:
    falls = [(4.0, 4.2, -4.5), (15.0, 18.0, -3.0)]
    assert followed(falls, stop_s=15.0, cuts=cuts) == followed(falls, stop_s=15.0)
