"""What pages are told: the shared words as plain values, for live, replay and coach alike.

Conventions
-----------
Times of the recording end in ``_s`` and are seconds; ``program_s`` is program time at 100 %.
NaN does not exist on a page: it is null. Names are those of the files (design: run.json).
"""

import math
from collections.abc import Sequence
from typing import Any

from listen.blocks import LOAD_UNITS, Gap, LoadSample
from listen.followed import Position, Verdict
from listen.lengths import MM_PER
from listen.marks import Look, Mark
from listen.show.path_above import plan
from listen.states import Event, Finding, Learnt
from listen.timeline import Timeline
from listen.told import Cue, Flag

FIXED_LINE = "This screen cannot stop the machine. Watch the machine."
Told = Event | Finding | Learnt | Gap | LoadSample | Position | Verdict | Cue | Flag | Mark | Look


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
        return {"type": "position", **position_values(item, rate, None)}
    if isinstance(item, Gap):
        return {"type": "gap", **gap_values(item, rate)}
    if isinstance(item, LoadSample):
        return {"type": "load", "at_s": item.at / rate, "value": item.percent, "unit": LOAD_UNITS[item.kind]}
    if isinstance(item, Finding):
        return {"type": "finding", **finding_values(item, rate)}
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
                "place": [known(value) for value in contact.place],
                "tooth_pass_hz": known(contact.tooth_pass_hz),
                "load_percent": known(contact.load_percent),
            }
            for contact in timeline.contacts
        ],
        "plan": plan(timeline.spans),
        "listing": list(listing),
    }


def known(value: float) -> float | None:
    """The number, None where it is not known."""
    return value if math.isfinite(value) else None


def position_values(position: Position, rate: int, timeline: Timeline | None) -> dict[str, Any]:
    """Where the program is believed to be."""
    file = timeline.file_at(position.program_time) if timeline else ""
    return ({"file": file} if file else {}) | {
        "at_s": position.at / rate,
        "program_s": round(position.program_time, 3),
        "line": position.line,
        "rate": round(position.rate, 3),
        "next": position.next_contact,
    }


def gap_values(gap: Gap, rate: int) -> dict[str, Any]:
    """What was not heard, and why."""
    return {"from_s": gap.start / rate, "to_s": gap.stop / rate, "reason": gap.reason}


def flag_values(flag: Flag, rate: int) -> dict[str, Any]:
    """A flag, its time in seconds."""
    return {"at_s": flag.at / rate, "kind": flag.kind, "contact": flag.contact, "text": flag.text}


def finding_values(finding: Finding, rate: int) -> dict[str, Any]:
    """What else was heard, as chatter."""
    return {
        "kind": finding.kind,
        "from_s": finding.start / rate,
        "to_s": finding.stop / rate,
        "frequency_hz": known(finding.frequency_hz),
        "level_db": known(finding.level_db),
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
