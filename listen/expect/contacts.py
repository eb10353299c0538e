"""From touches to the contacts of the timeline, each with what its cut is like."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.contact import Contact
from listen.expect import cutting, kernels
from listen.expect.engagement import Touch
from listen.expect.materials import find_material
from listen.expect.profile import DRILLS, edge_length, profile_of, radius_at
from listen.expect.segments import CHORD_MM, Segments
from listen.expect.stock import Stock
from listen.job import Job, Tool
from listen.program.facts import span_extents
from listen.program.path import TimedPath
from listen.spans import SpanKind

NAN = float("nan")
RAPID_TAKES_MM3 = 0.5  # less is the grain of the height field
GRAIN = 0.08  # by how much removal in a height field may be off
WAYS_DOWN = ("plunge", "ramp", "drilling", "spot drilling", "reaming", "tapping")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """What one contact's cut is like; the part of it that is told only on demand.

    Attributes
    ----------
    contact : Contact
    arc_deg : float
        Engaged arc in mid-cut [degrees].
    teeth_in_cut : float
        On average.
    removal_mm3_per_s : float
        In the steady part.
    greatest_chip_mm, force_n, torque_nm : float
        NaN where not known.
    per_tooth_mm : float
        Feed per tooth as programmed.
    mc : float
        Exponent of the specific cutting force, by which strength falls with the override.
    offset : str
        Work offset.
    lowest : float
        Deepest place of the tip in the contact [mm].
    span_first : int
        Span in which the contact begins.
    rapid_span : int
        First span that takes material off in a rapid, -1 for none.
    rapid_depth : float
        How deep that span is in the stock [mm].
    """

    contact: Contact
    arc_deg: float
    teeth_in_cut: float
    removal_mm3_per_s: float
    greatest_chip_mm: float
    force_n: float
    torque_nm: float
    per_tooth_mm: float
    mc: float
    offset: str
    lowest: float
    span_first: int
    rapid_span: int = -1
    rapid_depth: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shape:
    """Geometry of a cut in its steady part."""

    way: str
    depth: float
    width: float
    arc: float
    right: float
    left: float
    rate: float
    lowest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    """All that a contact is worked out from; two spans are where it begins, and its middle."""

    touch: Touch
    tool: Tool
    shape: _Shape
    feed: float
    rpm: float
    first: int
    middle: int

    @property
    def flutes(self) -> int:
        return self.tool.flutes or 0

    @property
    def per_tooth(self) -> float:
        """Feed per tooth [mm], NaN where flutes or speed are not known."""
        if not (self.flutes and self.rpm):
            return NAN
        return cutting.feed_per_tooth(feed_mm_per_min=self.feed, rpm=self.rpm, flutes=self.flutes)

    @property
    def chips(self) -> tuple[float, float]:
        """Mean and greatest chip thickness [mm]."""
        return _chips(self.shape, self.tool, self.per_tooth)


class ContactMaker:
    """Makes contacts of one path and job."""

    def __init__(self, path: TimedPath, job: Job, segments: Segments) -> None:
        self.path = path
        self.job = job
        self.segments = segments
        self.material = find_material(job.material)
        self._lows = span_extents(path.spans)[0][:, 2]

    def cut_of(self, touch: Touch, stock: Stock, number: int) -> Cut:
        """The contact of a touch; ids, strength and passes are filled in later."""
        index = touch.records[:, kernels.SEGMENT].astype(np.int64)
        middle = int(self.segments.span[index[len(index) // 2]])
        tool = self.job.tool(int(self.path.spans.tool[middle]))
        assert tool is not None
        made = _Made(
            touch=touch,
            tool=tool,
            shape=self._shape(touch, tool, stock, middle),
            feed=self._feed(middle),
            rpm=float(abs(self.path.spindle_rpm[middle])),
            first=self._span_at(touch.start + 1e-9),
            middle=middle,
        )
        span, depth = self._rapid_span(touch, index, stock)
        cut = self._cut(made, self._contact(made, number))
        return replace(cut, rapid_span=span, rapid_depth=depth)

    def _rapid_span(self, touch: Touch, index: NDArray[np.int64], stock: Stock) -> tuple[int, float]:
        """First rapid that takes material off, also in a contact that a feed move began, and how deep.

        The span is -1 for none.
        """
        spans = self.segments.span[index]
        taken = touch.records[:, kernels.VOLUME]
        for span in np.unique(spans[self.path.spans.kind[spans] == SpanKind.RAPID]):
            if taken[spans == span].sum() > RAPID_TAKES_MM3:
                records = touch.records[spans == span]
                lowest = max(float(self._tips(records).min()), stock.floor)
                return int(span), float(records[:, kernels.TOP].max()) - lowest
        return -1, 0.0

    def _tips(self, records: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lowest place of the tip in each step [mm]."""
        rows = self.segments.rows[records[:, kernels.SEGMENT].astype(np.int64)]
        lengths = np.maximum(np.linalg.norm(rows[:, 3:6] - rows[:, 0:3], axis=1), 1e-12)
        steps = records[:, [kernels.FROM_S, kernels.TO_S]] - rows[:, [kernels.S0]]
        shares = np.clip(steps / lengths[:, None], 0.0, 1.0)
        return np.asarray((rows[:, [2]] + (rows[:, [5]] - rows[:, [2]]) * shares).min(axis=1))

    def _span_at(self, time: float) -> int:
        rows = self.segments.rows
        k = int(np.searchsorted(rows[:, kernels.T0], time, side="right")) - 1
        return int(self.segments.span[max(k, 0)])

    def _feed(self, span: int) -> float:
        feed = float(self.path.feed_mm_per_min[span])
        spans = self.path.spans
        if spans.kind[span] != SpanKind.RAPID and feed > 0.0:
            return feed
        mine = self.segments.span == span
        lasts = float(spans.stop_s[span] - spans.start_s[span])
        return float(self.segments.lengths()[mine].sum() / lasts * 60.0)

    def _shape(self, touch: Touch, tool: Tool, stock: Stock, span: int) -> _Shape:
        records = touch.records
        rows = self.segments.rows[records[:, kernels.SEGMENT].astype(np.int64)]
        lasts = np.maximum(records[:, kernels.TO_S] - records[:, kernels.FROM_S], 1e-9)
        falls = (rows[:, 2] - rows[:, 5]) / np.maximum(
            np.linalg.norm(rows[:, 3:6] - rows[:, 0:3], axis=1), 1e-12
        )
        lowest = self._lowest(rows, touch)
        way = self._way(tool, falls, lasts, span)
        level = np.abs(falls) < 0.9
        if way in ("plunge", "drilling", "spot drilling", "reaming", "tapping") or not level.any():
            return self._down(touch, tool, stock, way, rows, lowest)
        return self._sideways(touch, tool, stock, way, records[level], rows[level], lasts[level], lowest)

    def _lowest(self, rows: NDArray[np.float64], touch: Touch) -> float:
        """Lowest tip of a touch, on an arc that of the arc itself where a chord stops just short of it."""
        lows = np.minimum(rows[:, 2], rows[:, 5])
        of_span = self._lows[self.segments.span[touch.records[:, kernels.SEGMENT].astype(np.int64)]]
        return float(np.where(lows - of_span <= CHORD_MM, of_span, lows).min())

    def _way(self, tool: Tool, falls: NDArray[np.float64], lasts: NDArray[np.float64], span: int) -> str:
        if self.path.spans.kind[span] == SpanKind.RAPID:
            return "rapid"
        named = {"tap": "tapping", "drill": "drilling", "spot drill": "spot drilling", "reamer": "reaming"}
        share_down = float(lasts[falls > 0.9].sum() / lasts.sum())
        if tool.kind in named and share_down > 0.5:
            return named[tool.kind]
        if share_down > 0.5:
            return "plunge"
        share_ramp = float(lasts[(falls > 0.01) & (falls <= 0.9)].sum() / lasts.sum())
        curved = tool.kind in ("ball end mill", "bull nose end mill")
        return "ramp" if share_ramp > 0.6 and not curved else "side cut"

    def _down(
        self, touch: Touch, tool: Tool, stock: Stock, way: str, rows: NDArray[np.float64], lowest: float
    ) -> _Shape:
        top = float(touch.records[:, kernels.TOP].max())
        reach = 2.0 * float(touch.records[:, kernels.REACH].max()) + stock.cell
        spans = self.segments.span[touch.records[:, kernels.SEGMENT].astype(np.int64)]
        lowest = min(lowest, float(self.path.spans.end[spans, 2].min()))  # where nothing is cut any more, too
        depth = min(top, float(touch.place[2])) - max(lowest, stock.floor)
        width = min(tool.diameter, reach)
        return _Shape(
            way=way,
            depth=depth,
            width=width,
            arc=2.0 * math.pi,
            right=-math.pi,
            left=math.pi,
            rate=_near(_steady_rate(touch), math.pi / 4.0 * width**2 * float(np.median(kernels_speed(rows)))),
            lowest=lowest,
        )

    def _sideways(
        self,
        touch: Touch,
        tool: Tool,
        stock: Stock,
        way: str,
        records: NDArray[np.float64],
        rows: NDArray[np.float64],
        lasts: NDArray[np.float64],
        lowest: float,
    ) -> _Shape:
        depth = float(records[:, kernels.DEPTH].max())
        if profile_of(tool)[1:] != (0.0, 0.0):
            tips = np.maximum(self._tips(records), stock.floor)
            depth = float((records[:, kernels.TOP] - tips).max())
        radius = max(radius_at(tool, depth), stock.cell)
        half = 0.5 * stock.cell
        lefts = np.clip((records[:, kernels.LEFT] + half) / radius, -1.0, 1.0)
        rights = np.clip((records[:, kernels.RIGHT] - half) / radius, -1.0, 1.0)
        widths = (lefts - rights) * radius
        width = float(widths.max())
        middle = int(np.searchsorted(np.cumsum(lasts), 0.5 * lasts.sum()))
        right, left = math.asin(rights[middle]), math.asin(lefts[middle])
        exact = (math.sin(touch.left) - math.sin(touch.right)) * tool.diameter / 2.0
        if touch.engaged > 0.0:
            right, left = touch.right, touch.left
            if abs(exact - width) <= 2.0 * stock.cell:
                width = exact
        rate = _steady_rate(touch)
        rate = _near(rate, depth * width * float(np.median(kernels_speed(rows))))
        arc = touch.engaged if touch.engaged > 0.0 else left - right
        return _Shape(
            way=self._way_across(way, tool, width, depth, touch, stock),
            depth=depth,
            width=width,
            arc=max(arc, 1e-3),
            right=right,
            left=left,
            rate=rate,
            lowest=lowest,
        )

    def _way_across(
        self, way: str, tool: Tool, width: float, depth: float, touch: Touch, stock: Stock
    ) -> str:
        if way != "side cut":
            return way
        if tool.kind == "face mill":
            return "face"
        if tool.kind == "chamfer mill":
            return "chamfer"
        x, y = touch.place[0], touch.place[1]
        east, north = stock.east_north
        from_outside = not (stock.grid[0] < x < east and stock.grid[1] < y < north)
        wide = width / tool.diameter
        if from_outside and depth <= 0.15 * tool.diameter and wide >= 0.3 and tool.kind == "flat end mill":
            on_top = float(touch.records[:, kernels.TOP].max()) >= stock.top - 1e-6
            if on_top and width < 0.95 * tool.diameter:
                return "face"
        return "slot" if width >= 0.95 * 2.0 * radius_at(tool, depth) else "side cut"

    def _contact(self, made: _Made, number: int) -> Contact:
        """What the run needs of it; strength and pass come later."""
        touch, shape = made.touch, made.shape
        power = self._power(made)
        x, y, z = (float(value) for value in touch.place)
        return Contact(
            id=number,
            tool=made.tool.number,
            line=int(self.path.spans.line[made.first]),
            block=self.path.block_name(made.first),
            start=touch.start,
            ramp_in=touch.ramp_in,
            ramp_out=touch.ramp_out,
            stop=touch.stop,
            tooth_pass_hz=made.flutes * made.rpm / 60.0,
            power_w=power,
            load_percent=self._load(power, made.rpm),
            place=(x, y, z),
            spindle_rpm=made.rpm,
            flutes=made.flutes,
            feed_mm_per_min=made.feed,
            way=shape.way,
            axial_depth_mm=shape.depth,
            radial_width_mm=shape.width,
            mean_chip_mm=made.chips[0],
            removed_mm3=float(touch.records[:, kernels.VOLUME].sum()),
            climb_share=_climb(touch, shape, self.path.spindle_rpm[made.middle]),
        )

    def _cut(self, made: _Made, contact: Contact) -> Cut:
        """The contact, and what is told of it only on demand."""
        shape, power, rpm = made.shape, contact.power_w, made.rpm
        force = torque = NAN
        if math.isfinite(power) and rpm > 0.0:
            force = cutting.tangential_force(power_w=power, rpm=rpm, diameter_mm=made.tool.diameter)
            torque = cutting.torque(power_w=power, rpm=rpm)
        return Cut(
            contact=contact,
            arc_deg=math.degrees(shape.arc),
            teeth_in_cut=made.flutes * shape.arc / (2.0 * math.pi) if made.flutes else NAN,
            removal_mm3_per_s=shape.rate,
            greatest_chip_mm=made.chips[1],
            force_n=force,
            torque_nm=torque,
            per_tooth_mm=made.per_tooth,
            mc=self.material.mc if self.material is not None else 0.25,
            offset=self.path.offset_names[int(self.path.offset[made.first])],
            lowest=shape.lowest,
            span_first=made.first,
        )

    def _power(self, made: _Made) -> float:
        """Cutting power [W], NaN where material or chip are not known, and in tapping."""
        chip = made.chips[0]
        if self.material is None or made.shape.way == "tapping" or not chip > 0.0:
            return NAN
        return cutting.power(removal_mm3_per_s=made.shape.rate, material=self.material, chip_mm=chip)

    def _load(self, power: float, rpm: float) -> float:
        machine = self.job.machine
        if machine.spindle_power_kw is None or not rpm > 0.0:
            return NAN
        rated = machine.spindle_power_kw * 1000.0
        return (
            100.0 * power / cutting.available_power(rated_w=rated, base_rpm=machine.spindle_base_rpm, rpm=rpm)
        )


def kernels_speed(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Speed of segments [mm/s]."""
    lasts = np.maximum(rows[:, kernels.T1] - rows[:, kernels.T0], 1e-12)
    return np.asarray(np.linalg.norm(rows[:, 3:6] - rows[:, 0:3], axis=1) / lasts)


def _steady_rate(touch: Touch) -> float:
    """Removal between the ramps [mm³/s]; of the whole where there is nothing between."""
    steady = touch.stop - touch.start - touch.ramp_in - touch.ramp_out
    whole = touch.removed / (touch.stop - touch.start)
    n = len(touch.records)
    share_in = touch.ramp_in / (touch.stop - touch.start)
    share_out = touch.ramp_out / (touch.stop - touch.start)
    a, b = math.ceil(n * share_in), n - math.ceil(n * share_out)
    if steady <= 0.0 or b - a < 3:
        return whole
    cut_s = touch.records[a:b, kernels.TO_S] - touch.records[a:b, kernels.FROM_S]
    all_s = touch.records[:, kernels.TO_S] - touch.records[:, kernels.FROM_S]
    pace = all_s.sum() / (touch.stop - touch.start)
    return float(touch.records[a:b, kernels.VOLUME].sum() / cut_s.sum() * pace)


def _near(measured: float, worked_out: float) -> float:
    """A rate by formula, where the grain of the height field alone can tell it from the one measured."""
    return worked_out if measured > 0.0 and abs(worked_out / measured - 1.0) < GRAIN else measured


def _chips(shape: _Shape, tool: Tool, per_tooth: float) -> tuple[float, float]:
    """Mean and greatest chip thickness [mm], thinned along rounded or pointed edges."""
    edge = edge_length(tool, max(shape.depth, 1e-6))
    thinned = max(shape.depth, 1e-6) / edge if edge > 0.0 else 1.0
    if shape.way in WAYS_DOWN and shape.way != "ramp":
        flat = tool.kind in ("reamer", "tap") or tool.kind not in DRILLS
        factor = (
            1.0
            if flat
            else 1.0 / math.hypot(1.0, 1.0 / math.tan(math.radians((tool.point_angle_deg or 118.0) / 2)))
        )
        return per_tooth * factor, per_tooth * factor
    mean = per_tooth * (math.sin(shape.left) - math.sin(shape.right)) / max(shape.left - shape.right, 1e-3)
    greatest = cutting.greatest_chip(per_tooth_mm=per_tooth, right_rad=shape.right, left_rad=shape.left)
    return mean * thinned, greatest * thinned


def _climb(touch: Touch, shape: _Shape, rpm: float) -> float:
    """Share of the material that lies where a clockwise tool climbs: right of the feed."""
    if shape.way in WAYS_DOWN and shape.way != "ramp":
        return NAN
    total = touch.removed
    share = float(touch.records[:, kernels.CLIMB].sum()) / total if total > 0.0 else NAN
    return share if rpm >= 0.0 else 1.0 - share
