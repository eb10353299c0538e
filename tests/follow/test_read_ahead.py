"""A line that a control reads ahead, worked by hand."""

import numpy as np
import pytest

from listen.follow.read_ahead import MOST_AHEAD, N_VOTES, ReadAhead
from listen.timeline import Timeline
from tests.follow.runs import timeline_of

pytestmark = pytest.mark.closed


def program() -> Timeline:
    return timeline_of([(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(12)])


def lines_of(timeline: Timeline) -> tuple[list[int], list[float], list[float]]:
    """Line, begin and end of each block that is run, in order."""
    spans = timeline.spans
    first = np.flatnonzero(np.diff(spans.line, prepend=-1))
    last = np.append(first[1:], len(spans)) - 1
    return spans.line[first].tolist(), spans.start_s[first].tolist(), spans.stop_s[last].tolist()


def test_until_it_is_known_the_tool_may_be_some_blocks_behind_the_line() -> None:
    timeline = program()
    lines, starts, stops = lines_of(timeline)
    first, last = ReadAhead(timeline).places(lines[10])
    assert first.tolist() == [starts[10 - MOST_AHEAD]]
    assert last.tolist() == [stops[10]]


@pytest.mark.parametrize("ahead", [0, 3])
def test_how_far_it_reads_ahead_is_learnt_from_places_that_are_known(ahead: int) -> None:
    timeline = program()
    lines, starts, stops = lines_of(timeline)
    learnt = ReadAhead(timeline)
    for i in range(N_VOTES):
        here = 1 + 2 * (i % 8)  # every other block takes no time
        learnt.vote(lines[here + ahead], 0.5 * (starts[here] + stops[here]))
    assert learnt.blocks == (ahead - 1, ahead + 1)
    first, last = learnt.places(lines[8])
    assert first.tolist() == [starts[8 - ahead - 1]]
    assert last.tolist() == [stops[8 - ahead + 1]]


def test_a_line_that_is_not_in_the_program_says_nothing() -> None:
    learnt = ReadAhead(program())
    learnt.vote(9999, 1.0)
    assert learnt.places(9999)[0].size == 0


def test_a_few_wrong_places_do_not_count() -> None:
    timeline = program()
    lines, starts, stops = lines_of(timeline)
    learnt = ReadAhead(timeline)
    for i in range(5 * N_VOTES):
        here = 1 + 2 * (i % 6)
        learnt.vote(lines[here + (5 if i % 30 == 0 else 1)], 0.5 * (starts[here] + stops[here]))
    assert learnt.blocks == (0, 2)
