"""How far the whole tool is from stock and keep-outs along the path."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.expect import clear_kernels, kernels
from listen.expect.engagement import steps_of
from listen.expect.profile import profile_of
from listen.expect.segments import Segments
from listen.expect.stock import Stock
from listen.job import KeepOut, Tool
from listen.lengths import Place

REACH_MM = 3.0


def distance_to_box(keep_out: KeepOut, place: Place, *, radius: float) -> float:
    """Distance of an upright cylinder standing on `place` from a keep-out [mm].

    Examples
    --------
    >>> from listen.job import Box, KeepOut
    >>> jaw = KeepOut(name="jaw", box=Box(low=(0, 0, 0), high=(10, 10, 10)))
    >>> distance_to_box(jaw, (18.0, 5.0, 5.0), radius=5.0)
    3.0
    """
    low, high = keep_out.box.low, keep_out.box.high
    aside = math.hypot(
        max(low[0] - place[0], 0.0, place[0] - high[0]), max(low[1] - place[1], 0.0, place[1] - high[1])
    )
    return math.hypot(max(aside - radius, 0.0), max(place[2] - high[2], 0.0))


@dataclass(slots=True, kw_only=True, eq=False)
class Replay:
    """The stock as it is at a moment of the program; it only goes forwards."""

    stock: Stock
    segments: Segments
    chosen: NDArray[np.bool_]
    field: NDArray[np.float64]
    n_steps: NDArray[np.int64]
    done: int = 0

    @classmethod
    def of(cls, stock: Stock, segments: Segments, chosen: NDArray[np.bool_]) -> "Replay":
        """Before the first move."""
        return cls(
            stock=stock,
            segments=segments,
            chosen=chosen & segments.judged,
            field=stock.field.copy(),
            n_steps=steps_of(segments, stock),
        )

    def advance(self, to: int) -> None:
        """Cut every segment before `to`."""
        if to <= self.done:
            return
        part = slice(self.done, to)
        records = np.empty((int(self.n_steps[part].sum()), kernels.N_RECORD_COLUMNS))
        kernels.sweep(
            self.field,
            self.stock.grid,
            self.segments.rows[part],
            self.chosen[part],
            self.n_steps[part],
            self.stock.top,
            records,
        )
        self.done = to

    def finish(self, left: Stock) -> None:
        """Go to the end, where what is left is known already."""
        self.field = left.field
        self.done = len(self.segments.rows)

    def distance(self, tool: Tool, place: Place, keep_outs: tuple[KeepOut, ...]) -> float:
        """Least distance of tool and holder from stock and keep-outs, at most `REACH_MM` [mm]."""
        found = self._distance(profile_of(tool), place, keep_outs)
        if tool.stick_out is None or tool.holder_diameter is None:
            return found
        above = (place[0], place[1], place[2] + tool.stick_out)
        return min(found, self._distance((tool.holder_diameter / 2.0, 0.0, 0.0), above, keep_outs))

    def _distance(
        self, profile: tuple[float, float, float], place: Place, keep_outs: tuple[KeepOut, ...]
    ) -> float:
        found = float(clear_kernels.distance_to_stock(self.field, self.stock.grid, *place, profile, REACH_MM))
        boxes = [distance_to_box(keep_out, place, radius=profile[0]) for keep_out in keep_outs]
        return min([found, *boxes])
