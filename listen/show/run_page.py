"""What the replay page is told of a run.

Conventions
-----------
As in `listen.show.contract`.
"""

from collections.abc import Sequence
from typing import Any

from listen.blocks import LOAD_UNITS
from listen.contact import Contact
from listen.followed import Strength, VerdictKind
from listen.lengths import length_number
from listen.marks import Look
from listen.record import Listing, Run, RunContact, RunHold, Stretch
from listen.record.words import SURE, contact_labels, how_sure, run_sentence
from listen.show.contract import finding_values, flag_values, gap_values, known, mark_text, position_values
from listen.show.path_above import plan
from listen.states import Event
from listen.timeline import Timeline
from listen.where import said_block


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
        "flags": [flag_values(flag, rate) for flag in sorted(run.flags, key=lambda flag: flag.at)],
        "load": [{"at_s": sample.at / rate, "value": sample.percent} for sample in run.loads],
        "load_unit": LOAD_UNITS[run.loads[0].kind] if run.loads else "%",
        "position": [position_values(position, rate, run.timeline) for position in run.positions],
        "gaps": [gap_values(gap, rate) for gap in run.gaps],
        "marks": [{"at_s": mark.at / rate, "text": mark_text(mark, unit)} for mark in run.marks],
        "contacts": [_contact(row, sheet.get(row.id), run, labels[row.id]) for row in run.contacts]
        if run.timeline
        else _heard_alone(run),
        "holds": [_hold(hold, rate, run.timeline) for hold in run.holds],
        "looks": [_look(look, rate, unit) for look in run.looks],
        "findings": [finding_values(finding, rate) for finding in run.findings],
        "plan": plan(run.timeline.spans) if run.timeline else None,
        "listing": list(run.listings[0].lines) if run.listings else [],
        "called": {listing.name: list(listing.lines) for listing in run.listings[1:] if _runs(run, listing)},
    }


def _runs(run: Run, listing: Listing) -> bool:
    """Whether lines of a file beside the main program are run."""
    return run.timeline is not None and any(part.file == listing.name for part in run.timeline.elsewhere)


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
        "tooth_pass_hz": known(contact.tooth_pass_hz),
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


def _hold(hold: RunHold, rate: int, timeline: Timeline | None) -> dict[str, Any]:
    return {
        "contact": hold.contact,
        "where": said_block(_block_of(hold, timeline), hold.line),
        "how": hold.how,
        "from_s": hold.start / rate,
        "to_s": hold.stop / rate,
        "time_to_press_s": known(hold.time_to_press_s),
        "clear_mm": known(hold.clear_mm),
    }


def _block_of(hold: RunHold, timeline: Timeline | None) -> str:
    """The line of a hold as the sheet names it, "" where the sheet has no name for it."""
    alike = [one for one in timeline.holds if one.contact == hold.contact] if timeline else []
    return next((one.block for one in alike if (one.line, str(one.how)) == (hold.line, hold.how)), "")


def _look(look: Look, rate: int, unit: str) -> dict[str, Any]:
    return {
        "at_s": look.at / rate,
        "contact": look.contact,
        "text": look.text,
        "place": place_text(look, unit),
    }


def place_text(look: Look, unit: str = "mm") -> str:
    """The place that was read off in a look: "Z -1.00", "" where none was."""
    read = zip("XYZ", look.place, strict=True)
    return " ".join(f"{axis} {length_number(value, unit, 2)}" for axis, value in read if value == value)
