"""The set-up said back: in plain sentences and as a plan in letters, to be checked at the machine."""

import math

from listen.expect.facts import Facts
from listen.expect.materials import find_material
from listen.job import Box, Cylinder, Job, Material, Tool


def said_back(facts: Facts, job: Job) -> str:
    """The set-up in plain sentences, for a person to check against the machine."""
    scale = 25.4 if facts.units == "inch" else 1.0
    stock = job.setups[0].stock
    if not isinstance(stock, Box | Cylinder):
        return "The stock is not a box or a round: check it on the sheet."
    low_z, high_z = (stock.low[2], stock.high[2]) if isinstance(stock, Box) else (stock.low_z, stock.high_z)
    floor, top = low_z / scale, high_z / scale
    where = (
        "the top" if abs(top) < 1e-9 else "the underside" if abs(floor) < 1e-9 else f"{top:g} below the top"
    )
    above = facts.lowest_above(floor)
    others = [offset for offset in facts.offsets if offset not in {setup.offset for setup in job.setups}]
    lines = [
        f"Z0 is {where} of the stock; deepest {_signed(facts.deepest)}; {above}.",
        f"Stock {_size(stock, scale)} {facts.units}{_of(job.material)}.",
        *(_tool_said(tool, scale, facts.units) for tool in job.tools),
        *(f"Moves under {offset} are not judged: add a [[setup]] with its stock." for offset in others),
    ]
    if job.keep_outs:
        lines.append("Kept out of: " + ", ".join(keep_out.name for keep_out in job.keep_outs) + ".")
    else:
        lines.append("Clamps and holder are not checked.")
    return "\n".join(lines)


def _tool_said(tool: Tool, scale: float, unit: str) -> str:
    flutes = "flutes not given" if tool.flutes is None else f"{tool.flutes} flutes"
    pitch = "" if tool.pitch is None else f", pitch {tool.pitch / scale:.6g} {unit}"
    return f"T{tool.number} is a {tool.kind} of {tool.diameter / scale:g} {unit}, {flutes}{pitch}."


def _of(material: Material) -> str:
    if not material.name:
        return ", material not given"
    found = find_material(material)
    return f" of {material.name}" + (f" (group {found.group})" if found else " (not in the table)")


def _size(stock: Box | Cylinder, scale: float) -> str:
    if isinstance(stock, Cylinder):
        return f"⌀{stock.diameter / scale:g} × {(stock.high_z - stock.low_z) / scale:g}"
    return " × ".join(f"{(b - a) / scale:g}" for a, b in zip(stock.low, stock.high, strict=True))


def _signed(value: float) -> str:
    return f"{value:+g}".replace("-", "−").replace("+0", "0") if value else "0"


def drawn(job: Job) -> str:
    """Plan of stock, zero and keep-outs in letters, under a line that says which is which."""
    stock = job.setups[0].stock
    if not isinstance(stock, Box | Cylinder):
        return ""
    if isinstance(stock, Box):
        west, south, east, north = *stock.low[:2], *stock.high[:2]
    else:
        (x, y), r = stock.centre, stock.diameter / 2.0
        west, south, east, north = x - r, y - r, x + r, y + r
    margin = 0.35 * max(east - west, north - south)
    left, bottom = min(west - margin, -margin), min(south - margin, -margin)
    wide = max(east + margin, margin) - left
    high = max(north + margin, margin) - bottom
    n_x, n_y = 48, max(8, round(24 * high / wide))
    rows = []
    for j in reversed(range(n_y)):
        y = bottom + (j + 0.5) * high / n_y
        row = [_letter(job, stock, left + (i + 0.5) * wide / n_x, y) for i in range(n_x)]
        if bottom + j * high / n_y <= 0.0 < bottom + (j + 1) * high / n_y:
            row[int(-left / wide * n_x + 1e-6)] = "+"
        rows.append("".join(row).rstrip())
    marks = "# stock, k keep-out, + X0 Y0" if job.keep_outs else "# stock, + X0 Y0"
    return f"Seen from above ({marks}):\n" + "\n".join(rows).strip("\n")


def _letter(job: Job, stock: Box | Cylinder, x: float, y: float) -> str:
    if isinstance(stock, Box):
        inside = stock.low[0] <= x <= stock.high[0] and stock.low[1] <= y <= stock.high[1]
    else:
        inside = math.hypot(x - stock.centre[0], y - stock.centre[1]) <= stock.diameter / 2.0
    if inside:
        return "#"
    kept = any(
        k.box.low[0] <= x <= k.box.high[0] and k.box.low[1] <= y <= k.box.high[1] for k in job.keep_outs
    )
    return "k" if kept else " "
