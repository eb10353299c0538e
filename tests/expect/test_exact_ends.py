"""First and last touch of box and cylinder with straight and arc moves, against closed forms."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.contact import Contact
from listen.expect import expect_timeline
from listen.job import Box, Cylinder, Tool
from tests.expect.hand_path import Hand, hand_job

pytestmark = pytest.mark.closed
ROUND = Cylinder(centre=(0.0, 0.0), diameter=90.0, low_z=-20.0, high_z=0.0)
EXACT = 0.005  # mm
OTHERWISE = 0.1  # mm


def _contact(hand: Hand, *tools: Tool, stock: Box | Cylinder) -> Contact:
    (contact,) = expect_timeline(hand.path(), hand_job(*tools, stock=stock)).contacts
    return contact


@settings(max_examples=15, deadline=None)
@given(y=st.floats(-49.0, 49.0))
def test_a_straight_move_into_a_cylinder(y: float) -> None:
    """By hand: the axes are 45 + 5 apart at first touch."""
    contact = _contact(Hand(at=(-70, y, 10)).go(-70, y, -3).line(70, y, -3), stock=ROUND)
    assert contact.place[0] == pytest.approx(-math.sqrt(50.0**2 - y**2), abs=EXACT)


@settings(max_examples=15, deadline=None)
@given(angle=st.floats(-1.2, 1.2))
def test_a_straight_move_onto_a_corner_of_a_box(angle: float) -> None:
    """By hand: towards the corner (0, 0) along any direction between its faces, touch is 5 before it."""
    heading = math.pi / 4 + angle / 2
    c, s = math.cos(heading), math.sin(heading)
    block = Box(low=(0.0, 0.0, -20.0), high=(80.0, 80.0, 0.0))
    contact = _contact(Hand(at=(-30 * c, -30 * s, 10)).go(-30 * c, -30 * s, -3).line(0, 0, -3), stock=block)
    assert math.hypot(contact.place[0], contact.place[1]) == pytest.approx(5.0, abs=EXACT)


@settings(max_examples=15, deadline=None)
@given(radius=st.floats(12.0, 60.0))
def test_an_arc_into_the_face_of_a_box(radius: float) -> None:
    """By hand: on a circle about (-15, 25) - (0, radius) the tool's axis is 5 before the face x = 0."""
    block = Box(low=(0.0, 0.0, -20.0), high=(80.0, 50.0, 0.0))
    centre = (-15.0, 25.0 - radius)
    start = (centre[0], centre[1] + radius)  # above its centre, going clockwise towards the face
    contact = _contact(Hand(at=(*start, 10)).go(*start, -3).arc(centre, -math.pi / 2), stock=block)
    drop = radius - math.sqrt(radius**2 - 10.0**2)
    if 25.0 - drop > 0.1:  # the foremost point meets the face, not its corner
        assert contact.place[0] == pytest.approx(-5.0, abs=EXACT)
        assert contact.place[1] == pytest.approx(25.0 - drop, abs=EXACT)


@settings(max_examples=10, deadline=None)
@given(width=st.floats(0.3, 5.0), depth=st.floats(0.5, 15.0))
def test_both_ends_of_a_side_cut(width: float, depth: float) -> None:
    block = Box(low=(0.0, 0.0, -20.0), high=(80.0, 50.0, 0.0))
    y = width - 5.0
    contact = _contact(Hand(at=(-20, y, 10)).go(-20, y, -depth).line(100, y, -depth), stock=block)
    approach = math.sqrt(25.0 - (5.0 - width) ** 2)
    assert contact.place[0] == pytest.approx(-approach, abs=EXACT)
    assert (contact.stop - contact.start) * 10 == pytest.approx(80.0 + approach, abs=2 * EXACT)


@settings(max_examples=25, deadline=None)
@given(
    kind=st.sampled_from(["ball end mill", "bull nose end mill", "chamfer mill", "drill"]),
    radius=st.floats(2.0, 12.0),
    depth=st.floats(0.5, 14.0),
    y=st.floats(13.0, 37.0),
    ahead=st.floats(1.0, 9.0),
)
def test_both_ends_of_a_slot_by_a_rounded_or_pointed_tool(
    kind: str, radius: float, depth: float, y: float, ahead: float
) -> None:
    """By hand: it touches a radius before the face: the one that it has at the height of the top."""
    tool = Tool(number=1, kind=kind, diameter=2.0 * radius, flutes=2, corner_radius=2.0)
    over = {
        "ball end mill": math.sqrt(max(radius**2 - (radius - depth) ** 2, 0.0)) if depth < radius else radius,
        "bull nose end mill": radius - 2.0 + math.sqrt(4.0 - (2.0 - min(depth, 2.0)) ** 2),
        "chamfer mill": min(radius, depth),
        "drill": min(radius, depth * math.tan(math.radians(59.0))),
    }[kind]
    block = Box(low=(0.0, 0.0, -20.0), high=(80.0, 50.0, 0.0))
    x = -radius - ahead
    contact = _contact(Hand(at=(x, y, 30)).go(x, y, -depth).line(120, y, -depth), tool, stock=block)
    assert contact.place[0] == pytest.approx(-over, abs=EXACT)
    assert (contact.stop - contact.start) * 10 == pytest.approx(80.0 + over, abs=EXACT)


@pytest.mark.parametrize(
    ("tool", "x"),
    [
        (Tool(number=1, kind="ball end mill", diameter=10.0, flutes=2), -math.sqrt(25.0 - 9.0)),
        (Tool(number=1, kind="bull nose end mill", diameter=10.0, flutes=2, corner_radius=2.0), -5.0),
        (Tool(number=1, kind="chamfer mill", diameter=10.0, flutes=2), -2.0),
    ],
)
def test_other_tools_within_a_tenth_of_a_millimetre(tool: Tool, x: float) -> None:
    """By hand, 2 mm deep sideways into x = 0: the tool's radius at 2 mm over its tip."""
    block = Box(low=(0.0, 0.0, -20.0), high=(80.0, 50.0, 0.0))
    contact = _contact(Hand(at=(-20, 25, 10)).go(-20, 25, -2).line(100, 25, -2), tool, stock=block)
    assert contact.place[0] == pytest.approx(x, abs=OTHERWISE)
