"""Chip thickness, force, power and torque of a cut.

References
----------
Kienzle's law and the milling geometry as in textbooks; the formulas are listed with check
values in tests/expect/test_cutting.py.
"""

import math

from listen.expect.materials import CuttingForce


def spindle_rpm(*, cutting_speed_m_per_min: float, diameter_mm: float) -> float:
    """Spindle speed for a cutting speed [rpm]."""
    return 1000.0 * cutting_speed_m_per_min / (math.pi * diameter_mm)


def feed_per_tooth(*, feed_mm_per_min: float, rpm: float, flutes: int) -> float:
    """Advance of the tool from one tooth to the next [mm]."""
    return feed_mm_per_min / (abs(rpm) * flutes)


def arc_of_side_cut(*, width_mm: float, diameter_mm: float) -> float:
    """Engaged arc of a straight side cut [rad]: arccos(1 - 2·ae/D).

    Examples
    --------
    >>> round(math.degrees(arc_of_side_cut(width_mm=1.0, diameter_mm=10.0)), 2)
    36.87
    """
    return math.acos(1.0 - 2.0 * width_mm / diameter_mm)


def mean_chip(*, per_tooth_mm: float, width_mm: float, diameter_mm: float, arc_rad: float) -> float:
    """Mean chip thickness over the engaged arc [mm]: 2·(ae/D)·fz/φ."""
    return 2.0 * (width_mm / diameter_mm) * per_tooth_mm / arc_rad


def greatest_chip(*, per_tooth_mm: float, right_rad: float, left_rad: float) -> float:
    """Thickest chip over an arc, angles from the feed direction [mm]."""
    if right_rad <= 0.0 <= left_rad:
        return per_tooth_mm
    return per_tooth_mm * max(math.cos(right_rad), math.cos(left_rad))


def side_chip_factor(*, width_mm: float, diameter_mm: float) -> float:
    """How much the feed per tooth may rise for the chip of half engagement: D / (2·√(ae·(D - ae)))."""
    if width_mm >= diameter_mm / 2.0:
        return 1.0
    return diameter_mm / (2.0 * math.sqrt(width_mm * (diameter_mm - width_mm)))


def approach_length(*, radius_mm: float, width_mm: float) -> float:
    """By how much a straight side cut is longer than the stock [mm]: √(R² - (R - ae)²).

    All of it lies before the face on entry; from half the diameter on it is the radius.
    """
    if width_mm >= radius_mm:
        return radius_mm
    return math.sqrt(radius_mm**2 - (radius_mm - width_mm) ** 2)


def power(*, removal_mm3_per_s: float, material: CuttingForce, chip_mm: float) -> float:
    """Cutting power [W]."""
    return removal_mm3_per_s * material.at(chip_mm) / 1000.0


def torque(*, power_w: float, rpm: float) -> float:
    """Torque at the spindle [N·m]."""
    return power_w * 60.0 / (2.0 * math.pi * abs(rpm))


def tangential_force(*, power_w: float, rpm: float, diameter_mm: float) -> float:
    """Mean cutting force at the tool's rim [N]."""
    return power_w * 60_000.0 / (math.pi * diameter_mm * abs(rpm))


def available_power(*, rated_w: float, base_rpm: float | None, rpm: float) -> float:
    """Power that the spindle has at a speed [W]: below its base speed it falls with the speed."""
    if base_rpm is None or abs(rpm) >= base_rpm:
        return rated_w
    return rated_w * abs(rpm) / base_rpm


def level_change_at(override: float, mc: float) -> float:
    """How the cutting force changes with the feed override [dB]: the chip thins, F ~ h^(1 - mc).

    Examples
    --------
    >>> round(level_change_at(0.1, 0.25))
    -15
    """
    return 20.0 * (1.0 - mc) * math.log10(override)
