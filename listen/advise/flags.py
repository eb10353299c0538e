"""Verdicts, findings and marks in, flags out: one cause, one flag."""

import math

import numpy as np
from numpy.typing import NDArray

from listen.advise.policy import EARLY_WAYS, HOLES, OF_A_POINT, QUIET_KINDS, Policy
from listen.advise.speed import WrongSpeed
from listen.advise.words import (
    FINDING_LOOK,
    LENGTH,
    NOTHING_YET,
    STILL,
    STRENGTH_LOOK,
    place_of,
    verdict_text,
)
from listen.contact import Contact
from listen.followed import Position, Strength, Verdict, VerdictKind
from listen.lengths import length_number, length_text
from listen.marks import Mark, MarkKind
from listen.states import ContactSound, Event, Finding, Standing, State
from listen.timeline import Timeline
from listen.told import Cue, Flag

MOST_KEPT = 32
LEAST_TO_SUM_UP = 3
Told = tuple[Flag | Cue, ...]


class Flags:
    """Raises flags; parameters as for `Advise`."""

    def __init__(self, timeline: Timeline | None, rate: int, *, policy: Policy) -> None:
        self._rate = rate
        self._unit = timeline.shown_in if timeline else "mm"
        self._policy = policy
        self._contacts = {c.id: c for c in timeline.contacts} if timeline else {}
        self._passes = {i: p.name for p in timeline.passes for i in p.contact_ids} if timeline else {}
        self._downwards = {a.contact for a in timeline.approaches if a.downwards} if timeline else set()
        self._is_raised = timeline is not None and timeline.kind == "raised dry run"
        self._speed = WrongSpeed(rate, policy)
        self._position: Position | None = None
        self._touched: int | None = None  # contact that the last heard start belongs to
        self._held = False
        self._gone: int | None = None  # contact that ended early, nothing since
        self._silent = False  # a flag already says why nothing is heard,
        self._silent_from = 0  # and from where on [samples]
        self._early_mm: dict[int, list[float]] = {}  # of what comes down, by tool
        self._said_offset: set[int] = set()  # tools
        self._early_running = False
        self._strange = False  # a row of contacts that no line explains is one finding: the place is lost
        self._read: set[int] = set()  # contacts whose early touch was read off the control
        self._strength = Strength.AS_EXPECTED
        self._found: dict[str, int] = {}
        of_path = set(timeline.spans.tool.tolist()) if timeline else set()
        self._tools = {tool for tool in of_path | {c.tool for c in self._contacts.values()} if tool > 0}
        self._other_tools: set[float] = set()  # that the control told of
        self._judged = 0
        self._unheard = 0

    def follow(self, position: Position) -> Told:
        """Take where the program is."""
        self._position = position
        return ()

    def hear(self, event: Event) -> Told:
        """Take what is heard; in a raised dry run nothing should touch at all."""
        if event.state is not State.ENTRY or event.standing is not Standing.CONFIRMED:
            return ()
        self._touched = None if self._position is None else self._position.next_contact
        self._held = False
        if not self._is_raised or event.probability < self._policy.raised_belief:
            return ()
        text = f"CONTACT at {event.at / self._rate:.1f} s in a raised dry run. Hold, and look at the tool."
        return (Flag(at=event.decided_at, kind="contact in a raised dry run", contact=None, text=text),)

    def mark(self, mark: Mark) -> Told:
        """Take what a person or the control says: a Z read while touching is a witness."""
        if mark.kind is MarkKind.HOLD:
            self._held = True
        elif mark.kind in (MarkKind.RESUME, MarkKind.CYCLE_START):
            self._held = False
        elif mark.kind is MarkKind.POSITION:
            return self._z_read(mark)
        elif mark.kind is MarkKind.TOOL:
            return self._tool_told(mark)
        return ()

    def _tool_told(self, mark: Mark) -> Told:
        """The control has a tool in the spindle that the program does not call; 0 is none at all."""
        tools, said = self._tools, self._other_tools
        if not (tools and mark.value >= 1.0) or mark.value in tools or mark.value in said:
            return ()
        self._other_tools.add(mark.value)
        named = ", ".join(f"T{tool}" for tool in sorted(tools))
        text = (
            f"The control says that T{mark.value:.0f} is in the spindle; this program has {named}. "
            f"Hold, and look at tool and program."
        )
        return (Flag(at=mark.at, kind="another tool", contact=None, text=text),)

    def take(self, item: Verdict | Finding | ContactSound) -> Told:
        """Take a verdict, a finding of the ear, or how a contact sounded."""
        if isinstance(item, Verdict):
            return self._verdict(item)
        return self._finding(item) if isinstance(item, Finding) else self._speed.hear(item)

    def _z_read(self, mark: Mark) -> Told:
        """Held just after first touch: the tool stands a little deeper than where it touched."""
        position, z = self._position, mark.place[2]
        contact = self._contacts.get(self._touched or -1)
        stands = self._held or (position is not None and position.rate == 0.0)
        if contact is None or position is None or not (stands and z == z) or not self._comes_down(contact):
            return ()
        inside = position.next_contact == contact.id and position.probability >= self._policy.sure_position
        early_mm = z - contact.place[2]
        if not inside or early_mm < self._policy.read_early_mm or contact.id in self._read:
            return ()
        self._read.add(contact.id)
        self._early_mm.setdefault(contact.tool, []).append(early_mm)
        text = (
            f"Started at least {length_text(early_mm, self._unit, 1)} early in Z: {place_of(contact)}. "
            f"Z {length_number(z, self._unit, 2)} read while touching, first touch is expected at "
            f"Z {length_number(contact.place[2], self._unit, 2)}. {LENGTH}"
        )
        return (Flag(at=mark.at, kind=str(VerdictKind.STARTED_EARLY), contact=contact.id, text=text),)

    def _comes_down(self, contact: Contact) -> bool:
        return contact.way in EARLY_WAYS or contact.id in self._downwards

    def _verdict(self, verdict: Verdict) -> Told:
        self._judged += 1
        heard = verdict.heard_onset is not None
        contact = self._contacts.get(verdict.contact or -1)
        flags: Told = ()
        if not self._is_raised:
            flags = (*self._by_kind(verdict), *self._by_strength(verdict))
            flags += () if contact is None else self._speed.judge(verdict, contact)
        self._unheard = 0 if heard else self._unheard + 1
        if verdict.heard_onset is not None and verdict.kind in QUIET_KINDS:
            self._hear_again(verdict.heard_onset)
        if verdict.kind is VerdictKind.AS_EXPECTED:
            self._early_running = self._strange = False
        return flags

    def _by_kind(self, verdict: Verdict) -> Told:
        kind = verdict.kind
        if kind in QUIET_KINDS or verdict.probability < self._policy.least_belief[kind]:
            return ()
        if kind is VerdictKind.NOT_HEARD:
            return self._not_heard(verdict)
        if kind is VerdictKind.UNEXPECTED:
            first, self._strange = not self._strange, True
            return (self._flag(verdict),) if first else ()
        if kind is VerdictKind.ENDED_EARLY:
            self._fall_silent(verdict)
            self._gone = verdict.contact
        if kind is VerdictKind.STARTED_EARLY:
            return self._early(verdict)
        still = kind is VerdictKind.ENDED_LATE and verdict.heard_offset is None
        return (self._flag(verdict, STILL if still else ""),)

    def _fall_silent(self, verdict: Verdict) -> None:
        """From this contact on nothing is heard."""
        self._silent, self._silent_from = True, verdict.heard_onset or verdict.expected_onset or 0

    def _hear_again(self, at: int) -> None:
        """A contact was heard; one that came before the silence may be judged in it, and ends it not."""
        if at >= self._silent_from:
            self._silent, self._gone = False, None

    def _not_heard(self, verdict: Verdict) -> Told:
        """One flag for a run of contacts that are not heard, or for none when one already says why."""
        if self._silent:
            return self._nothing_since(verdict)
        self._fall_silent(verdict)
        return (self._flag(verdict, NOTHING_YET if self._unheard + 1 >= self._judged else ""),)

    def _nothing_since(self, verdict: Verdict) -> tuple[Cue, ...]:
        """Said once, when the first contact after one that ended early does not come."""
        gone, self._gone = self._contacts.get(self._gone or -1), None
        if gone is None:
            return ()
        text = (
            f"Nothing heard since contact {gone.id} ended early: tool broken or lost? Hold, and look at it."
        )
        return (Cue(at=verdict.called_at, kind="nothing since", contact=gone.id, text=text),)

    def _early(self, verdict: Verdict) -> Told:
        """Early plunges that agree have one cause: the first is flagged, the third sums up."""
        contact = self._contacts.get(verdict.contact or -1)
        if verdict.contact in self._read:
            return ()  # the Z that was read has said it
        if contact is None or verdict.early_by_mm is None or not self._comes_down(contact):
            first = not self._early_running
            self._early_running = True  # a row of early side entries has one cause
            return (self._flag(verdict),) if first else ()
        before = self._early_mm.get(contact.tool, [])
        all_mm = self._early_mm[contact.tool] = [*before, verdict.early_by_mm][-MOST_KEPT:]
        if not before:
            return self._first_early(verdict, contact.tool)
        if verdict.early_by_mm > self._policy.other_cause * float(np.median(before)):
            return (self._flag(verdict),)
        return self._one_offset(verdict, contact.tool, np.array(all_mm))

    def _first_early(self, verdict: Verdict, tool: int) -> Told:
        """The first of a tool is a flag, unless another tool was early by as much: that is one cause, too."""
        known = [float(np.median(mm)) for other, mm in self._early_mm.items() if other != tool]
        early_mm = verdict.early_by_mm or 0.0
        if not any(abs(early_mm - mm) <= self._policy.same_share * mm for mm in known):
            return (self._flag(verdict, LENGTH),)
        text = (
            f"T{tool} touches {length_text(early_mm, self._unit, 1)} early in Z, too: "
            "the work offset rather than a tool length?"
        )
        return (Cue(at=verdict.called_at, kind="length offset", contact=verdict.contact, text=text),)

    def _one_offset(self, verdict: Verdict, tool: int, early_mm: NDArray[np.float64]) -> tuple[Cue, ...]:
        if tool in self._said_offset or early_mm.size < LEAST_TO_SUM_UP:
            return ()
        self._said_offset.add(tool)
        middle = float(np.median(early_mm))
        spread = max(float(np.std(early_mm)) / math.sqrt(early_mm.size), 0.1)
        by = f"{length_number(middle, self._unit, 1)} ± {length_text(spread, self._unit, 1)}"
        text = f"Plunges and ramps of T{tool} touch {by} early in Z. {LENGTH}"
        return (Cue(at=verdict.called_at, kind="length offset", contact=verdict.contact, text=text),)

    def _by_strength(self, verdict: Verdict) -> tuple[Flag, ...]:
        """Flag the first of a row of contacts that are all too strong, or all too weak."""
        contact = self._contacts.get(verdict.contact or -1)
        if verdict.strength is Strength.CANNOT_TELL or contact is None:
            return ()
        before, self._strength = self._strength, verdict.strength
        if verdict.strength in (Strength.AS_EXPECTED, before):
            return ()
        by = "" if verdict.louder_db is None else f"{abs(verdict.louder_db):.0f} dB "
        more = "louder" if verdict.strength is Strength.HEAVIER else "quieter"
        text = (
            f"{verdict.strength.value.capitalize()}: {place_of(contact)}. {by}{more} than the sheet makes it "
            f"beside this tool's other contacts. {STRENGTH_LOOK[verdict.strength]}"
        )
        return (Flag(at=verdict.called_at, kind=verdict.strength.value, contact=verdict.contact, text=text),)

    def _flag(self, verdict: Verdict, look: str = "") -> Flag:
        contact = self._contacts.get(verdict.contact or -1)
        in_z = contact is not None and self._comes_down(contact)
        of_pass = self._passes.get(verdict.contact or -1, "")
        text = verdict_text(
            verdict, contact, self._rate, look=look, of_pass=of_pass, in_z=in_z, unit=self._unit
        )
        return Flag(at=verdict.called_at, kind=verdict.kind.value, contact=verdict.contact, text=text)

    def _finding(self, finding: Finding) -> tuple[Flag, ...]:
        if finding.probability < self._policy.finding_belief or self._is_of_a_point_entering(finding):
            return ()
        last = self._found.get(finding.kind)
        if last is not None and finding.decided_at - last < self._policy.repeat_s * self._rate:
            return ()
        self._found[finding.kind] = finding.decided_at
        contact = self._running()
        line = f", {finding.frequency_hz:.0f} Hz" if finding.frequency_hz > 0.0 else ""
        place = f": {place_of(contact)}" if contact else ""
        look = FINDING_LOOK.get(finding.kind, "Look.").format(level_db=finding.level_db)
        text = f"{finding.kind.capitalize()} at {finding.start / self._rate:.1f} s{line}{place}. {look}"
        at, number = finding.decided_at, contact.id if contact else None
        return (Flag(at=at, kind=finding.kind, contact=number, text=text),)

    def _is_of_a_point_entering(self, finding: Finding) -> bool:
        """Whether it began while a drill's point went in: that squeals, and the slower the longer."""
        contact, position = self._running(), self._position
        if contact is None or position is None or contact.way not in HOLES or finding.kind not in OF_A_POINT:
            return False
        since_s = position.rate * (position.at - finding.start) / self._rate
        began = position.program_time - since_s - contact.start
        return began < contact.ramp_in + 2.0 * position.spread

    def _running(self) -> Contact | None:
        position = self._position
        if position is None or position.probability < self._policy.sure_position:
            return None
        return self._contacts.get(position.next_contact or -1)
