"""Contacts of moves written by hand, against lengths worked by hand."""

import math

import pytest

from listen.contact import Contact
from listen.expect import expect, expect_timeline
from listen.expect.materials import find_material
from listen.job import Box, Cylinder, Tool
from tests.expect.hand_path import FLAT_10, Hand, hand_job

pytestmark = pytest.mark.closed
DRILL_8 = Tool(number=2, kind="drill", diameter=8.0, flutes=2)
BALL_6 = Tool(number=3, kind="ball end mill", diameter=6.0, flutes=2)
MM = 0.1  # program seconds a millimetre at the hand path's 600 mm/min
CLOSE = 0.002  # mm


def _contacts(hand: Hand, **more: object) -> tuple[Contact, ...]:
    return expect_timeline(hand.path(), hand_job(**more)).contacts  # type: ignore[arg-type]


def _length(contact: Contact) -> float:
    return (contact.stop - contact.start) * contact.feed_mm_per_min / 60.0


@pytest.mark.parametrize("width", [0.2, 1.0, 2.0, 4.0, 5.0])
def test_a_side_cut_is_longer_than_the_stock_by_its_approach(width: float) -> None:
    """By hand: √(R² - (R - ae)²) before the face on entry, and nothing after the far face."""
    y = width - 5.0
    (contact,) = _contacts(Hand(at=(-20, y, 10)).go(-20, y, -5).line(100, y, -5))
    approach = math.sqrt(25.0 - (5.0 - width) ** 2)
    assert contact.place[0] == pytest.approx(-approach, abs=CLOSE)
    assert _length(contact) == pytest.approx(80.0 + approach, abs=2 * CLOSE)
    assert contact.ramp_in == pytest.approx(approach * MM, abs=0.1 * MM)
    assert contact.ramp_out == pytest.approx(approach * MM, abs=0.1 * MM)
    assert contact.radial_width_mm == pytest.approx(width, abs=0.01)
    assert contact.way == "side cut"


def test_neighbouring_passes_each_cut_their_own_width() -> None:
    hand = Hand(at=(-20, -3, 10)).go(-20, -3, -5).line(100, -3, -5).line(100, -1, -5).line(-20, -1, -5)
    there, back = _contacts(hand)
    assert back.place[0] == pytest.approx(84.0, abs=CLOSE)
    assert _length(back) == pytest.approx(84.0, abs=2 * CLOSE)
    assert there.removed_mm3 == pytest.approx(80 * 2 * 5, rel=0.005)
    assert back.removed_mm3 == pytest.approx(80 * 2 * 5, rel=0.005)
    # the work lies left of the feed there (conventional, M3), right of it on the way back (climb)
    assert (there.climb_share, back.climb_share) == (0.0, 1.0)
    assert there.pass_id == back.pass_id


def test_a_slot_begins_a_radius_before_the_face() -> None:
    (contact,) = _contacts(Hand(at=(-20, 25, 10)).go(-20, 25, -3).line(100, 25, -3))
    assert contact.way == "slot"
    assert contact.place[0] == pytest.approx(-5.0, abs=CLOSE)
    assert _length(contact) == pytest.approx(85.0, abs=2 * CLOSE)
    assert contact.mean_chip_mm == pytest.approx(600 / 6000 / 4 * 2 / math.pi, rel=1e-3)


def test_a_pass_that_goes_to_several_levels_names_both_ends() -> None:
    """A pocket plunged to Z-4 and then to Z-8 was called "at Z-4": as deep as its first contact only."""
    hand = Hand(at=(20, 20, 10)).go(20, 20, 1).line(20, 20, -4, feed=100).line(60, 20, -4).line(60, 20, 5)
    expected = expect_timeline(hand.path(), hand_job())
    assert [one.name for one in expected.passes] == ["slot at Z-4"]
    hand.go(20, 20, 5).go(20, 20, -3.5).line(20, 20, -8, feed=100).line(60, 20, -8).line(60, 20, 5)
    expected = expect_timeline(hand.path(), hand_job())
    assert [one.name for one in expected.passes] == ["slot from Z-4 to Z-8"]


def test_a_facing_job_cuts_once_a_pass() -> None:
    hand = Hand(at=(-20, 4, 10)).go(-20, 4, -1)
    for row in range(7):
        x = 100 if row % 2 == 0 else -20
        hand.line(x, 4 + row * 7, -1).line(x, 11 + row * 7, -1)
    contacts = _contacts(hand)
    assert [contact.way for contact in contacts] == ["face"] * 7
    assert [round(contact.radial_width_mm, 2) for contact in contacts] == [9, 7, 7, 7, 7, 7, 6]
    assert {contact.pass_id for contact in contacts} == {1}


def test_a_pocket_is_one_contact_from_plunge_to_retract() -> None:
    hand = Hand(at=(20, 20, 10)).go(20, 20, 1).line(20, 20, -4, feed=100)
    hand.line(60, 20, -4).line(60, 35, -4).line(20, 35, -4).line(20, 20, -4).line(20, 20, 5)
    (contact,) = _contacts(hand)
    assert contact.place == pytest.approx((20, 20, 0), abs=CLOSE)
    assert contact.line == 2
    # the last cut is where the ring of width 10 closes; its last 0.6 mm shave less than 0.05 mm
    assert contact.stop == pytest.approx(0.036 + 5 / 100 * 60 + (40 + 15 + 40 + 15) * MM, abs=0.07)


def test_each_peck_is_a_contact_and_the_rapid_back_is_none() -> None:
    hand = Hand(at=(20, 20, 10), tool=2, rpm=2000, feed=200).go(20, 20, 2).line(20, 20, -10)
    hand.go(20, 20, 2).go(20, 20, -9.75).line(20, 20, -24).go(20, 20, 5)
    timeline = expect_timeline(hand.path(), hand_job(DRILL_8))
    first, second = timeline.contacts
    assert (first.way, second.way) == ("drilling", "drilling")
    assert first.place[2] == pytest.approx(0.0, abs=CLOSE)
    assert second.place[2] == pytest.approx(-10.0, abs=CLOSE)
    point = 4.0 / math.tan(math.radians(59))
    assert first.ramp_in == pytest.approx(point / 200 * 60, abs=1e-6)
    assert first.axial_depth_mm == pytest.approx(10.0, abs=CLOSE)
    assert [caution.kind for caution in timeline.cautions] == ["below the underside", "not checked"]


@pytest.mark.parametrize(("diameter", "depth"), [(3.0, 4.0), (6.0, 4.0), (8.0, 15.0), (12.0, 15.0)])
def test_a_drill_in_full_takes_the_torque_of_the_handbooks(diameter: float, depth: float) -> None:
    """M = kc·fn·D²/8000 [N·m] for two lips in solid (Kienzle, as drilling handbooks have it; from memory).

    kc by the material table at the chip fn/2·sin(118°/2); the height field alone was 2 to 6 % off.
    """
    drill = Tool(number=2, kind="drill", diameter=diameter, flutes=2)
    hand = Hand(at=(20, 20, 10), tool=2, rpm=2000, feed=240).go(20, 20, 2).line(20, 20, -depth).go(20, 20, 5)
    (cut,) = expect(hand.path(), hand_job(drill)).cuts
    found = find_material(hand_job().material)
    assert found is not None
    turn = 240 / 2000
    specific = found.at(turn / 2.0 * math.sin(math.radians(59.0)))
    assert cut.torque_nm == pytest.approx(specific * turn * diameter**2 / 8000.0, rel=1e-6)


def test_an_arc_round_a_cylinder_begins_where_the_circles_meet() -> None:
    """By hand: tool radius 5, stock radius 45, so contact begins 50 from the centre."""
    hand = Hand(at=(-60, 0, 10)).go(-60, 0, -5).line(-48, 0, -5).arc((0, 0), 2 * math.pi)
    stock = Cylinder(centre=(0.0, 0.0), diameter=90.0, low_z=-20.0, high_z=0.0)
    (contact,) = _contacts(hand, stock=stock)
    assert contact.place[0] == pytest.approx(-50.0, abs=CLOSE)
    ring = math.pi * (45**2 - 43**2) * 5
    assert contact.removed_mm3 == pytest.approx(ring, rel=0.005)


def test_a_ball_touches_before_its_axis_reaches_the_face() -> None:
    hand = Hand(at=(-20, 25, 10), tool=3).go(-20, 25, -1).line(100, 25, -1)
    (contact,) = expect_timeline(hand.path(), hand_job(BALL_6)).contacts
    assert contact.place[0] == pytest.approx(-math.sqrt(9 - 4), abs=0.1)
    assert _length(contact) == pytest.approx(80 + math.sqrt(5), abs=0.2)


def test_a_ball_that_is_engaged_all_round_cuts_a_slot_however_shallow() -> None:
    """At 1 mm of depth a ball of 6 mm is 2 * sqrt(9 - 4) = 4.47 mm wide, and cuts all of that."""
    hand = Hand(at=(-20, 25, 10), tool=3).go(-20, 25, -1).line(100, 25, -1)
    (contact,) = expect_timeline(hand.path(), hand_job(BALL_6)).contacts
    assert contact.way == "slot"
    assert contact.radial_width_mm == pytest.approx(4.47, abs=0.1)


def test_each_peck_that_breaks_the_chip_is_a_contact_of_its_own() -> None:
    """By hand at 600 mm/min: 4 mm of metal, 0.25 mm up in rapid and down in feed, 4 mm of metal.

    So 0.4 s, then 0.001 s of rapid and 0.025 s of feed without metal, then 0.4 s.
    """
    hand = Hand(at=(20, 20, 2), tool=2).line(20, 20, -4).go(20, 20, -3.75).line(20, 20, -8).go(20, 20, 5)
    one, two = expect_timeline(hand.path(), hand_job(DRILL_8)).contacts
    assert (one.place[2], two.place[2]) == pytest.approx((0.0, -4.0), abs=CLOSE)
    assert (one.stop - one.start, two.stop - two.start) == pytest.approx((0.4, 0.4), abs=CLOSE * MM)
    assert two.start - one.stop == pytest.approx(0.026, abs=CLOSE * MM)
    assert (one.axial_depth_mm, two.axial_depth_mm) == pytest.approx((4.0, 4.0), abs=CLOSE)


def test_what_must_never_happen_is_no_scale_for_how_loud_the_rest_is() -> None:
    """A slot stays easy to hear beside the same slot in rapid and one with the spindle standing."""
    slot = Hand(at=(-20, 10, 10)).go(-20, 10, -3).line(100, 10, -3).go(100, 10, 10)
    alone = expect_timeline(slot.path(), hand_job(material="")).contacts[0]
    slot.go(-20, 30, 10).go(-20, 30, -3).go(100, 30, -3).go(100, 30, 10)
    slot.rpm = 0.0
    slot.go(-20, 45, 10).go(-20, 45, -3).line(100, 45, -3)
    beside, rapid, standing = expect_timeline(slot.path(), hand_job(material="")).contacts
    assert (beside.audible, beside.strength_db) == (alone.audible, alone.strength_db)
    assert max(rapid.strength_db, standing.strength_db) <= 0.0


def test_a_sloping_entry_touches_where_the_tip_reaches_the_top() -> None:
    hand = Hand(at=(20, 25, 2)).line(60, 25, -2)
    (contact,) = _contacts(hand)
    assert contact.way == "ramp"
    assert contact.place == pytest.approx((40, 25, 0), abs=0.01)


def test_a_rapid_into_the_stock_is_called_out() -> None:
    hand = Hand(at=(-20, 25, 10)).go(-20, 25, -3).go(40, 25, -3).go(40, 25, 10)
    timeline = expect_timeline(hand.path(), hand_job())
    assert timeline.contacts[0].way == "rapid"
    assert "rapid into stock" in [caution.kind for caution in timeline.cautions]


def test_air_above_and_beside_the_stock_is_no_contact() -> None:
    hand = (
        Hand(at=(-20, 25, 10)).line(100, 25, 0.0).line(100, 55.0, 0.0).line(100, 55.0, -5).line(-20, 55.0, -5)
    )
    assert _contacts(hand, stock=Box(low=(0.0, 0.0, -20.0), high=(80.0, 50.0, 0.0))) == ()


def test_two_cuts_with_a_gap_stay_apart_and_a_second_run_cuts_nothing() -> None:
    hand = Hand(at=(-20, -3, 10)).go(-20, -3, -5)
    hand.line(100, -3, -5).line(-20, -3, -5).line(-20, 53, -5).line(100, 53, -5)
    assert len(_contacts(hand)) == 2


def test_a_thin_way_round_an_outer_corner_is_one_contact() -> None:
    """1 mm off all round: on the arc about the corner at X1 Y49 the tool stays on it, so contact never ends.

    The two sides' exact ends meet, though no step on the arc takes a whole cell of stock.
    """
    hand = Hand(at=(-4, -20, -2)).line(-4, 49, -2).arc((1, 49), -math.pi / 2).line(79, 54, -2)
    (contact,) = expect_timeline(
        hand.arc((79, 49), -math.pi / 2).line(84, -20, -2).path(), hand_job()
    ).contacts
    assert (contact.line, contact.way) == (1, "side cut")


def test_the_tool_of_the_fixture_is_what_the_comments_say() -> None:
    assert (FLAT_10.diameter, FLAT_10.flutes) == (10.0, 4)
