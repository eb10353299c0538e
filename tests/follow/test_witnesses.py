"""What marks of a person or a control tell the follower."""

from dataclasses import replace

import pytest

from listen.follow import Follower, refined_verdicts
from listen.follow.feed_clock import FeedClock
from listen.followed import Position, Verdict, VerdictKind
from listen.marks import Mark, MarkKind
from listen.states import Event, Standing, State
from listen.timeline import Timeline
from listen.told import Cue
from tests.follow.runs import EAR, RATE, Stretches, contact, events_of, timeline_of

pytestmark = pytest.mark.closed
SIX = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(6)]
RUN = [(5.0 + 3.0 * i, 7.0 + 3.0 * i) for i in range(6)]


def mark(kind: MarkKind, at_s: float, value: float = float("nan"), source: str = "controller") -> Mark:
    return Mark(at=round(at_s * RATE), kind=kind, source=source, value=value)


def follow(timeline: Timeline, heard: Stretches, marks: list[Mark], end_s: float) -> list[object]:
    """All that the follower says, events and marks in the order in which they are known."""
    items: list[tuple[int, int, Event | Mark]] = [(each.at, -1, each) for each in marks]
    items += [(event.decided_at, index, event) for index, event in enumerate(events_of(heard))]
    follower = Follower(timeline, rate=RATE, ear=EAR)
    said: list[object] = []
    for at, _, item in sorted(items, key=lambda entry: entry[:2]):
        said.extend(follower.push((item,), at))
    end = round(end_s * RATE)
    return [*said, *follower.push((), end), *follower.close(end)]


def verdicts(said: list[object]) -> dict[int | None, Verdict]:
    return {item.contact: item for item in said if isinstance(item, Verdict)}


def last_position(said: list[object]) -> Position:
    return [item for item in said if isinstance(item, Position)][-1]


CLOCK = [mark(MarkKind.CYCLE_START, 3.0), mark(MarkKind.FEED_OVERRIDE, 3.0, 100.0)]


def test_with_the_feed_clock_a_missing_contact_is_said_before_the_next_is_due() -> None:
    """Contact 3 should begin at 3 + 8 = 11 s and contact 4 at 14 s; by 13 s only a fault explains it."""
    said = follow(timeline_of(SIX), RUN[:2], CLOCK, 13.0)
    found = verdicts(said)[3]
    assert found.kind == VerdictKind.NOT_HEARD
    assert found.called_at <= 13 * RATE


def test_without_any_hint_a_silent_approach_is_not_judged_before_the_sound_ends() -> None:
    found = verdicts(follow(timeline_of(SIX), [], [], 60.0))
    assert {each.kind for each in found.values()} == {VerdictKind.NOT_HEARD}
    assert {each.called_at for each in found.values()} == {60 * RATE}


def test_a_dry_run_is_sure_only_where_somebody_told_that_the_program_runs() -> None:
    """No sound tells a raised dry run from a program that was never started."""
    untold = verdicts(follow(timeline_of(SIX), [], [], 60.0))
    steady = timeline_of(SIX, feed_override=100.0, override_steady=True)
    told = verdicts(follow(steady, [], [mark(MarkKind.CYCLE_START, 1.0)], 60.0))
    assert {each.kind for each in (*untold.values(), *told.values())} == {VerdictKind.NOT_HEARD}
    assert max(each.probability for each in untold.values()) <= 0.65
    assert min(each.probability for each in told.values()) > 0.95


@pytest.mark.parametrize(("end_s", "n_missing"), [(1.5, 0), (2.0, 0), (30.0, 6)])
def test_a_sound_that_ends_before_a_contact_could_come_tells_nothing(end_s: float, n_missing: int) -> None:
    """The first contact is due at 2 s of the program: stopped after 1.5 s, it was said to be missing."""
    found = verdicts(follow(timeline_of(SIX), [], [], end_s))
    missing = [number for number, verdict in found.items() if verdict.kind == VerdictKind.NOT_HEARD]
    assert len(missing) == n_missing
    refined = refined_verdicts(timeline_of(SIX), [], [], [], rate=RATE, end=round(end_s * RATE))
    assert [verdict.kind for verdict in refined].count(VerdictKind.NOT_HEARD) == n_missing


def test_a_hold_that_the_control_tells_is_no_missing_contact() -> None:
    """Held from 8 s (in the cut) until 20 s: the rest of the program comes 12 s later."""
    held = [RUN[0], (8.0, 9.0), (21.0, 22.0), *((a + 12.0, b + 12.0) for a, b in RUN[2:])]
    marks = [*CLOCK, mark(MarkKind.HOLD, 9.0), mark(MarkKind.RESUME, 21.0)]
    found = verdicts(follow(timeline_of(SIX), held, marks, 40.0))
    assert {each.kind for each in found.values()} == {VerdictKind.AS_EXPECTED}
    assert len(found) == 6


def test_while_held_the_rate_is_zero_and_the_place_stands() -> None:
    marks = [*CLOCK, mark(MarkKind.HOLD, 7.5)]
    position = last_position(follow(timeline_of(SIX), RUN[:1], marks, 30.0))
    assert position.rate == 0.0
    assert position.program_time == pytest.approx(4.5, rel=0, abs=0.3)


def test_an_override_that_is_told_moves_the_next_contact() -> None:
    """Half the feed from the second exit on: 1 s of air and 2 s of cut take 2 s and 4 s."""
    heard = [*RUN[:2], (12.0, 16.0), (18.0, 22.0), (24.0, 28.0), (30.0, 34.0)]
    marks = [*CLOCK, mark(MarkKind.FEED_OVERRIDE, 10.0, 50.0)]
    said = follow(timeline_of(SIX), heard, marks, 40.0)
    assert {each.kind for each in verdicts(said).values()} == {VerdictKind.AS_EXPECTED}
    assert not [cue for cue in said if isinstance(cue, Cue) and cue.kind == "before its line"]


def test_an_early_contact_is_told_with_its_witness_and_its_millimetres() -> None:
    """At 1500 mm/min, 0.6 s before its place is 15 mm; it ends where it should."""
    heard = [*RUN[:3], (13.4, 16.0), *RUN[4:]]
    said = follow(timeline_of(SIX), heard, CLOCK, 30.0)
    found = verdicts(said)[4]
    assert found.kind == VerdictKind.STARTED_EARLY
    assert found.witness == "earlier contact"
    assert found.early_by_mm == pytest.approx(15.0, rel=0, abs=2.0)
    cues = [cue for cue in said if isinstance(cue, Cue) and cue.kind == "before its line"]
    assert [cue.contact for cue in cues] == [4]
    assert cues[0].at == round((13.4 + 0.1) * RATE) + 1  # what is settled together with it comes first


def test_a_line_from_the_control_settles_which_of_many_equal_passes_runs() -> None:
    """Heard from the middle of the program: contact 4 is in line 16."""
    marks = [mark(MarkKind.LINE, 6.0, 16.0)]
    position = last_position(follow(timeline_of(SIX), [(5.0, 7.0)], marks, 7.6))
    assert position.next_contact == 5


def test_silence_makes_the_place_less_sure() -> None:
    said = follow(timeline_of([*SIX, (60.0, 62.0)]), RUN, [], 50.0)
    positions = [item for item in said if isinstance(item, Position)]
    after_last = [p.spread for p in positions if p.at > 23 * RATE]
    assert after_last[-1] > 2.0 * after_last[0]


def test_what_ties_the_program_to_a_place_is_named() -> None:
    """Nothing in the first approach, then the contact before, or who read the place."""
    other = [contact(index, *place, tool=1 + index // 3) for index, place in enumerate(SIX)]
    program = timeline_of(SIX, contacts=tuple(other))
    at_four = Mark(at=9 * RATE, kind=MarkKind.LINE, source="controller", value=14.0)
    said = follow(program, RUN[:3], [*CLOCK, at_four], 13.5)
    by_time = {p.at / RATE: p.witness for p in said if isinstance(p, Position)}
    assert by_time[4.0] == ""
    assert by_time[6.0] == by_time[8.0] == "earlier contact"
    assert by_time[9.5] == "controller"
    assert by_time[13.5] == ""  # the next tool has touched nothing yet


def test_a_contact_that_was_none_is_taken_back() -> None:
    """A knock: supposed at once, withdrawn 0.3 s later."""
    follower = Follower(timeline_of(SIX), rate=RATE, ear=EAR)
    knock = Event(state=State.ENTRY, at=8000, decided_at=8240, probability=0.8, standing=Standing.PROVISIONAL)
    said: list[object] = []
    for lag, standing in ((240, Standing.PROVISIONAL), (2400, Standing.WITHDRAWN)):
        event = replace(knock, decided_at=8000 + lag, standing=standing)
        said.extend(follower.push((event,), event.decided_at))
    assert [(cue.kind, cue.at) for cue in said if isinstance(cue, Cue)] == [
        ("contact", 8240),
        ("no contact", 10_400),
    ]


def test_a_line_that_the_control_told_before_an_early_contact_is_its_witness() -> None:
    """As above, and at 13.2 s, in the air before contact 4, the control says that it is in line 16."""
    heard = [*RUN[:3], (13.4, 16.0), *RUN[4:]]
    told = mark(MarkKind.LINE, 13.2, 16.0)
    found = verdicts(follow(timeline_of(SIX), heard, [*CLOCK, told], 30.0))[4]
    assert found.kind == VerdictKind.STARTED_EARLY
    assert found.witness == "control's reading"


def test_who_states_the_override_marks_most_holds_in_air_as_in_the_cut() -> None:
    """One in fourteen of the holds is not marked; where the control tells them, next to none."""
    unknown = FeedClock(timeline_of(SIX))
    steady = FeedClock(timeline_of(SIX, feed_override=100.0, override_steady=True))
    assert unknown.holds_in_air(0.01, 0.006) == (0.01, 0.006)
    assert steady.holds_in_air(0.01, 0.006) == pytest.approx((0.0007, 0.00042), rel=1e-9)
    assert steady.hold_rate(0.006) == pytest.approx(0.00042, rel=1e-9)
    steady.tell(Mark(at=0, kind=MarkKind.HOLD, source="controller"), 0.0)
    steady.tell(Mark(at=RATE, kind=MarkKind.RESUME, source="controller"), 1.0)
    assert max(steady.holds_in_air(0.01, 0.006)) <= 1e-4


def test_in_a_silence_only_who_has_marked_something_is_told_that_a_contact_is_lacking() -> None:
    """Contact 4 is held for 8 s, not marked: what begins next tells, unless the cycle start was marked."""
    steady = timeline_of(SIX, feed_override=100.0, override_steady=True)
    held = [*RUN[:3], *((start + 8.0, stop + 8.0) for start, stop in RUN[3:])]
    start = mark(MarkKind.CYCLE_START, 3.0)
    silent, marking = (verdicts(follow(steady, held, marks, 40.0)) for marks in ([], [start]))
    assert silent[4].kind == VerdictKind.AS_EXPECTED
    assert marking[4].kind == VerdictKind.NOT_HEARD
    assert marking[4].called_at < 22 * RATE


def test_a_start_that_was_hardly_believed_when_it_was_said_is_early_once_it_is_settled() -> None:
    """Contact 4 as above, nobody told the feed: supposed at 13.43 s at 0.4, settled at 13.9 s at 0.98."""
    follower = Follower(timeline_of(SIX), rate=RATE, ear=EAR)
    items = events_of(RUN[:3], lag_s=0.5)
    supposed = Event(
        state=State.ENTRY,
        at=round(13.4 * RATE),
        decided_at=round(13.43 * RATE),
        probability=0.4,
        spread=round(0.03 * RATE),
        standing=Standing.PROVISIONAL,
    )
    settled = replace(supposed, decided_at=round(13.9 * RATE), probability=0.98, standing=Standing.CONFIRMED)
    said: list[object] = []
    for item in (*items, supposed, settled):
        said.extend(follower.push((item,), item.decided_at))
    said.extend(follower.push((), settled.decided_at + 1))
    cues = [(cue.kind, cue.at / RATE) for cue in said if isinstance(cue, Cue) and cue.at > 13 * RATE]
    assert [kind for kind, _ in cues] == ["contact", "before its line"]
    assert [at_s for _, at_s in cues] == pytest.approx([13.43, 13.9], abs=0.001)
