"""Timed paths written by hand: moves at one constant feed, no acceleration."""

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from listen.job import Box, Job, Machine, Material, Setup, Shape, Tool
from listen.program.path import TimedPath
from listen.spans import SpanKind, Spans

NAN3 = (math.nan, math.nan, math.nan)


@dataclass
class Hand:
    """Collects moves; the tool starts at `at`."""

    at: tuple[float, float, float]
    tool: int = 1
    rpm: float = 6000.0
    feed: float = 600.0
    rapid: float = 15000.0
    rows: list[dict[str, Any]] = field(default_factory=list)
    time: float = 0.0

    def _add(self, kind: SpanKind, end: tuple[float, float, float], lasts: float, **more: Any) -> "Hand":
        row: dict[str, Any] = {"centre": NAN3, "sweep": 0.0, "feed": 0.0, "cycle": 0, **more}
        row.update(kind=int(kind), begin=self.at, end=end, start=self.time, stop=self.time + lasts)
        row.update(tool=self.tool, rpm=self.rpm, line=len(self.rows) + 1)
        self.rows.append(row)
        self.at, self.time = end, self.time + lasts
        return self

    def line(
        self, *end: float, feed: float | None = None, kind: SpanKind = SpanKind.FEED, cycle: int = 0
    ) -> "Hand":
        """Straight feed move."""
        feed = feed or self.feed
        target = (end[0], end[1], end[2])
        return self._add(kind, target, math.dist(self.at, target) / feed * 60.0, feed=feed, cycle=cycle)

    def go(self, *end: float) -> "Hand":
        """Rapid move."""
        target = (end[0], end[1], end[2])
        return self._add(SpanKind.RAPID, target, math.dist(self.at, target) / self.rapid * 60.0)

    def arc(self, centre: tuple[float, float], sweep: float, z: float | None = None) -> "Hand":
        """Arc in the XY plane."""
        ex, ey = self.at[0] - centre[0], self.at[1] - centre[1]
        c, s = math.cos(sweep), math.sin(sweep)
        end = (
            centre[0] + c * ex - s * ey,
            centre[1] + s * ex + c * ey,
            self.at[2] if z is None else z,
        )
        length = math.hypot(abs(sweep) * math.hypot(ex, ey), end[2] - self.at[2])
        lasts = length / self.feed * 60.0
        return self._add(SpanKind.FEED, end, lasts, centre=(*centre, 0.0), sweep=sweep, feed=self.feed)

    def wait(self, lasts: float, kind: SpanKind = SpanKind.DWELL) -> "Hand":
        """Stand still."""
        return self._add(kind, self.at, lasts)

    def change(self, tool: int) -> "Hand":
        """Change the tool."""
        self.tool = tool
        return self._add(SpanKind.TOOL_CHANGE, self.at, 6.0)

    def path(self) -> TimedPath:
        """What was collected."""
        rows, n = self.rows, len(self.rows)
        spans = Spans(
            start_s=np.array([r["start"] for r in rows]),
            stop_s=np.array([r["stop"] for r in rows]),
            kind=np.array([r["kind"] for r in rows], dtype=np.int8),
            line=np.array([r["line"] for r in rows], dtype=np.int32),
            tool=np.array([r["tool"] for r in rows], dtype=np.int32),
            begin=np.array([r["begin"] for r in rows], dtype=float),
            end=np.array([r["end"] for r in rows], dtype=float),
            centre=np.array([r["centre"] for r in rows], dtype=float),
            sweep=np.array([r["sweep"] for r in rows], dtype=float),
            axis=np.full(n, 2, dtype=np.int8),
        )
        return TimedPath(
            program="hand.nc",
            spans=spans,
            feed_mm_per_min=np.array([r["feed"] for r in rows], dtype=float),
            spindle_rpm=np.array([r["rpm"] for r in rows], dtype=float),
            coolant=np.zeros(n, dtype=np.bool_),
            offset=np.zeros(n, dtype=np.int16),
            cycle=np.array([r["cycle"] for r in rows], dtype=np.int16),
            length_offset=np.zeros(n, dtype=np.int32),
            compensated=np.zeros(n, dtype=np.bool_),
            file=np.zeros(n, dtype=np.int16),
            offset_names=("G54",),
            files=("hand.nc",),
            blocks={},
            listing=tuple(f"line {i + 1}" for i in range(n)),
        )


FLAT_10 = Tool(number=1, kind="flat end mill", diameter=10.0, flutes=4)
BLOCK = Box(low=(0.0, 0.0, -20.0), high=(80.0, 50.0, 0.0))


def hand_job(*tools: Tool, stock: Shape = BLOCK, material: str = "aluminium 6061", **machine: Any) -> Job:
    """A job around some tools."""
    return Job(
        programs=(Path("hand.nc"),),
        units="mm",
        kind="first cut",
        setups=(Setup(offset="G54", stock=stock),),
        material=Material(name=material),
        tools=tools or (FLAT_10,),
        machine=Machine(**machine),
    )
