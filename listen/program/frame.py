"""The program's own shifts: G52, G92, G68 and G51 between programmed and work coordinates.

Conventions
-----------
A programmed place is scaled about its centre, then turned, then shifted; the result is in
the coordinates of the work offset (G54 …) as the operator set it. NaN spreads as it must:
turned axes are unknown together.
"""

import math
from dataclasses import dataclass, replace

from listen.lengths import Place

ZERO: Place = (0.0, 0.0, 0.0)
UNKNOWN: Place = (math.nan, math.nan, math.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """How programmed coordinates lie in the work offset.

    Attributes
    ----------
    local, shift : (x, y, z)
        G52 and G92 [mm].
    angle : float
        G68, counter-clockwise [rad], about `pivot` in the plane of `plane` (its axis).
    factors, centre : (x, y, z)
        G51 and its centre; a negative factor is a mirror.
    """

    local: Place = ZERO
    shift: Place = ZERO
    angle: float = 0.0
    pivot: Place = ZERO
    plane: int = 2
    factors: Place = (1.0, 1.0, 1.0)
    centre: Place = ZERO

    @property
    def is_plain(self) -> bool:
        """Whether it only shifts."""
        return self.angle == 0.0 and self.factors == (1.0, 1.0, 1.0)

    def offset(self) -> Place:
        """G52 and G92 together."""
        return _add(self.local, self.shift)

    def to_work(self, place: Place) -> Place:
        """Work coordinates of a programmed place."""
        if not self.is_plain:
            place = self._turned(self._scaled(place), self.angle)
        return _add(place, self.offset())

    def to_programmed(self, place: Place) -> Place:
        """The programmed place of work coordinates."""
        place = _subtract(place, self.offset())
        if self.is_plain:
            return place
        place = self._turned(place, -self.angle)
        c, f = self.centre, self.factors
        return (
            c[0] + (place[0] - c[0]) / f[0],
            c[1] + (place[1] - c[1]) / f[1],
            c[2] + (place[2] - c[2]) / f[2],
        )

    def mirrors(self, axis: int) -> bool:
        """Whether an arc about `axis` turns the other way round."""
        a, b = plane_axes(axis)
        return self.factors[a] * self.factors[b] < 0.0

    def uneven(self, axis: int) -> bool:
        """Whether a circle about `axis` would become an ellipse."""
        a, b = plane_axes(axis)
        return abs(abs(self.factors[a]) - abs(self.factors[b])) > 1e-9

    def without_turning(self) -> "Frame":
        """The frame after G69."""
        return replace(self, angle=0.0, pivot=ZERO)

    def without_scale(self) -> "Frame":
        """The frame after G50."""
        return replace(self, factors=(1.0, 1.0, 1.0), centre=ZERO)

    def _scaled(self, place: Place) -> Place:
        c, f = self.centre, self.factors
        return (
            c[0] + (place[0] - c[0]) * f[0],
            c[1] + (place[1] - c[1]) * f[1],
            c[2] + (place[2] - c[2]) * f[2],
        )

    def _turned(self, place: Place, angle: float) -> Place:
        if angle == 0.0:
            return place
        a, b = plane_axes(self.plane)
        turned = list(place)
        u, v = place[a] - self.pivot[a], place[b] - self.pivot[b]
        turned[a] = self.pivot[a] + u * math.cos(angle) - v * math.sin(angle)
        turned[b] = self.pivot[b] + u * math.sin(angle) + v * math.cos(angle)
        return (turned[0], turned[1], turned[2])


def plane_axes(axis: int) -> tuple[int, int]:
    """The two axes of the plane about `axis`, so that a turn from the first to the second is positive."""
    return ((1, 2), (2, 0), (0, 1))[axis]


def _add(a: Place, b: Place) -> Place:
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])


def _subtract(a: Place, b: Place) -> Place:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])
