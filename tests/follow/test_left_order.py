"""Runs that leave the program's order, or are heard in part; the true times come first."""

import pytest

from listen.blocks import Gap
from listen.follow import Follower, refined_verdicts
from listen.followed import Position, Verdict, VerdictKind
from listen.spans import SpanKind
from listen.timeline import Timeline
from tests.follow.runs import EAR, RATE, Stretches, contact, events_of, spans_of, timeline_of

pytestmark = pytest.mark.closed
FINE = VerdictKind.AS_EXPECTED
# Lengths that differ, so that a place can be told by them.
LENGTHS = (2.0, 1.0, 3.0, 1.5, 2.5, 0.8, 3.5, 1.2)


def places(lengths: tuple[float, ...] = LENGTHS, *, at: float = 2.0) -> list[tuple[float, float]]:
    """Contacts of these lengths, one second of air between them."""
    found = []
    for length in lengths:
        found.append((at, at + length))
        at += length + 1.0
    return found


def later(stretches: Stretches, by_s: float) -> list[tuple[float, float]]:
    return [(start + by_s, stop + by_s) for start, stop in stretches]


def live(
    timeline: Timeline, heard: Stretches, end_s: float, *, gaps: tuple[Gap, ...] = ()
) -> tuple[list[Verdict], list[Position]]:
    """Verdicts and positions as they come."""
    timed = [(event.decided_at, 0, index, event) for index, event in enumerate(events_of(heard))]
    timed += [(gap.stop, 1, index, gap) for index, gap in enumerate(gaps)]  # type: ignore[misc]
    follower = Follower(timeline, rate=RATE, ear=EAR)
    said: list[object] = []
    for at, _, _, item in sorted(timed, key=lambda entry: entry[:3]):
        said.extend(follower.push((item,), at))
    end = round(end_s * RATE)
    said.extend((*follower.push((), end), *follower.close(end)))
    return [v for v in said if isinstance(v, Verdict)], [p for p in said if isinstance(p, Position)]


def test_single_block_that_is_stated_waits_where_blocks_end_in_the_cut_too() -> None:
    """Two blocks of 1 s a contact: each waits 4 s for a press, in the air and in the cut."""
    pieces: list[tuple[SpanKind, float, int]] = []
    heard, at = [], 3.0
    for index in range(5):
        pieces += [(SpanKind.FEED, 1.0, 10 * index), (SpanKind.FEED, 1.0, 10 * index + 1)]
        pieces += [(SpanKind.FEED, 1.0, 10 * index + 2)]
        heard += [(at + 5.0, at + 6.0), (at + 10.0, at + 11.0)]
        at += 15.0
    contacts = tuple(contact(i, 3.0 * i + 1.0, 3.0 * i + 3.0) for i in range(5))
    program = Timeline(
        program="invented.nc",
        spans=spans_of(pieces),
        contacts=contacts,
        duration=15.0,
        single_block=True,
    )
    verdicts, _ = live(program, heard, at + 5.0)
    assert [(v.contact, v.kind) for v in verdicts] == [(i + 1, FINE) for i in range(5)]


def test_contacts_in_a_gap_of_the_sound_cannot_be_told_and_the_rest_is_found_again() -> None:
    """Nothing is heard from 8.6 to 14.7 s: contact 4 is cut off from its start, contact 5 is lost."""
    run = later(places(), 3.0)
    gap = Gap(start=round(run[3][0] * RATE), stop=round((run[5][0] - 0.5) * RATE), reason="lost")
    heard = [*run[:3], *run[5:]]
    verdicts, positions = live(timeline_of(places()), heard, 35.0, gaps=(gap,))
    kinds = {v.contact: v.kind for v in verdicts}
    assert {kinds[i] for i in (1, 2, 3, 6, 7, 8)} == {FINE}
    assert {kinds.get(i, VerdictKind.CANNOT_TELL) for i in (4, 5)} == {VerdictKind.CANNOT_TELL}
    after = next(p for p in positions if p.at > (run[5][1] + 0.2) * RATE)
    assert after.next_contact == 7


def test_a_recording_that_begins_in_the_middle_finds_its_place_by_lengths() -> None:
    """Heard from contact 3 on; the fourth heard contact is known to be contact 6."""
    heard = later(places()[2:], -2.0)
    _, positions = live(timeline_of(places()), heard, 25.0)
    assert positions[-1].next_contact is None
    after = next(p for p in positions if p.at > (heard[3][1] + 0.2) * RATE)
    assert after.next_contact == 7


def test_a_program_started_again_from_the_top_is_followed_again() -> None:
    """Stopped in the air after contact 5, and started from the top 40 s later."""
    first = later(places(), 3.0)[:5]
    second = later(places(), first[-1][1] + 40.0)
    _, positions = live(timeline_of(places()), [*first, *second], second[-1][1] + 5.0)
    for index in (3, 4, 5):
        after = next(p for p in positions if p.at > (second[index][1] + 0.2) * RATE)
        assert after.next_contact == index + 2


def test_a_program_stopped_early_leaves_what_follows_unheard_but_unsure() -> None:
    """Nothing says that the program went on: no belief from which a flag is raised."""
    heard = later(places(), 3.0)[:4]
    verdicts, _ = live(timeline_of(places()), heard, heard[-1][1] + 30.0)
    kinds = {v.contact: v for v in verdicts}
    assert {kinds[i].kind for i in (1, 2, 3, 4)} == {FINE}
    assert all(v.probability < 0.75 for i, v in kinds.items() if i and i > 4)


def test_what_a_gap_hides_is_left_open_afterwards_too() -> None:
    run = later(places(), 3.0)
    gap = Gap(start=round((run[3][0] - 0.2) * RATE), stop=round((run[5][0] - 0.5) * RATE), reason="lost")
    heard = [*run[:3], *run[5:]]
    end = round(35.0 * RATE)
    found = refined_verdicts(timeline_of(places()), events_of(heard), (), (), RATE, EAR, end=end, gaps=(gap,))
    assert [v.kind for v in found[3:5]] == [VerdictKind.CANNOT_TELL] * 2
    assert {v.kind for v in (*found[:3], *found[5:])} == {FINE}
