"""A silent approach: the next height, and millimetres only once a place was read."""

import dataclasses
import math

import pytest

from listen.advise import Advise
from listen.advise.approach import way_left
from listen.expect import expect
from listen.followed import Position
from listen.job import Tool
from listen.lengths import Place
from listen.marks import Mark, MarkKind
from listen.spans import SpanKind
from listen.states import Event, State
from listen.timeline import Timeline
from listen.told import Cue
from tests.expect.hand_path import FLAT_10, Hand, hand_job

pytestmark = pytest.mark.closed
RATE = 8000
NAN = math.nan


def down() -> Timeline:
    """From Z41 down to the touch at Z0, 41 mm of way, with a block that ends at Z-1; then a second tool."""
    hand = Hand(at=(40, 25, 41), feed=600).line(40, 25, -1).go(40, 25, 41).change(2).line(40, 10, 41)
    hand.line(40, 10, -1).go(40, 10, 41)
    return expect(
        hand.path(), hand_job(FLAT_10, Tool(number=2, kind="flat end mill", diameter=10.0))
    ).timeline


def sideways() -> Timeline:
    """Down beside the stock to Z-3, then 20 mm - 5 mm in X to the touch at X-5."""
    hand = Hand(at=(-25, 25, 10)).line(-25, 25, -3).line(100, 25, -3)
    return expect(hand.path(), hand_job()).timeline


def place(number: int = 1, at: int = 100) -> Position:
    return Position(
        at=at, program_time=0.0, line=1, spread=9.0, rate=0.0, next_contact=number, probability=0.0
    )


def read(*where: float, source: str = "operator") -> Mark:
    x, y, z = where
    return Mark(at=5000, kind=MarkKind.POSITION, source=source, place=(x, y, z))


def said(timeline: Timeline, *items: Position | Mark | Event) -> list[Cue]:
    found = Advise(timeline, RATE).push(*items)
    return [item for item in found if isinstance(item, Cue) and item.kind in ("next rung", "distance")]


@pytest.mark.parametrize(
    ("timeline", "where", "way"),
    [
        (down, (NAN, NAN, 12.0), (12.0, 12.0)),
        (down, (40.0, 25.0, 30.0), (30.0, 30.0)),
        (down, (NAN, NAN, 50.0), None),  # the path never is there
        (down, (70.0, 25.0, 30.0), None),
        (sideways, (NAN, NAN, -3.0), (0.0, 20.0)),  # Z alone does not tell
        (sideways, (-15.0, 25.0, -3.0), (10.0, 10.0)),
        (sideways, (NAN, NAN, 2.0), (25.0, 25.0)),  # 5 mm down, then 20 mm
    ],
)
def test_the_way_that_is_left(timeline: object, where: Place, way: tuple[float, float] | None) -> None:
    assert callable(timeline)
    made = timeline()
    found = way_left(made, made.approaches[0], where)
    assert found == (None if way is None else pytest.approx(way, abs=0.01))


def test_without_a_place_read_there_is_a_height_and_no_millimetres() -> None:
    """First of the halvings of 41 mm: 20.5 mm above the touch at Z0."""
    (cue,) = said(down(), place(), place(at=4100), place(at=8100))
    assert cue.kind == "next rung"
    assert "Hold at Z 20.50 in line 1." in cue.text
    assert "First touch at X 40.00 Y 25.00 Z 0.00." in cue.text
    assert "mm to first touch" not in cue.text


def test_an_inch_job_is_told_in_inches() -> None:
    """What the control shows there: 20.5 mm is 0.8071 inch, 12 mm 0.472."""
    inches = dataclasses.replace(down(), shown_in="inch")
    first, way = said(inches, place(), read(NAN, NAN, 12.0))
    assert "Hold at Z 0.8071 in line 1" in first.text
    assert "First touch at X 1.5748 Y 0.9843 Z 0.0000." in first.text
    assert way.text.startswith("0.472 inch to first touch, by the place read.")


def test_a_second_work_offset_is_named_where_the_tool_comes_to_work_again() -> None:
    """The same tool under G54 and then under G55."""
    made = down()
    first, second = made.approaches
    again = dataclasses.replace(second, tool=first.tool, offset="G55")
    both = dataclasses.replace(made, approaches=(first, again))
    assert "First approach of T1 under G55, nothing to hear." in said(both, place(2))[0].text
    assert "First approach of T1, nothing to hear." in said(made, place(1))[0].text


def test_a_hold_asks_for_what_the_control_shows() -> None:
    hold = Mark(at=5000, kind=MarkKind.HOLD, source="operator")
    assert "Type the Z you read" in said(down(), place(), hold)[-1].text


def test_with_a_place_read_the_way_and_the_next_height_are_told() -> None:
    """Of 20.5, 10.25, 5.125, 2.56 and 1.28 mm the next below 12 mm is 10.25."""
    cue = said(down(), place(), read(NAN, NAN, 12.0))[-1]
    assert cue.kind == "distance"
    assert cue.text.startswith("12.0 mm to first touch, by the place read. Hold at Z 10.25 in line 1")


def test_a_height_that_is_left_by_side_moves_tells_no_distance() -> None:
    cue = said(sideways(), place(), read(NAN, NAN, -3.0))[-1]
    assert cue.text.startswith("Between 0 and 20 mm to first touch: Z alone does not tell.")


def test_a_control_that_tells_all_the_time_is_quoted_once_a_rung() -> None:
    heights = (30.0, 25.0, 21.0, 20.0, 15.0, 11.0, 9.0)
    found = said(down(), place(), *(read(40.0, 25.0, z, source="controller") for z in heights))
    assert [cue.text.split(" mm")[0] for cue in found[1:]] == ["30.0", "20.0", "9.0"]


def test_each_tool_has_its_own_approach_and_a_contact_ends_it() -> None:
    touch = Event(state=State.ENTRY, at=6000, decided_at=6500, probability=0.9)
    found = said(down(), place(1), touch, read(NAN, NAN, 12.0), place(1), place(2), read(NAN, NAN, 12.0))
    assert [(cue.kind, cue.contact) for cue in found] == [("next rung", 1), ("next rung", 2), ("distance", 2)]


@pytest.mark.parametrize("kind", ["repeat", "raised dry run"])
def test_only_a_first_cut_gets_an_approach(kind: str) -> None:
    assert not said(dataclasses.replace(down(), kind=kind), place(), read(NAN, NAN, 12.0))


@pytest.mark.parametrize(
    ("kind", "follows"),
    [
        (SpanKind.FEED, "Next hold is the touch itself."),
        (SpanKind.RIGID, "No hold follows: from here it may not be obeyed."),
    ],
)
def test_below_the_last_rung_no_hold_is_promised_where_it_may_not_be_obeyed(
    kind: SpanKind, follows: str
) -> None:
    """Common practice, no source: a feed hold does not act in tapping, nor under M49."""
    hand = Hand(at=(40, 25, 41), feed=600).line(40, 25, 5).line(40, 25, -1, kind=kind).go(40, 25, 41)
    cue = said(expect(hand.path(), hand_job()).timeline, place(), read(NAN, NAN, 0.2))[-1]
    assert cue.text == f"0.2 mm to first touch, by the place read. {follows}"
