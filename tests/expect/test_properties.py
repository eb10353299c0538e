"""Shifting, mirroring or scaling job and program together does the same to what is expected."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.contact import Contact
from listen.expect import expect_timeline
from listen.job import Box, Tool
from tests.expect.hand_path import Hand, hand_job

pytestmark = pytest.mark.closed


def _contacts(
    *, shift: tuple[float, float, float] = (0, 0, 0), scale: float = 1.0, mirror: int = 1
) -> tuple[Contact, ...]:
    """Two side cuts, a plunge, a slot and an arc, moved, scaled and mirrored in X."""

    def at(x: float, y: float, z: float) -> tuple[float, float, float]:
        return mirror * x * scale + shift[0], y * scale + shift[1], z * scale + shift[2]

    hand = Hand(at=at(-20, -3, 10), feed=600 * scale, rapid=15000 * scale)
    hand.go(*at(-20, -3, -5)).line(*at(100, -3, -5)).line(*at(100, -1, -5)).line(*at(-20, -1, -5))
    hand.go(*at(-20, -1, 10)).go(*at(30, 25, 10)).line(*at(30, 25, -2)).line(*at(50, 25, -2))
    centre = at(50, 32, 0)
    hand.arc((centre[0], centre[1]), mirror * math.pi / 2).line(*at(57, 32, 10))
    a, b = at(0, 0, -20), at(80, 50, 0)
    low = (min(a[0], b[0]), a[1], a[2])
    high = (max(a[0], b[0]), b[1], b[2])
    tool = Tool(number=1, kind="flat end mill", diameter=10.0 * scale, flutes=4)
    return expect_timeline(hand.path(), hand_job(tool, stock=Box(low=low, high=high))).contacts


@settings(max_examples=12, deadline=None)
@given(x=st.floats(-300, 300), y=st.floats(-300, 300), z=st.floats(-100, 100))
def test_shifting_shifts(x: float, y: float, z: float) -> None:
    plain, moved = _contacts(), _contacts(shift=(x, y, z))
    assert len(plain) == len(moved) == 3
    for a, b in zip(plain, moved, strict=True):
        assert [b.start, b.stop] == pytest.approx([a.start, a.stop], abs=2e-3)
        places = [p + d for p, d in zip(a.place, (x, y, z), strict=True)]
        assert list(b.place) == pytest.approx(places, abs=0.02)
        assert b.removed_mm3 == pytest.approx(a.removed_mm3, rel=0.02)


def test_mirroring_mirrors_and_turns_climb_into_conventional() -> None:
    plain, turned = _contacts(), _contacts(mirror=-1)
    for a, b in zip(plain, turned, strict=True):
        assert [b.start, b.stop] == pytest.approx([a.start, a.stop], abs=2e-3)
        assert b.place[0] == pytest.approx(-a.place[0], abs=0.02)
        assert b.way == a.way
        assert b.power_w == pytest.approx(a.power_w, rel=0.02)
    assert (plain[0].climb_share, turned[0].climb_share) == (0.0, 1.0)


@pytest.mark.parametrize("scale", [0.5, 2.0])
def test_scaling_scales(scale: float) -> None:
    plain, scaled = _contacts(), _contacts(scale=scale)
    for a, b in zip(plain, scaled, strict=True):
        assert [b.start, b.stop] == pytest.approx([a.start, a.stop], abs=5e-3)
        assert list(b.place) == pytest.approx([v * scale for v in a.place], abs=0.03 * scale)
        assert b.removed_mm3 == pytest.approx(a.removed_mm3 * scale**3, rel=0.02)
        assert b.axial_depth_mm == pytest.approx(a.axial_depth_mm * scale, rel=1e-6)
