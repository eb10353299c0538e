"""Drawings for the sheet's page, as SVG at scale: the set-up from above, and each first touch.

Conventions
-----------
Millimetres inside; the y axis of a drawing points down, so heights are turned round.
"""

import math
from html import escape
from typing import Any

from listen.expect.kernels import rise
from listen.expect.profile import profile_of
from listen.job import KeepOut, Tool

Sheet = dict[str, Any]


def _svg(width: float, height: float, view: tuple[float, float, float, float], body: str, title: str) -> str:
    x, y, w, h = view
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}mm" height="{height:.0f}mm" '
        f'viewBox="{x:.3f} {y:.3f} {w:.3f} {h:.3f}" role="img"><title>{escape(title)}</title>{body}</svg>'
    )


def plan(sheet: Sheet, stock: Sheet, keep_outs: tuple[KeepOut, ...], *, width_mm: float = 70.0) -> str:
    """The stock of one set-up, its zero and first touches, and the keep-outs, as seen from above.

    `keep_outs` are those seen from the set-up's own zero.
    """
    low, high = stock["low"], stock["high"]
    margin = 0.3 * max(high[0] - low[0], high[1] - low[1])
    west, east = min(low[0], 0.0) - margin, max(high[0], 0.0) + margin
    south, north = min(low[1], 0.0) - margin, max(high[1], 0.0) + margin
    wide, deep = east - west, north - south
    thin = wide / 250.0
    parts = []
    if stock["shape"] == "cylinder":
        cx, cy = (low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0
        parts.append(
            f'<circle class="stock" cx="{cx}" cy="{-cy}" r="{(high[0] - low[0]) / 2.0}" '
            f'stroke-width="{thin}"/>'
        )
    else:
        parts.append(
            f'<rect class="stock" x="{low[0]}" y="{-high[1]}" width="{high[0] - low[0]}" '
            f'height="{high[1] - low[1]}" stroke-width="{thin}"/>'
        )
    parts += [_keep_out_rect(k, west, south, east, north, thin) for k in keep_outs]  # some lie on the stock
    parts.append(_zero(0.5 * margin, thin))
    touches = [touch for touch in sheet["first_touches"] if touch["offset"] == stock["offset"]]
    parts += _touches(touches, thin)
    if len(sheet["setup"]["stock"]) > 1:
        parts.append(_named(stock["offset"], west, north, thin))
    title = f"set-up from above, {stock['offset']}"
    return _svg(width_mm, width_mm * deep / wide, (west, -north, wide, deep), "".join(parts), title)


def _named(offset: str, west: float, north: float, thin: float) -> str:
    """The work offset in the corner of its plan."""
    x, y = west + 4 * thin, 14 * thin - north
    return f'<text x="{x:.3f}" y="{y:.3f}" font-size="{12 * thin:.3f}">{escape(offset)}</text>'


def _touches(touches: list[Sheet], thin: float) -> list[str]:
    """A dot at each place of first touch, with the tools that touch there."""
    tools: dict[tuple[float, float], list[str]] = {}
    for touch in touches:
        x, y, _ = touch["shows"]
        tools.setdefault((x, y), []).append(f"T{touch['tool']}")
    return [
        f'<circle class="touch" cx="{x}" cy="{-y}" r="{2 * thin}"/>'
        f'<text x="{x + 3 * thin}" y="{-y - 2 * thin}" font-size="{9 * thin:.3f}">{", ".join(names)}</text>'
        for (x, y), names in tools.items()
    ]


def _keep_out_rect(
    keep_out: KeepOut, west: float, south: float, east: float, north: float, thin: float
) -> str:
    x0, x1 = max(keep_out.box.low[0], west), min(keep_out.box.high[0], east)
    y0, y1 = max(keep_out.box.low[1], south), min(keep_out.box.high[1], north)
    if not (x0 < x1 and y0 < y1):
        return ""
    is_east = x0 + x1 > west + east  # its name runs inwards from the nearer edge, or it would be cut off
    at, anchor = (x1 - 2 * thin, "end") if is_east else (x0 + 2 * thin, "start")
    return (
        f'<rect class="kept" x="{x0}" y="{-y1}" width="{x1 - x0}" height="{y1 - y0}" stroke-width="{thin}"/>'
        f'<text x="{at:.3f}" y="{-y0 - 2 * thin}" text-anchor="{anchor}" font-size="{8 * thin:.3f}">'
        f"{escape(keep_out.name)}</text>"
    )


def _zero(arm: float, thin: float) -> str:
    return (
        f'<path class="zero" d="M0 0H{arm}M0 0V{-arm}" stroke-width="{2 * thin}"/>'
        f'<circle cx="0" cy="0" r="{3 * thin}" class="zero" stroke-width="{1.5 * thin}"/>'
        f'<text x="{arm}" y="{10 * thin}" font-size="{9 * thin:.3f}">X</text>'
        f'<text x="{3 * thin}" y="{-arm}" font-size="{9 * thin:.3f}">Y</text>'
    )


def first_touch(touch: Sheet, stock: Sheet, tool: Tool, label: str, *, width_mm: float = 58.0) -> str:
    """Tool and stock from the side at the first touch, at scale, with what the control shows."""
    along = 1 if abs(touch["heading"][1] or 0.0) > abs(touch["heading"][0] or 0.0) else 0
    radius = tool.diameter / 2.0
    at, z = touch["shows"][along], touch["shows"][2]
    wide = 3.2 * tool.diameter
    left, right = at - wide / 2.0, at + wide / 2.0
    top, bottom = z + 1.3 * tool.diameter, z - 0.9 * tool.diameter
    thin = wide / 220.0
    low, high = stock["low"], stock["high"]
    x0, x1 = max(low[along], left), min(high[along], right)
    z0, z1 = max(low[2], bottom), min(high[2], top)
    parts = []
    if x0 < x1 and z0 < z1:
        parts.append(
            f'<rect class="stock" x="{x0}" y="{-z1}" width="{x1 - x0}" height="{z1 - z0}" '
            f'stroke-width="{thin}"/>'
        )
    parts.append(f'<path class="tool" d="{_silhouette(tool, at, z, top)}" stroke-width="{thin}"/>')
    parts.append(
        f'<path class="zero" d="M{left} {-z}H{at - radius}" stroke-width="{thin}" '
        f'stroke-dasharray="{4 * thin}"/>'
    )
    parts.append(
        f'<text x="{left + thin}" y="{-z - 4 * thin}" font-size="{12 * thin:.3f}">{escape(label)}</text>'
    )
    axis = "XY"[along]
    parts.append(
        f'<text x="{right - 3 * thin}" y="{-bottom - 3 * thin}" text-anchor="end" '
        f'font-size="{10 * thin:.3f}">{axis} →</text>'
    )
    height = top - bottom
    view = (left, -top, wide, height)
    return _svg(width_mm, width_mm * height / wide, view, "".join(parts), f"first touch of T{tool.number}")


def _silhouette(tool: Tool, at: float, z: float, top: float) -> str:
    radius, corner, cot = profile_of(tool)
    steps = 24
    points = []
    for k in range(-steps, steps + 1):
        offset = radius * math.copysign(math.sin(abs(k) / steps * math.pi / 2.0), k)
        points.append((at + offset, -(z + rise(abs(offset), radius, corner, cot))))
    points = [(at - radius, -top), *points, (at + radius, -top)]
    return "M" + "L".join(f"{x:.4f} {y:.4f}" for x, y in points) + "Z"
