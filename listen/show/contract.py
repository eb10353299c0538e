"""What pages are told: the shared words as plain values, for live, replay and coach alike.

Conventions
-----------
Times of the recording end in ``_s`` and are seconds; ``program_s`` is program time at 100 %.
NaN does not exist on a page: it is null. Names are those of the files (design: run.json).
"""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from listen.blocks import LOAD_UNITS, Gap, LoadSample
from listen.contact import Contact
from listen.followed import Position, Strength, Verdict, VerdictKind
from listen.lengths import MM_PER, length_number
from listen.marks import Look, Mark
from listen.record import Listing, Run, RunContact, RunHold, Stretch
from listen.record.words import SURE, contact_labels, how_sure, run_sentence
from listen.spans import Spans
from listen.states import Event, Finding, Learnt
from listen.timeline import Timeline
from listen.told import Cue, Flag
from listen.where import said_block

FIXED_LINE = "This screen cannot stop the machine. Watch the machine."
Told = Event | Finding | Learnt | Gap | LoadSample | Position | Verdict | Cue | Flag | Mark | Look
_ARC_STEP_RAD = math.radians(10.0)
_MOST_SPANS = 20_000


def page_message(item: Told, rate: int, unit: str = "mm") -> dict[str, Any]:
    """One thing that was decided, as a page is told it: ``{"type": "event", ...}``."""
    if isinstance(item, Event):
        told: dict[str, Any] = {"type": "event", "state": str(item.state), "at_s": item.at / rate}
        return told | {
            "decided_s": item.decided_at / rate,
            "probability": item.probability,
            "standing": str(item.standing),
        }
    if isinstance(item, Verdict):
        return {"type": "verdict", **_verdict(item, rate)}
    if isinstance(item, Position):
        return {"type": "position", **_position(item, rate, None)}
    if isinstance(item, Gap):
        return {"type": "gap", **_gap(item, rate)}
    if isinstance(item, LoadSample):
        return {"type": "load", "at_s": item.at / rate, "value": item.percent, "unit": LOAD_UNITS[item.kind]}
    if isinstance(item, Finding):
        return {"type": "finding", **_finding(item, rate)}
    if isinstance(item, Learnt):
        return {"type": "learnt", "at_s": item.at / rate, "part": item.part}
    if isinstance(item, Mark):
        return {"type": "mark", "at_s": item.at / rate, "text": mark_text(item, unit)}
    kind = {Cue: "cue", Flag: "flag", Look: "look"}[type(item)]
    told = {"type": kind, "at_s": item.at / rate, "contact": item.contact, "text": item.text}
    return told if isinstance(item, Look) else told | {"kind": item.kind}


def mark_text(mark: Mark, unit: str = "mm") -> str:
    """A mark in words: "feed override 20 %", "position Z -1"; places in the unit of the job."""
    places = zip("XYZ", mark.place, strict=True)
    read = [f"{axis} {round(value / MM_PER[unit], 5):g}" for axis, value in places if value == value]
    value = [] if math.isnan(mark.value) else [f"{mark.value:g}{' %' if 'override' in mark.kind else ''}"]
    return " ".join([str(mark.kind), *value, *read])


def run_page(run: Run) -> dict[str, Any]:
    """All that the replay page is told of a run, its sound and spectrum apart."""
    rate, unit = run.rate, run.timeline.shown_in if run.timeline else "mm"
    flagged = {flag.contact for flag in run.flags}
    sheet = {contact.id: contact for contact in run.timeline.contacts} if run.timeline else {}
    labels = contact_labels(run.contacts)
    return {
        "sentence": run_sentence(run),
        "made": run.header.is_made,
        "of_made_sound": run.header.of_made_sound,
        "program": run.header.program,
        "unit": unit,
        "kind": run.header.kind,
        "started": run.header.started,
        "source": run.header.source,
        "material": run.header.material,
        "complete": run.complete,
        "problem": run.problem,
        "sample_rate": rate,
        "duration_s": run.duration / rate,
        "expected": [
            expected_lane(sheet[row.id], row.expected, rate, flagged=row.id in flagged)
            for row in run.contacts
            if row.id in sheet and row.expected is not None
        ],
        "heard": heard_lane(run.heard, run.duration, rate),
        "flags": [_flag(flag, rate) for flag in sorted(run.flags, key=lambda flag: flag.at)],
        "load": [{"at_s": sample.at / rate, "value": sample.percent} for sample in run.loads],
        "load_unit": LOAD_UNITS[run.loads[0].kind] if run.loads else "%",
        "position": [_position(position, rate, run.timeline) for position in run.positions],
        "gaps": [_gap(gap, rate) for gap in run.gaps],
        "marks": [{"at_s": mark.at / rate, "text": mark_text(mark, unit)} for mark in run.marks],
        "contacts": [_contact(row, sheet.get(row.id), run, labels[row.id]) for row in run.contacts]
        if run.timeline
        else _heard_alone(run),
        "holds": [
            {
                "contact": hold.contact,
                "where": said_block(_block_of(hold, run.timeline), hold.line),
                "how": hold.how,
            }
            | {"from_s": hold.start / rate, "to_s": hold.stop / rate}
            | {"time_to_press_s": _finite(hold.time_to_press_s), "clear_mm": _finite(hold.clear_mm)}
            for hold in run.holds
        ],
        "looks": [
            {
                "at_s": look.at / rate,
                "contact": look.contact,
                "text": look.text,
                "place": place_text(look, unit),
            }
            for look in run.looks
        ],
        "findings": [_finding(finding, rate) for finding in run.findings],
        "plan": plan(run.timeline.spans) if run.timeline else None,
        "listing": list(run.listings[0].lines) if run.listings else [],
        "called": {listing.name: list(listing.lines) for listing in run.listings[1:] if _runs(run, listing)},
    }


def place_text(look: Look, unit: str = "mm") -> str:
    """The place that was read off in a look: "Z -1.00", "" where none was."""
    read = zip("XYZ", look.place, strict=True)
    return " ".join(f"{axis} {length_number(value, unit, 2)}" for axis, value in read if value == value)


def expected_lane(contact: Contact, place: Stretch, rate: int, *, flagged: bool) -> dict[str, Any]:
    """One expected contact on the time axis of the recording."""
    length = place.offset - place.onset
    share = length / (contact.stop - contact.start) / rate
    return {
        "id": contact.id,
        "label": contact.block,
        "from_s": place.onset / rate,
        "full_s": place.onset / rate + contact.ramp_in * share,
        "thin_s": place.offset / rate - contact.ramp_out * share,
        "to_s": place.offset / rate,
        "tooth_pass_hz": _finite(contact.tooth_pass_hz),
        "flagged": flagged,
    }


def heard_lane(events: Sequence[Event], duration: int, rate: int) -> list[dict[str, Any]]:
    """What was heard, state after state, each to where the next begins."""
    ends = [*(event.at for event in events), duration][1:]
    return [
        {
            "state": str(event.state),
            "from_s": event.at / rate,
            "to_s": max(event.at, end) / rate,
            "probability": event.probability,
        }
        for event, end in zip(events, ends, strict=True)
    ]


def sheet_page(timeline: Timeline, listing: Sequence[str]) -> dict[str, Any]:
    """What a page is told before the run: contacts in program time, the plan, the listing."""
    return {
        "program": timeline.program,
        "unit": timeline.shown_in,
        "kind": timeline.kind,
        "duration_s": timeline.duration,
        "contacts": [
            {
                "id": contact.id,
                "label": contact.block,
                "line": contact.line,
                "tool": contact.tool,
                "way": contact.way,
                "start_s": contact.start,
                "full_s": contact.start + contact.ramp_in,
                "thin_s": contact.stop - contact.ramp_out,
                "stop_s": contact.stop,
                "place": [_finite(value) for value in contact.place],
                "tooth_pass_hz": _finite(contact.tooth_pass_hz),
                "load_percent": _finite(contact.load_percent),
            }
            for contact in timeline.contacts
        ],
        "plan": plan(timeline.spans),
        "listing": list(listing),
    }


def plan(spans: Spans) -> dict[str, Any]:
    """The path seen from above: corner points in mm, each with its program time.

    Returns
    -------
    dict
        ``program_s``, ``x``, ``y``, ``z``: lists of one length; ``cut``: whether the piece that
        leads to each point is a feed move; null coordinates where the place is not known.
    """
    step = max(1, math.ceil(len(spans) / _MOST_SPANS))
    rows = [_points(spans, i) for i in range(0, len(spans), step)]
    points = np.concatenate(rows) if rows else np.zeros((0, 5))
    columns = {
        name: [_rounded(value) for value in points[:, i]] for i, name in enumerate(("program_s", *"xyz"))
    }
    return {**columns, "cut": [bool(value) for value in points[:, 4]]}


def _points(spans: Spans, index: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Corner points of one span: program time, place, whether it is a feed move."""
    sweep = float(spans.sweep[index])
    n_pieces = max(1, math.ceil(abs(sweep) / _ARC_STEP_RAD)) if math.isfinite(sweep) else 1
    share = np.linspace(0.0, 1.0, n_pieces + 1)
    time = spans.start_s[index] + share * (spans.stop_s[index] - spans.start_s[index])
    place = spans.begin[index] + share[:, None] * (spans.end[index] - spans.begin[index])
    if n_pieces > 1:
        first, second = {0: (1, 2), 1: (2, 0), 2: (0, 1)}[int(spans.axis[index])]
        arm = (spans.begin[index] - spans.centre[index])[[first, second]]
        cos, sin = np.cos(share * sweep), np.sin(share * sweep)
        place[:, first] = spans.centre[index, first] + cos * arm[0] - sin * arm[1]
        place[:, second] = spans.centre[index, second] + sin * arm[0] + cos * arm[1]
    cut = np.full(n_pieces + 1, float(spans.kind[index] in (1, 2)))
    return np.column_stack([time, place, cut])


def _rounded(value: float) -> float | None:
    return round(float(value), 3) if math.isfinite(value) else None


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _runs(run: Run, listing: Listing) -> bool:
    """Whether lines of a file beside the main program are run."""
    return run.timeline is not None and any(part.file == listing.name for part in run.timeline.elsewhere)


def _block_of(hold: RunHold, timeline: Timeline | None) -> str:
    """The line of a hold as the sheet names it, "" where the sheet has no name for it."""
    alike = [one for one in timeline.holds if one.contact == hold.contact] if timeline else []
    return next((one.block for one in alike if (one.line, str(one.how)) == (hold.line, hold.how)), "")


def _position(position: Position, rate: int, timeline: Timeline | None) -> dict[str, Any]:
    file = timeline.file_at(position.program_time) if timeline else ""
    return ({"file": file} if file else {}) | {
        "at_s": position.at / rate,
        "program_s": round(position.program_time, 3),
        "line": position.line,
        "rate": round(position.rate, 3),
        "next": position.next_contact,
    }


def _gap(gap: Gap, rate: int) -> dict[str, Any]:
    return {"from_s": gap.start / rate, "to_s": gap.stop / rate, "reason": gap.reason}


def _flag(flag: Flag, rate: int) -> dict[str, Any]:
    return {"at_s": flag.at / rate, "kind": flag.kind, "contact": flag.contact, "text": flag.text}


def _finding(finding: Finding, rate: int) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "from_s": finding.start / rate,
        "to_s": finding.stop / rate,
        "frequency_hz": _finite(finding.frequency_hz),
        "level_db": _finite(finding.level_db),
    }


def _verdict(verdict: Verdict, rate: int) -> dict[str, Any]:
    def seconds(at: int | None) -> float | None:
        return None if at is None else at / rate

    return {
        "contact": verdict.contact,
        "verdict": str(verdict.kind),
        "strength": str(verdict.strength),
        "probability": verdict.probability,
        "called_s": verdict.called_at / rate,
        "expected": [seconds(verdict.expected_onset), seconds(verdict.expected_offset)],
        "heard": [seconds(verdict.heard_onset), seconds(verdict.heard_offset)],
        "early_by_mm": verdict.early_by_mm,
        "witness": verdict.witness,
        "reason": verdict.reason,
    }


def _heard_alone(run: Run) -> list[dict[str, Any]]:
    """A row for each contact that was heard where none was expected: to be played, and corrected by hand."""
    return [
        {
            "id": number,
            "tool": None,
            "line": None,
            "file": "",
            "label": f"contact {number}",
            "way": "",
            "expected": None,
            "heard": [start.at / run.rate, end.at / run.rate],
            "verdict": str(VerdictKind.UNEXPECTED),
            "said": "heard",
            "strength": str(Strength.CANNOT_TELL),
            "sure": "sure" if start.probability >= SURE else "likely",
            "early_by_mm": None,
            "witness": "",
            "reveals": "",
            "reason": "",
            "live": None,
            "needs_look": False,
        }
        for number, (start, end) in enumerate(run.heard_contacts, start=1)
    ]


def _contact(row: RunContact, sheet: Contact | None, run: Run, label: str) -> dict[str, Any]:
    timeline, rate = run.timeline, run.rate

    def seconds(stretch: Stretch | None) -> list[float] | None:
        return None if stretch is None else [stretch.onset / rate, stretch.offset / rate]

    return {
        "id": row.id,
        "tool": row.tool,
        "line": row.line,
        "file": timeline.file_at(sheet.start) if timeline and sheet else "",
        "label": label,
        "way": sheet.way if sheet else "",
        "expected": seconds(row.expected),
        "heard": seconds(row.heard),
        "verdict": str(row.verdict),
        "strength": str(row.strength),
        "sure": how_sure(row),
        "early_by_mm": row.early_by_mm,
        "witness": row.witness,
        "reveals": row.reveals,
        "reason": row.reason,
        "live": row.live
        and {
            "verdict": str(row.live.verdict),
            "sure": how_sure(row.live),
            "called_s": row.live.called_at / rate,
        },
        "needs_look": row.verdict is not VerdictKind.AS_EXPECTED,
    }
