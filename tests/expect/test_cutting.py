"""Engagement, chip, force and power against printed examples.

The examples and their sources are those of a shop's usual handbooks; each test names its own.
"""

import math

import pytest

from listen.expect import cutting
from listen.expect.materials import MATERIALS, can_burn, find_material
from listen.job import Material

P2 = find_material(Material(name="steel"))
N21 = find_material(Material(name="aluminium 5083"))


@pytest.mark.reference
def test_arc_and_greatest_chip_of_a_tenth_of_the_diameter() -> None:
    """An online radial chip thinning worksheet prints 36.9° and 0.60 for ae/D = 0.10."""
    arc = cutting.arc_of_side_cut(width_mm=1.0, diameter_mm=10.0)
    assert math.degrees(arc) == pytest.approx(36.9, abs=0.05)
    right, left = math.pi / 2 - arc, math.pi / 2
    assert cutting.greatest_chip(per_tooth_mm=1.0, right_rad=right, left_rad=left) == pytest.approx(
        0.60, abs=0.005
    )


@pytest.mark.reference
def test_the_chip_factor_of_a_half_inch_cutter() -> None:
    """An online chip thinning worksheet prints 1.667 for 0.5 in and 0.05 in."""
    assert cutting.side_chip_factor(width_mm=0.05, diameter_mm=0.5) == pytest.approx(1.667, abs=0.0005)


@pytest.mark.closed
@pytest.mark.parametrize(
    ("share", "degrees", "greatest", "mean"),
    [
        (0.05, 25.84, 0.4359, 0.2217),
        (0.10, 36.87, 0.6000, 0.3108),
        (0.25, 60.00, 0.8660, 0.4775),
        (0.50, 90.00, 1.0, 0.6366),
        (0.75, 120.0, 1.0, 0.7162),
        (1.00, 180.0, 1.0, 0.6366),
    ],
)
def test_engagement_table(share: float, degrees: float, greatest: float, mean: float) -> None:
    """By hand from the textbook formulas: φ = arccos(1 - 2·ae/D), hm = 2·(ae/D)·fz/φ."""
    arc = cutting.arc_of_side_cut(width_mm=share, diameter_mm=1.0)
    assert math.degrees(arc) == pytest.approx(degrees, abs=0.005)
    chip = cutting.mean_chip(per_tooth_mm=1.0, width_mm=share, diameter_mm=1.0, arc_rad=arc)
    assert chip == pytest.approx(mean, abs=5e-5)
    most = cutting.greatest_chip(per_tooth_mm=1.0, right_rad=math.pi / 2 - arc, left_rad=math.pi / 2)
    assert most == pytest.approx(greatest, abs=5e-5)


@pytest.mark.reference
def test_power_of_a_face_mill() -> None:
    """A tool catalogue's milling power page: Ø250, vc 80, ap 2, ae 80, vf 280, kc 1800, η 0.8: 1.68 kW."""
    rpm = cutting.spindle_rpm(cutting_speed_m_per_min=80.0, diameter_mm=250.0)
    assert rpm == pytest.approx(101.9, abs=0.05)
    assert cutting.feed_per_tooth(feed_mm_per_min=280.0, rpm=rpm, flutes=12) == pytest.approx(
        0.229, abs=0.0005
    )
    own = find_material(Material(name="as printed", kc11=1800.0, mc=0.0))
    assert own is not None
    power = cutting.power(removal_mm3_per_s=80 * 2 * 280 / 60, material=own, chip_mm=1.0)
    assert power / 1000.0 / 0.8 == pytest.approx(1.68, abs=0.005)


@pytest.mark.reference
def test_power_of_a_slot() -> None:
    """Fundamentals of Machining Processes, p. 189: Ø30, 4 deep, 120 mm/min, 1000 N/mm²: 0.24 kW."""
    own = find_material(Material(name="as printed", kc11=1000.0, mc=0.0))
    assert own is not None
    power = cutting.power(removal_mm3_per_s=30 * 4 * 120 / 60, material=own, chip_mm=1.0)
    assert power == pytest.approx(240.0, abs=5.0)
    assert cutting.spindle_rpm(cutting_speed_m_per_min=14.13, diameter_mm=30.0) == pytest.approx(
        150.0, abs=0.5
    )


@pytest.mark.reference
def test_specific_force_of_group_p2() -> None:
    """A printed turning catalogue of 2017, p. 558, gives 1500 and 0.22; worked: 2489, 2137, 1835, 1500."""
    assert P2 is not None
    assert [round(P2.at(h)) for h in (0.1, 0.2, 0.4, 1.0)] == [2489, 2137, 1835, 1500]


@pytest.mark.closed
def test_power_of_an_end_mill_in_soft_aluminium() -> None:
    """By hand: Ø10, fz 0.05, ae 2, ap 5, 12 cm³/min, group N21: 53.13°, 0.0216, 1827, 365 W."""
    assert N21 is not None
    arc = cutting.arc_of_side_cut(width_mm=2.0, diameter_mm=10.0)
    chip = cutting.mean_chip(per_tooth_mm=0.05, width_mm=2.0, diameter_mm=10.0, arc_rad=arc)
    assert math.degrees(arc) == pytest.approx(53.13, abs=0.005)
    assert chip == pytest.approx(0.0216, abs=5e-5)
    assert N21.at(chip) == pytest.approx(1827, abs=1.0)
    assert cutting.power(removal_mm3_per_s=200.0, material=N21, chip_mm=chip) == pytest.approx(365, abs=0.6)


@pytest.mark.reference
@pytest.mark.parametrize(("diameter", "deep", "approach"), [(100.0, 2.0, 14.0), (60.0, 9.0, 21.42)])
def test_approach_of_a_slab_mill(diameter: float, deep: float, approach: float) -> None:
    """GATE 2019 ME (Ø100, 2 deep: 14 mm); a published exercise after Kalpakjian (Ø60, 9 deep: 21.42 mm)."""
    assert cutting.approach_length(radius_mm=diameter / 2, width_mm=deep) == pytest.approx(
        approach, abs=0.005
    )


@pytest.mark.closed
def test_force_falls_about_fifteen_decibels_at_a_tenth_of_the_feed() -> None:
    """By hand: 20·(1 - 0.25)·lg 0.1 = -15."""
    assert cutting.level_change_at(0.1, 0.25) == pytest.approx(-15.0)


@pytest.mark.closed
def test_power_falls_below_the_base_speed() -> None:
    assert cutting.available_power(rated_w=7500.0, base_rpm=1500.0, rpm=750.0) == 3750.0
    assert cutting.available_power(rated_w=7500.0, base_rpm=1500.0, rpm=6000.0) == 7500.0


@pytest.mark.closed
def test_materials_are_found_by_their_names_and_own_constants_win() -> None:
    names = ("Aluminium 6061", "6061 aluminium", "steel 4140", "titanium Ti6Al4V", "brass", "no such thing")
    groups = [row.group if (row := find_material(Material(name=name))) else None for name in names]
    assert groups == ["N22", "N22", "P6", "S37", "N26", None]
    own = find_material(Material(name="brass", kc11=500.0))
    assert own is not None
    assert (own.group, own.kc11) == ("own", 500.0)
    assert all(row.source for row in MATERIALS)


@pytest.mark.closed
@pytest.mark.parametrize(
    ("name", "group"),
    [
        ("stainless steel", "M14"),  # it shares one word with steel, too
        ("AISI 304L", "M14"),
        ("S235JR", "P1"),
        ("S355J2", "P2"),
        ("6061-T6", "N22"),
        ("aluminium bronze", "N26"),
        ("alloy", None),  # names no material by itself
        ("hardened", None),
    ],
)
def test_materials_as_people_write_them(name: str, group: str | None) -> None:
    found = find_material(Material(name=name))
    assert (found.group if found else None) == group


@pytest.mark.closed
def test_chips_that_burn_are_known() -> None:
    names = ("magnesium", "AZ91D", "titanium grade 5", "Ti-6Al-4V", "aluminium")
    assert [can_burn(Material(name=name)) for name in names] == [True, True, True, True, False]
