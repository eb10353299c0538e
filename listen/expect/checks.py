"""What the stock and the tools show to be wrong before the run."""

import numpy as np

from listen.expect.bite import check_bite
from listen.expect.contacts import Cut
from listen.expect.idle import check_idle
from listen.expect.materials import can_burn, find_material
from listen.expect.mesh_checks import check_meshes
from listen.expect.profile import NOT_JUDGED
from listen.expect.segments import Segments
from listen.expect.stock import Stock
from listen.job import Job
from listen.lengths import length_number, length_text, place_text
from listen.program.path import TimedPath
from listen.program.tell import told
from listen.spans import SpanKind
from listen.timeline import Caution

Hole = tuple[int, int, int, float, float]


def check_stock(
    path: TimedPath, job: Job, segments: Segments, cuts: list[Cut], uncut: dict[str, Stock]
) -> tuple[Caution, ...]:
    """Cautions that need the stock: rapid or standing spindle in material, too deep, not judged."""
    return (
        *_rapids(path, job, cuts),
        *_standing(path, cuts),
        *_below(path, job, cuts, uncut),
        *_too_long(path, job, cuts),
        *check_bite(path, job, segments, cuts),
        *_nothing(path, segments, cuts),
        *check_idle(path, job, segments, cuts, seen_mm=max(stock.cell for stock in uncut.values())),
        *_offsets(path, job, segments),
        *_tools(path, job),
        *_not_obeyed(path),
        *_around(path, job),
        *check_meshes(job, segments),
        *_unchecked(job),
    )


def _rapids(path: TimedPath, job: Job, cuts: list[Cut]) -> list[Caution]:
    return [_rapid(path, cut, job.units) for cut in cuts if cut.contact.way == "rapid" or cut.rapid_span >= 0]


def _rapid(path: TimedPath, cut: Cut, unit: str) -> Caution:
    """Line, depth and place are those of the rapid, also where a feed move began the contact."""
    contact, span = cut.contact, cut.rapid_span
    depth, (x, y, z) = contact.axial_depth_mm, contact.place
    if span >= 0:
        depth = cut.rapid_depth
    if span > cut.span_first:
        x, y, z = (float(v) for v in path.spans.begin[span])
    return told(
        path,
        span if span >= 0 else cut.span_first,
        kind="rapid into stock",
        text=f"T{contact.tool} meets the stock in a rapid move, {length_text(depth, unit, 2)} deep, "
        f"near {place_text((x, y, z), unit)}",
        remedy="do not run this; check the clearance height, the stock in the job and the zero",
    )


def _standing(path: TimedPath, cuts: list[Cut]) -> list[Caution]:
    return [
        told(
            path,
            cut.span_first,
            kind="spindle stopped in contact",
            text=f"T{cut.contact.tool} meets the stock with the spindle stopped",
            remedy="do not run this; the spindle must be started (M3 and a speed) before this line",
        )
        for cut in cuts
        if not cut.contact.spindle_rpm > 0.0
    ]


def _nothing(path: TimedPath, segments: Segments, cuts: list[Cut]) -> list[Caution]:
    """A program that meets no stock is a wrong file, a wrong zero or a wrong stock."""
    if cuts:
        return []
    if not (path.feed_mm_per_min > 0.0).any():
        text, remedy = "the program has no feed move", "is it the right file, and is it whole?"
    elif segments.judged.any():
        text = "the program never touches the stock of this job"
        remedy = "check stock, units and work offset in the job; is it the right program?"
    else:
        return []
    return [Caution(kind="no contact", line=None, text=text, remedy=remedy)]


def _below(path: TimedPath, job: Job, cuts: list[Cut], uncut: dict[str, Stock]) -> list[Caution]:
    found = []
    holes = _holes(path)
    for offset, stock in uncut.items():
        lows = [
            (min(cut.lowest, holes.get(_hole(path, cut.span_first), cut.lowest)), cut)
            for cut in cuts
            if cut.offset == offset
        ]
        deep = [(low, cut) for low, cut in lows if low < stock.floor - 1e-6]
        if deep:
            lowest, worst = min(deep, key=lambda pair: pair[0])
            found.append(
                told(
                    path,
                    worst.span_first,
                    kind="below the underside",
                    text=f"T{worst.contact.tool} goes to Z{length_number(lowest, job.units, 2)}, "
                    f"{length_text(stock.floor - lowest, job.units, 2)} below the stock's underside",
                    remedy="check what lies under the stock: table, vice, parallels",
                )
            )
    return found


def _holes(path: TimedPath) -> dict[Hole, float]:
    """Lowest tip in each hole of a cycle [mm]: a peck may go on where nothing is left to be cut."""
    lows: dict[Hole, float] = {}
    for span in np.flatnonzero(path.cycle != 0).tolist():
        hole = _hole(path, span)
        lows[hole] = min(lows.get(hole, np.inf), float(path.spans.end[span, 2]))
    return lows


def _hole(path: TimedPath, span: int) -> Hole:
    """File, line and place in the plane of the table, for a span of a cycle the hole that it is in."""
    x, y, _ = path.spans.end[span].tolist()
    cycle, file, line = int(path.cycle[span]), int(path.file[span]), int(path.spans.line[span])
    return cycle, file, line, round(x, 6), round(y, 6)


def _too_long(path: TimedPath, job: Job, cuts: list[Cut]) -> list[Caution]:
    found: dict[int, Caution] = {}
    for cut in cuts:
        tool = job.tool(cut.contact.tool)
        depth = cut.contact.axial_depth_mm
        if tool is None or tool.cutting_length is None or not depth > tool.cutting_length + 1e-6:
            continue
        found.setdefault(
            tool.number,
            told(
                path,
                cut.span_first,
                kind="deeper than the cutting length",
                text=f"T{tool.number} cuts {length_text(depth, job.units, 2)} deep, "
                f"its cutting length is {length_text(tool.cutting_length, job.units, 2)}",
                remedy="the shank will rub; check the tool and the depth",
            ),
        )
    return list(found.values())


def _offsets(path: TimedPath, job: Job, segments: Segments) -> list[Caution]:
    known = {setup.offset.upper() for setup in job.setups}
    used = np.unique(path.offset[np.unique(segments.span)]) if segments.span.size else np.empty(0, np.int16)
    return [
        Caution(
            kind="not judged",
            line=None,
            text=f"moves under {path.offset_names[int(index)]} are not judged: "
            "the job has no stock for this offset",
            remedy=f"add [[setup]] with offset = {path.offset_names[int(index)]!r} and its stock to the job",
        )
        for index in used
        if path.offset_names[int(index)].upper() not in known
    ]


def _tools(path: TimedPath, job: Job) -> list[Caution]:
    found = []
    feeding = path.feed_mm_per_min > 0.0
    for number in np.unique(path.spans.tool[feeding]):
        tool = job.tool(int(number))
        if tool is None:
            found.append(
                told(
                    path,
                    int(np.flatnonzero(feeding & (path.spans.tool == number))[0]),
                    kind="tool not in the job",
                    text=f"T{number} is not in the job: its contacts are not judged",
                    remedy=f"add [[tools]] with number = {number} to the job",
                )
            )
        elif tool.kind in NOT_JUDGED:
            found.append(
                Caution(
                    kind="not judged",
                    line=None,
                    text=f"T{number} ({tool.kind}) is not judged: "
                    "its contact is not what a height field can tell",
                    remedy="watch this tool as if there were no sheet",
                )
            )
    return found


def _not_obeyed(path: TimedPath) -> list[Caution]:
    rigid = np.flatnonzero(path.spans.kind == SpanKind.RIGID)
    if not rigid.size:
        return []
    return [
        told(
            path,
            int(rigid[0]),
            kind="hold may not be obeyed",
            text="tapping, threading or M49 from here: feed hold and override may not act until it is over",
            remedy="know what emergency stop does here; see the machine's manual",
        )
    ]


def _around(path: TimedPath, job: Job) -> list[Caution]:
    """What of clamps and holders is not checked because the job does not give it."""
    used = set(path.spans.tool[path.feed_mm_per_min > 0.0].tolist())
    bare = [t for t in job.tools if t.number in used and (t.stick_out is None or t.holder_diameter is None)]
    text, remedy = "", ""
    if not job.keep_outs:
        text = f"clamps {'and holder ' if bare else ''}not checked: the job names no keep-outs"
        remedy = "add [[keep_out]] boxes for vice jaws and clamps, or check each approach by eye"
    elif bare:
        names = ", ".join(f"T{tool.number}" for tool in bare)
        text = f"holder not checked for {names}: the job does not give stick_out and holder_diameter"
        remedy = "add both to these [[tools]], or check by eye that the holder stays clear"
    found = [Caution(kind="not checked", line=None, text=text, remedy=remedy)] if text else []
    return found + _same_zero(path, job)


def _same_zero(path: TimedPath, job: Job) -> list[Caution]:
    """Set-ups that share the first one's zero: keep-outs are told from there."""
    used = {path.offset_names[int(index)].upper() for index in np.unique(path.offset)}
    names = [s.offset for s in job.setups[1:] if s.zero == job.setups[0].zero and s.offset.upper() in used]
    if not (job.keep_outs and names):
        return []
    first = job.setups[0].offset
    text = f"keep-outs under {', '.join(names)} are checked as if its zero lay where that of {first} lies"
    remedy = "write in its [[setup]] how far off it lies: zero = [x, y, z], in the first set-up's coordinates"
    return [Caution(kind="not checked", line=None, text=text, remedy=remedy)]


def _unchecked(job: Job) -> list[Caution]:
    found = []
    if find_material(job.material) is None:
        name = (
            f"{job.material.name!r} is not in the table" if job.material.name else "the job names no material"
        )
        found.append(
            Caution(
                kind="not checked",
                line=None,
                text=f"power and load not known: {name}",
                remedy="give material, or kc11 and mc, in [stock]",
            )
        )
    if can_burn(job.material):
        found.append(
            Caution(
                kind="fire",
                line=None,
                text="chips of this material can burn, thin ones most of all",
                remedy="keep a class D extinguisher at hand and no water near; "
                "follow the machine's manual and local rules",
            )
        )
    return found
