"""The first-run sheet as plain data: what terminal, JSON and page show.

Conventions
-----------
Lengths are in mm (`shown_in` says in which unit to show them), times in seconds at 100 %
unless named otherwise. What is not known is null.
"""

import hashlib
import json
import math
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.approach import Approach, Rung
from listen.contact import Contact
from listen.expect.approach import least_override
from listen.expect.contacts import Cut
from listen.expect.expected import Expected
from listen.expect.facts import program_units
from listen.expect.sheet_programs import programs_of
from listen.expect.stock import outline_of
from listen.expect.stopping import RealClock
from listen.job import After, Job, Setup
from listen.program.facts import span_extents
from listen.program.path import TimedPath
from listen.spans import SpanKind
from listen.timeline import HoldPoint, StopWay

FORMAT = "cut-listen sheet 1"
OVERRIDES = (10, 25, 50, 100)
Sheet = dict[str, Any]


def sheet_of(expected: Expected, path: TimedPath, job: Job) -> Sheet:
    """The whole sheet as data that JSON can hold."""
    timeline, cuts = expected.timeline, list(expected.cuts)
    sheet = {
        "format": FORMAT,
        "program": path.program,
        "checksum": _checksum(job),
        "kind": job.kind,
        "shown_in": job.units,
        "written_in": program_units(path.listing),
        "feed_override": job.machine.feed_override,
        "rapid_override": job.machine.rapid_override,
        "warnings": [_warning(c.kind, c.line, c.text, c.remedy) for c in timeline.cautions],
        "setup": _setup(expected, path, job),
        "tools": [_tool(job, cuts, number) for number in _tools_in_order(path, cuts)],
        "first_touches": [_first_touch(a, expected, path, job) for a in expected.timeline.approaches],
        "passes": [_pass(expected, number) for number in range(len(timeline.passes))],
        "contacts": [_contact(cut) for cut in cuts],
        "holds": [_hold(hold) for hold in timeline.holds],
        "times": [_time_at(path, percent) for percent in OVERRIDES],
        "duration_s": timeline.duration,
    }
    return {**sheet, "block_names": _block_names(path, sheet)}


def sheet_schema() -> dict[str, Any]:
    """JSON Schema of the sheet."""
    text = resources.files("listen.expect").joinpath("sheet.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _block_names(path: TimedPath, sheet: Sheet) -> dict[str, str]:
    """N words of the lines that a sheet names, where only one file can be meant: controls show these."""
    pairs = np.unique(np.stack([path.spans.line, path.file], axis=1), axis=0)
    files: dict[int, set[int]] = {}
    for line, file in pairs.tolist():
        files.setdefault(line, set()).add(file)
    found = {}
    for line in sorted(_lines_in(sheet)):
        mine = files.get(line, set(range(len(path.files))))
        name = path.blocks.get((min(mine), line)) if len(mine) == 1 else None
        if name is not None:
            found[str(line)] = name
    return found


def _lines_in(value: Any) -> set[int]:
    """Program lines named anywhere in a part of a sheet."""
    if isinstance(value, list):
        return set().union(*(_lines_in(item) for item in value))
    if not isinstance(value, dict):
        return set()
    own = {value["line"]} if isinstance(value.get("line"), int) else set()
    if isinstance(value.get("lines"), list):
        own |= set(value["lines"])
    return own.union(*(_lines_in(item) for item in value.values()))


def _known(value: float | None, digits: int = 4) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), digits) + 0.0


def _place(place: tuple[float, float, float]) -> list[float | None]:
    return [_known(v) for v in place]


def _checksum(job: Job) -> str | None:
    program = job.programs[0]
    return hashlib.sha256(program.read_bytes()).hexdigest()[:12] if program.is_file() else None


def _warning(kind: str, line: int | None, text: str, remedy: str) -> Sheet:
    return {"kind": kind, "line": line, "text": text, "remedy": remedy}


def _setup(expected: Expected, path: TimedPath, job: Job) -> Sheet:
    lows, highs = span_extents(path.spans)
    known = np.isfinite(lows).all(axis=1)
    low = lows[known].min(axis=0) if known.any() else np.full(3, np.nan)
    high = highs[known].max(axis=0) if known.any() else np.full(3, np.nan)
    stocks = [_stock(setup, expected) for setup in job.setups]
    lowest, above = _lowest(path, lows[:, 2], stocks)
    return {
        "programs": programs_of(path, job),
        "material": job.material.name or None,
        "offsets_used": [path.offset_names[int(i)] for i in np.unique(path.offset)],
        "stock": stocks,
        "keep_outs": [
            {"name": k.name, "low": list(k.box.low), "high": list(k.box.high)} for k in job.keep_outs
        ],
        "lowest_z": _known(lowest),
        "above_underside": _known(above),
        "travel": {"low": _place((low[0], low[1], low[2])), "high": _place((high[0], high[1], high[2]))},
    }


def _lowest(path: TimedPath, lows: NDArray[np.float64], stocks: list[Sheet]) -> tuple[float, float]:
    """Lowest Z in feed and how far that is above the underside, in the set-up where it comes nearest [mm]."""
    spans = path.spans
    feeding = np.isin(spans.kind, (int(SpanKind.FEED), int(SpanKind.RIGID))) & np.isfinite(spans.end[:, 2])
    found = []
    for stock in stocks:
        named = [i for i, name in enumerate(path.offset_names) if name.upper() == stock["offset"].upper()]
        mine = feeding & np.isin(path.offset, named)
        if mine.any():
            found.append((float(lows[mine].min()), stock["low"][2]))
    lowest, floor = min(found, key=lambda pair: pair[0] - pair[1], default=(math.nan, math.nan))
    return lowest, lowest - floor


def _stock(setup: Setup, expected: Expected) -> Sheet:
    if isinstance(setup.stock, After):
        stock = expected.uncut[setup.offset]
        east, north = stock.east_north
        bounds = (stock.grid[0], stock.grid[1], stock.floor, east, north, stock.top)
    else:
        bounds = outline_of(setup.stock)
    cell = expected.uncut[setup.offset].cell
    return {
        "offset": setup.offset,
        "shape": type(setup.stock).__name__.lower(),
        "low": [_known(v) for v in bounds[:3]],
        "high": [_known(v) for v in bounds[3:]],
        "cell": _known(cell),
    }


def _tools_in_order(path: TimedPath, cuts: list[Cut]) -> list[int]:
    """Tools that feed or touch: one that only meets the stock in a rapid is told, too."""
    touching = np.array([cut.contact.tool for cut in cuts], dtype=path.spans.tool.dtype)
    used = path.spans.tool[(path.feed_mm_per_min > 0.0) | np.isin(path.spans.tool, touching)]
    return list(dict.fromkeys(int(number) for number in used))


def _tool(job: Job, cuts: list[Cut], number: int) -> Sheet:
    tool = job.tool(number)
    contacts = [cut.contact for cut in cuts if cut.contact.tool == number]
    lowest = [cut.lowest for cut in cuts if cut.contact.tool == number]
    return {
        "number": number,
        "kind": tool.kind if tool else None,
        "diameter": _known(tool.diameter) if tool else None,
        "corner_radius": _known(tool.corner_radius) if tool else None,
        "point_angle_deg": _known(tool.point_angle_deg) if tool else None,
        "flutes": tool.flutes if tool else None,
        "name": tool.name if tool else "",
        "h": tool.h if tool and tool.h is not None else number,
        "d": tool.d if tool and tool.d is not None else number,
        "contacts": len(contacts),
        "lowest_z": _known(min(lowest)) if lowest else None,
        "least_override": _known(least_override(cuts, job, number), 1),
    }


def _is_look(hold: HoldPoint, first: Contact, expected: Expected) -> bool:
    """Whether to stop there for a look: from a tool's first contact on, with room, where holds are obeyed."""
    if hold.contact < first.id or not hold.has_room:
        return False
    is_own = expected.timeline.contacts[hold.contact - 1].tool == first.tool
    return is_own and not (hold.how is StopWay.FEED_HOLD and "not be obeyed" in hold.note)


def _first_touch(approach: Approach, expected: Expected, path: TimedPath, job: Job) -> Sheet:
    cut = expected.cuts[approach.contact - 1]
    contact = cut.contact
    look = next((hold for hold in expected.timeline.holds if _is_look(hold, contact, expected)), None)
    return {
        "tool": approach.tool,
        "contact": contact.id,
        "line": contact.line,
        "block": contact.block,
        "offset": cut.offset,
        "shows": _place(approach.touch),
        "downwards": approach.downwards,
        "heading": _heading(expected, contact),
        "hears": what_is_heard(contact, path, job),
        "audible": str(contact.audible),
        "ladder": [_rung(rung) for rung in approach.rungs],
        "look": _hold(look) if look is not None else None,
    }


def _heading(expected: Expected, contact: Contact) -> list[float | None]:
    """Direction of the move at first touch."""
    rows = expected.segments.rows
    k = max(int(np.searchsorted(rows[:, 6], contact.start, side="right")) - 1, 0)
    way = rows[k, 3:6] - rows[k, 0:3]
    length = float(np.linalg.norm(way))
    x, y, z = way / length if length > 0.0 else way
    return _place((x, y, z))


def what_is_heard(contact: Contact, path: TimedPath, job: Job) -> str:
    """What the first seconds of a contact will sound like, in plain words; tapping runs at its own pace."""
    feed, rapid = job.machine.feed_override, job.machine.rapid_override
    clock = RealClock(path, feed=feed / 100.0, rapid=rapid / 100.0)
    ramp = clock.between(contact.start, contact.start + contact.ramp_in)
    grows = "at once" if ramp < 0.1 else f"growing over {ramp:.1f} s"
    lasts = clock.between(contact.start, contact.stop)
    tone = ""
    if contact.tooth_pass_hz > 0.0:
        single = contact.tooth_pass_hz < 40.0
        tone = f", {'single hits' if single else 'a tone'} at {contact.tooth_pass_hz:.0f} Hz"
    return f"{contact.way}{tone}, {grows}, for {lasts:.1f} s at {_pace(contact, path, feed, rapid)}"


def _pace(contact: Contact, path: TimedPath, feed: float, rapid: float) -> str:
    """The override that a contact obeys where it begins, in words."""
    span = min(int(np.searchsorted(path.spans.stop_s, contact.start, side="right")), len(path.spans) - 1)
    kind = path.spans.kind[span]
    if kind == SpanKind.RIGID:
        return "any override"
    return f"{rapid:g} % rapid" if kind == SpanKind.RAPID else f"{feed:g} %"


def _rung(rung: Rung) -> Sheet:
    return {
        "left": _known(rung.left_mm),
        "shows": _place(rung.place),
        "to_go": _place(rung.to_go_mm),
        "line": rung.line,
        "rapid": rung.rapid,
        "highest_override": rung.highest_override,
        "compare": rung.compare,
    }


def _pass(expected: Expected, number: int) -> Sheet:
    made = expected.timeline.passes[number]
    contacts = [expected.timeline.contacts[i - 1] for i in made.contact_ids]
    heard = {str(contact.audible) for contact in contacts}
    lines = [contact.line for contact in contacts]
    return {
        "id": made.id,
        "tool": made.tool,
        "name": made.name,
        "contacts": list(made.contact_ids),
        "lines": [min(lines), max(lines)],
        "blocks": [contacts[0].block, contacts[-1].block],
        "start_s": _known(contacts[0].start),
        "stop_s": _known(contacts[-1].stop),
        "in_cut_s": _known(sum(contact.stop - contact.start for contact in contacts)),
        "audible": next(a for a in ("easy", "faint", "not by ear") if a in heard),
        "strength_db": _known(max(contact.strength_db for contact in contacts), 1),
    }


def _contact(cut: Cut) -> Sheet:
    c = cut.contact
    return {
        "id": c.id,
        "pass": c.pass_id,
        "tool": c.tool,
        "line": c.line,
        "block": c.block,
        "offset": cut.offset,
        "way": c.way,
        "start_s": _known(c.start),
        "ramp_in_s": _known(c.ramp_in),
        "ramp_out_s": _known(c.ramp_out),
        "stop_s": _known(c.stop),
        "place": _place(c.place),
        "axial_depth": _known(c.axial_depth_mm),
        "radial_width": _known(c.radial_width_mm),
        "arc_deg": _known(cut.arc_deg, 2),
        "climb_share": _known(c.climb_share, 3),
        "teeth_in_cut": _known(cut.teeth_in_cut, 3),
        "feed_mm_per_min": _known(c.feed_mm_per_min),
        "spindle_rpm": _known(c.spindle_rpm),
        "spindle_hz": _known(c.spindle_rpm / 60.0, 3),
        "tooth_pass_hz": _known(c.tooth_pass_hz, 3),
        "feed_per_tooth": _known(cut.per_tooth_mm, 5),
        "mean_chip": _known(c.mean_chip_mm, 5),
        "greatest_chip": _known(cut.greatest_chip_mm, 5),
        "removed_mm3": _known(c.removed_mm3, 2),
        "removal_mm3_per_s": _known(cut.removal_mm3_per_s, 3),
        "force_n": _known(cut.force_n, 2),
        "power_w": _known(c.power_w, 2),
        "torque_nm": _known(cut.torque_nm, 3),
        "load_percent": _known(c.load_percent, 2),
        "strength_db": _known(c.strength_db, 2),
        "audible": str(c.audible),
        "reveals": str(c.reveals),
    }


def _hold(hold: HoldPoint) -> Sheet:
    return {
        "contact": hold.contact,
        "line": hold.line,
        "block": hold.block,
        "how": str(hold.how),
        "from_s": _known(hold.from_s),
        "until_s": _known(hold.until_s),
        "travel": _known(hold.travel_mm, 2),
        "clear": _known(hold.clear_mm, 2),
        "time_to_press_s": _known(hold.time_to_press_s, 2),
        "has_room": hold.has_room,
        "cue": hold.cue,
        "next_contact": hold.next_contact,
        "note": hold.note,
    }


def _time_at(path: TimedPath, percent: int) -> Sheet:
    clock = RealClock(path, feed=percent / 100.0, rapid=percent / 100.0)
    end = float(path.spans.stop_s[-1]) if len(path.spans) else 0.0
    return {"override": percent, "seconds": _known(clock.at(end), 1)}
