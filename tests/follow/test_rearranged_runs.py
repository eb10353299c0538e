"""Runs with one thing changed, as sound alone tells them; the true times come first."""

import re
from dataclasses import replace

import numpy as np
import pytest

from listen.follow import Follower, refined_verdicts
from listen.followed import Verdict, VerdictKind
from listen.states import EarRates
from listen.timeline import Timeline
from listen.told import Cue
from tests.follow.runs import EAR, RATE, Stretches, events_of, timeline_of

pytestmark = pytest.mark.closed
SIX = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(6)]
RUN = [(5.0 + 3.0 * i, 7.0 + 3.0 * i) for i in range(6)]
FINE = VerdictKind.AS_EXPECTED


def kinds(timeline: Timeline, heard: Stretches, end_s: float) -> list[VerdictKind]:
    """Kinds of the refined verdicts, in program order, the unexpected ones last."""
    events = events_of(heard)
    verdicts = refined_verdicts(timeline, events, (), (), RATE, EAR, end=round(end_s * RATE))
    return [verdict.kind for verdict in verdicts]


def live(
    timeline: Timeline, heard: Stretches, end_s: float, *, ear: EarRates = EAR, end_probability: float = 0.95
) -> list[object]:
    """All that the follower says, fed event by event."""
    follower = Follower(timeline, rate=RATE, ear=ear)
    said: list[object] = []
    for event in events_of(heard, end_probability=end_probability):
        said.extend(follower.push((event,), event.decided_at))
    end = round(end_s * RATE)
    return [*said, *follower.push((), end), *follower.close(end)]


def test_two_short_passes_heard_from_just_before_the_first() -> None:
    """Times of contact as labelled for a real recording of two passes at 150 in/min.

    CNC Machine Tool Cutting Sound Dataset (purduelamm/mt_cutting_dataset), experiment Exp1-5,
    last two passes: 0.14-0.875 s and 1.70-2.525 s; 1.6 in and a lead-in of 0.15 in take 0.70 s.
    """
    program = timeline_of([(1.0, 1.70), (2.525, 3.225)])
    heard = [(0.14, 0.875), (1.70, 2.525)]
    assert kinds(program, heard, 18.5) == [FINE, FINE]
    assert [v.kind for v in live(program, heard, 18.5) if isinstance(v, Verdict)] == [FINE, FINE]


def test_a_run_without_faults_is_as_expected() -> None:
    assert kinds(timeline_of(SIX), RUN, 30.0) == [FINE] * 6


@pytest.mark.parametrize("slower", [2.0, 10.0])
def test_a_run_at_another_override_is_as_expected(slower: float) -> None:
    heard = [(slower * start, slower * stop) for start, stop in RUN]
    assert kinds(timeline_of(SIX), heard, 25.0 * slower) == [FINE] * 6


def test_a_pass_taken_out_is_not_heard() -> None:
    found = kinds(timeline_of(SIX), RUN[:2] + RUN[3:], 30.0)
    assert found == [FINE, FINE, VerdictKind.NOT_HEARD, FINE, FINE, FINE]


def test_a_burst_where_a_pass_should_be_is_no_pass_as_expected() -> None:
    """A tenth of the pass, in its middle: taken out, or there and hardly heard."""
    found = kinds(timeline_of(SIX), [*RUN[:2], (12.3, 12.5), *RUN[3:]], 30.0)
    assert found == [FINE, FINE, VerdictKind.CANNOT_TELL, FINE, FINE, FINE]


def test_a_hold_inside_a_contact_is_no_fault() -> None:
    heard = [*RUN[:2], (11.0, 12.0), (20.0, 21.0), *((a + 8.0, b + 8.0) for a, b in RUN[3:])]
    assert kinds(timeline_of(SIX), heard, 40.0) == [FINE] * 6


def stops_said(ear: EarRates, end_s: float, *, end_probability: float = 0.9) -> list[Cue]:
    """Cues that cutting stopped, when contact 3 stops at 12 s, half-way."""
    heard = [*RUN[:2], (11.0, 12.0)]
    said = live(timeline_of(SIX), heard, end_s, ear=ear, end_probability=end_probability)
    return [cue for cue in said if isinstance(cue, Cue) and cue.kind == "cutting stopped"]


def test_with_an_ear_that_hardly_loses_a_cut_a_stop_half_way_is_said_at_once() -> None:
    """One dropout in four hours of cutting: within one false word in an hour, so within 100 ms."""
    stopped = stops_said(replace(EAR, dropouts_per_hour=0.25), 12.3)
    assert [cue.contact for cue in stopped] == [3]
    assert stopped[0].at <= round(12.2 * RATE)


def test_in_an_inch_job_a_stop_is_said_in_inches() -> None:
    """As the control shows it; 25.4 mm is an inch, by definition."""
    texts = []
    for unit in ("mm", "inch"):
        timeline = timeline_of(SIX, shown_in=unit)
        said = live(timeline, [*RUN[:2], (11.0, 12.0)], 12.3, ear=EAR, end_probability=0.97)
        texts.append(next(c.text for c in said if isinstance(c, Cue) and c.kind == "cutting stopped"))
    numbers = [float(re.search(r"about ([0-9.]+) (mm|inch) before", text)[1]) for text in texts]  # type: ignore[index]
    assert "inch" in texts[1]
    assert numbers[0] == pytest.approx(25.4 * numbers[1], abs=0.7)


def test_a_stop_that_the_ear_is_sure_of_is_said_at_once() -> None:
    """Breaks of the ear are seldom believed to 97 %: ten an hour make next to no false word."""
    stopped = stops_said(EAR, 12.3, end_probability=0.97)
    assert [cue.contact for cue in stopped] == [3]
    assert stopped[0].at <= round(12.2 * RATE)


def test_with_an_ear_that_loses_cuts_a_doubtful_stop_is_said_once_it_lasts() -> None:
    """Ten dropouts an hour, of which a few last two seconds, and no end is believed to more than 50 %."""
    assert not stops_said(EAR, 12.3, end_probability=0.5)
    stopped = stops_said(EAR, 14.0, end_probability=0.5)
    assert [cue.contact for cue in stopped] == [3]
    assert 12.4 * RATE < stopped[0].at < 13.8 * RATE


def test_a_tool_lost_half_way_ended_early_and_nothing_is_heard_after() -> None:
    found = kinds(timeline_of(SIX), [*RUN[:2], (11.0, 12.0)], 35.0)
    assert found[:3] == [FINE, FINE, VerdictKind.ENDED_EARLY]
    assert set(found[3:]) == {VerdictKind.NOT_HEARD}


def test_a_dry_run_is_not_heard_throughout() -> None:
    assert kinds(timeline_of(SIX), [], 35.0) == [VerdictKind.NOT_HEARD] * 6


def test_a_contact_between_two_passes_is_unexpected() -> None:
    heard = [*RUN[:3], (13.2, 13.85), *RUN[3:]]
    assert kinds(timeline_of(SIX), heard, 30.0) == [FINE] * 6 + [VerdictKind.UNEXPECTED]


def test_noises_long_after_the_end_are_nobody_s_contact() -> None:
    heard = [*RUN, (31.0, 31.8), (36.0, 36.5)]
    assert kinds(timeline_of(SIX), heard, 40.0) == [FINE] * 6


@pytest.mark.parametrize("early_s", [0.4, 0.5])
def test_with_a_steady_override_a_start_half_a_second_early_is_called(early_s: float) -> None:
    """Ends on time, all else on time: 1500 mm/min makes 0.4 s 10 mm."""
    heard = [*RUN[:2], (11.0 - early_s, 13.0), *RUN[3:]]
    program = timeline_of(SIX, feed_override=100.0, override_steady=True)
    expected = [FINE, FINE, VerdictKind.STARTED_EARLY, FINE, FINE, FINE]
    assert kinds(program, heard, 30.0) == expected
    told = [item for item in live(program, heard, 30.0) if isinstance(item, Verdict)]
    assert [v.kind for v in told] == expected
    assert told[2].witness == "earlier contact"
    assert told[2].early_by_mm == pytest.approx(25.0 * early_s, abs=2.5)


def test_a_steady_run_that_strays_as_machines_do_is_as_expected() -> None:
    strays = [0.0, -0.06, 0.08, -0.05, 0.1, -0.08]
    heard = [(start + stray, stop + 0.5 * stray) for (start, stop), stray in zip(RUN, strays, strict=True)]
    program = timeline_of(SIX, feed_override=100.0, override_steady=True)
    assert kinds(program, heard, 30.0) == [FINE] * 6


def test_a_contact_that_stops_half_way_has_ended_early_once_the_run_is_over_live_too() -> None:
    told = [v for v in live(timeline_of(SIX), [*RUN[:5], (20.0, 21.0)], 30.0) if isinstance(v, Verdict)]
    assert [v.kind for v in told] == [FINE] * 5 + [VerdictKind.ENDED_EARLY]


def test_with_a_steady_override_a_lost_tool_is_called_while_it_runs() -> None:
    """Contact 5 of 12 stops half-way at 18 s; contacts 6 and 7 are due at 20 and 23 s. No hold was marked."""
    places = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(12)]
    heard = [(5.0 + 3.0 * i, 7.0 + 3.0 * i) for i in range(4)] + [(17.0, 18.0)]
    program = timeline_of(places, feed_override=100.0, override_steady=True)
    told = {v.contact: v for v in live(program, heard, 90.0) if isinstance(v, Verdict)}
    assert told[5].kind == VerdictKind.ENDED_EARLY
    assert 23.0 * RATE < told[5].called_at < 60.0 * RATE


@pytest.mark.parametrize("cut_s", [1.0, 2.0])
@pytest.mark.parametrize("hold_s", [10.0, 20.0])
def test_with_a_steady_override_a_hold_in_the_cut_that_nobody_marks_is_no_lost_tool(
    cut_s: float, hold_s: float
) -> None:
    """Contact 5 of 8 is held half-way: said at once as a stop, and no verdict until the cut goes on."""
    starts = [2.0 + (cut_s + 2.0) * i for i in range(8)]
    program = timeline_of([(a, a + cut_s) for a in starts], feed_override=100.0, override_steady=True)
    half_s = starts[4] + 3.0 + 0.5 * cut_s
    heard = [(3.0 + a, 3.0 + a + cut_s) for a in starts[:4]] + [(3.0 + starts[4], half_s)]
    heard += [(half_s + hold_s, half_s + hold_s + 0.5 * cut_s)]
    heard += [(3.0 + hold_s + a, 3.0 + hold_s + a + cut_s) for a in starts[5:]]
    said = live(program, heard, heard[-1][1] + 5.0)
    assert [v.kind for v in said if isinstance(v, Verdict)] == [FINE] * 8
    (stop,) = [c for c in said if isinstance(c, Cue) and c.kind == "cutting stopped"]
    assert stop.at < (half_s + 0.5) * RATE


def test_far_too_early_is_said_without_millimetres() -> None:
    """2.4 s at 1500 mm/min would be 60 mm: no tool length and no stock is wrong by so much."""
    far = [(1.0, 3.0), (6.0, 8.0), (16.0, 18.0), (21.0, 23.0), (26.0, 28.0)]
    program = timeline_of(far, feed_override=100.0, override_steady=True)
    heard = [(1.0, 3.0), (6.0, 8.0), (13.6, 18.0), (21.0, 23.0), (26.0, 28.0)]
    told = [item for item in live(program, heard, 35.0) if isinstance(item, Verdict)]
    assert told[2].kind == VerdictKind.STARTED_EARLY
    assert told[2].early_by_mm is None
    assert told[2].witness == ""


def before_a_long_way(hold_s: float, *, taken_out: bool = False) -> list[Verdict]:
    """Live verdicts that are not "as expected": pass 12 of 19 comes late, or never; 20 s of air follow it."""
    starts = np.cumsum([2.0] + [22.0 if i == 11 else (2.25, 2.85)[i % 2] for i in range(18)])
    late = [3.0 + (hold_s if i >= 11 else 0.0) for i in range(19)]
    run = [(a + b, a + b + 2.0) for a, b in zip(starts, late, strict=True)]
    heard = [each for i, each in enumerate(run) if i != 11 or not taken_out]
    said = live(timeline_of([(a, a + 2.0) for a in starts]), heard, run[-1][1] + 4.0)
    return [each for each in said if isinstance(each, Verdict) and each.kind != FINE]


@pytest.mark.parametrize("hold_s", [6.0, 20.0, 60.0])
def test_in_a_silence_nobody_tells_a_hold_from_a_pass_left_out(hold_s: float) -> None:
    assert before_a_long_way(hold_s) == []


def test_the_next_start_tells_that_a_pass_was_left_out() -> None:
    """Pass 12 is due at 32.75 s and pass 13 begins at 54.75 s."""
    (said,) = before_a_long_way(0.0, taken_out=True)
    assert (said.contact, said.kind) == (12, VerdictKind.NOT_HEARD)
    assert said.called_at >= 54.75 * RATE
