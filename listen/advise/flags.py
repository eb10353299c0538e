"""Verdicts, findings and cues in, flags and cues for the person out: one cause, one flag."""

import numpy as np

from listen.advise.policy import ALWAYS, EARLY_WAYS, QUIET_KINDS, Policy
from listen.errors import ListenError
from listen.states import Event, Finding, Standing, State
from listen.timeline import Contact, Cue, Flag, Position, Strength, Timeline, Verdict, VerdictKind

Input = Position | Verdict | Cue | Finding | Event
LOOK = {
    VerdictKind.STARTED_EARLY: "check work offset, tool length and stock size",
    VerdictKind.STARTED_LATE: "check stock size, work offset and tool",
    VerdictKind.NOT_HEARD: "check tool, work offset and depth",
    VerdictKind.ENDED_EARLY: "look at the tool",
    VerdictKind.ENDED_LATE: "still in the cut when it should be out: look before the spindle is stopped",
    VerdictKind.UNEXPECTED: "look at tool, clamps and stock",
}


class Advise:
    """Decides what the person is told.

    Parameters
    ----------
    timeline : Timeline | None
        What is expected; None where there is no program.
    rate : int
        Sample rate [Hz].
    policy : Policy
        The limits.
    """

    def __init__(self, timeline: Timeline | None, rate: int, *, policy: Policy | None = None) -> None:
        self._rate = rate
        self._policy = Policy() if policy is None else policy
        self._contacts = {c.id: c for c in timeline.contacts} if timeline else {}
        self._is_raised = timeline is not None and timeline.kind == "raised dry run"
        self._position: Position | None = None
        self._silent = False  # a flag already says why nothing is heard
        self._early_mm: list[float] = []
        self._said_offset = False
        self._early_running = False
        self._strength = Strength.AS_EXPECTED
        self._found: dict[str, int] = {}
        self._judged = 0
        self._unheard = 0
        self._closed = False

    @property
    def latency(self) -> int:
        """Nothing is kept back [samples]."""
        return 0

    def push(self, *items: Input) -> tuple[Flag | Cue, ...]:
        """Take what was heard and followed, give what the person should know."""
        if self._closed:
            raise ListenError("push() after close(): make a new Advise per run")
        said: list[Flag | Cue] = []
        for item in items:
            said.extend(self._one(item))
        return tuple(said)

    def close(self) -> tuple[Flag | Cue, ...]:
        """End the run; nothing is kept back."""
        self._closed = True
        return ()

    def _one(self, item: Input) -> tuple[Flag | Cue, ...]:
        if isinstance(item, Position):
            self._position = item
            return ()
        if isinstance(item, Verdict):
            return self._verdict(item)
        if isinstance(item, Cue):
            return (item,) if item.kind in ALWAYS or self._is_sure() else ()
        if isinstance(item, Finding):
            return self._finding(item)
        return self._raised(item)

    def _is_sure(self) -> bool:
        return self._position is not None and self._position.probability >= self._policy.sure_position

    def _raised(self, event: Event) -> tuple[Flag, ...]:
        """In a raised dry run nothing should touch at all."""
        touches = event.state == State.ENTRY and event.standing == Standing.CONFIRMED
        if not (self._is_raised and touches):
            return ()
        text = f"Contact at {event.at / self._rate:.1f} s in a raised dry run: hold, and look at the tool."
        return (Flag(at=event.decided_at, kind="contact in a raised dry run", contact=None, text=text),)

    def _verdict(self, verdict: Verdict) -> tuple[Flag | Cue, ...]:
        self._judged += 1
        heard = verdict.heard_onset is not None
        flags = () if self._is_raised else (*self._by_kind(verdict), *self._by_strength(verdict))
        self._unheard = 0 if heard else self._unheard + 1
        if heard and verdict.kind in QUIET_KINDS:
            self._silent = False
        if verdict.kind == VerdictKind.AS_EXPECTED:
            self._early_running = False
        return flags

    def _by_kind(self, verdict: Verdict) -> tuple[Flag | Cue, ...]:
        kind = verdict.kind
        if kind in QUIET_KINDS or verdict.probability < self._policy.least_belief[kind]:
            return ()
        if kind == VerdictKind.NOT_HEARD:
            return self._not_heard(verdict)
        if kind == VerdictKind.ENDED_EARLY:
            self._silent = True
        if kind == VerdictKind.STARTED_EARLY:
            return self._early(verdict)
        return (self._flag(verdict, LOOK[kind]),)

    def _not_heard(self, verdict: Verdict) -> tuple[Flag, ...]:
        """One flag for a run of contacts that are not heard, or for none when one already says why."""
        if self._silent:
            return ()
        self._silent = True
        nothing_yet = self._unheard + 1 >= self._judged
        why = "nothing heard so far: raised run, tool, offset, or the microphone" if nothing_yet else None
        return (self._flag(verdict, why or LOOK[VerdictKind.NOT_HEARD]),)

    def _early(self, verdict: Verdict) -> tuple[Flag | Cue, ...]:
        """Early plunges that agree have one cause: the first is flagged, the third sums up."""
        contact = self._contacts.get(verdict.contact or -1)
        down = contact is not None and contact.way in EARLY_WAYS
        if verdict.early_by_mm is None or not down:
            first = not self._early_running
            self._early_running = True  # a row of early side entries has one cause
            return (self._flag(verdict, LOOK[VerdictKind.STARTED_EARLY]),) if first else ()
        known = list(self._early_mm)
        self._early_mm = [*known, verdict.early_by_mm][-32:]
        if not known:
            return (self._flag(verdict, "touches early in Z: check tool length or work offset"),)
        middle = float(np.median(self._early_mm))
        limit = max(self._policy.same_offset_mm, 0.2 * middle)
        if abs(verdict.early_by_mm - middle) > limit:
            return (self._flag(verdict, LOOK[VerdictKind.STARTED_EARLY]),)
        return self._one_offset(verdict, middle)

    def _one_offset(self, verdict: Verdict, middle: float) -> tuple[Cue, ...]:
        if self._said_offset or len(self._early_mm) < 3:
            return ()
        self._said_offset = True
        spread = float(np.std(self._early_mm)) / np.sqrt(len(self._early_mm))
        text = (
            f"Plunges and ramps touch {middle:.1f} ± {max(spread, 0.1):.1f} mm early in Z: "
            "check tool length or work offset."
        )
        return (Cue(at=verdict.called_at, kind="length offset", contact=verdict.contact, text=text),)

    def _by_strength(self, verdict: Verdict) -> tuple[Flag, ...]:
        """Flag the first of a row of contacts that are all too strong, or all too weak."""
        if verdict.strength == Strength.CANNOT_TELL:
            return ()
        before, self._strength = self._strength, verdict.strength
        if verdict.strength in (Strength.AS_EXPECTED, before):
            return ()
        look = (
            "check depth, width and tool wear"
            if verdict.strength == Strength.HEAVIER
            else "check depth and tool"
        )
        text = f"{self._where(verdict)}: {verdict.strength.value} than the run's other contacts; {look}."
        return (Flag(at=verdict.called_at, kind=verdict.strength.value, contact=verdict.contact, text=text),)

    def _flag(self, verdict: Verdict, look: str) -> Flag:
        extent = "" if verdict.early_by_mm is None else f", {verdict.early_by_mm:.1f} mm by {verdict.witness}"
        text = f"{self._where(verdict)} {verdict.kind.value}{extent}: {verdict.reason}; {look}."
        return Flag(at=verdict.called_at, kind=verdict.kind.value, contact=verdict.contact, text=text)

    def _where(self, verdict: Verdict) -> str:
        contact = self._contacts.get(verdict.contact or -1)
        return "A contact" if contact is None else f"Contact {contact.id}, T{contact.tool}"

    def _finding(self, finding: Finding) -> tuple[Flag, ...]:
        if finding.probability < self._policy.finding_belief:
            return ()
        last = self._found.get(finding.kind)
        if last is not None and finding.decided_at - last < self._policy.repeat_s * self._rate:
            return ()
        self._found[finding.kind] = finding.decided_at
        contact = self._running()
        at_s = finding.start / self._rate
        text = f"{finding.kind.capitalize()} at {at_s:.1f} s{self._line(finding, contact)}."
        return (
            Flag(
                at=finding.decided_at, kind=finding.kind, contact=contact.id if contact else None, text=text
            ),
        )

    def _running(self) -> Contact | None:
        if self._position is None or self._position.next_contact is None or not self._is_sure():
            return None
        return self._contacts.get(self._position.next_contact)

    @staticmethod
    def _line(finding: Finding, contact: Contact | None) -> str:
        if not finding.frequency_hz > 0.0:
            return ""
        if finding.kind != "tooth pass off" or contact is None or contact.flutes < 1:
            return f", {finding.frequency_hz:.0f} Hz"
        rpm = 60.0 * finding.frequency_hz / contact.flutes
        flutes = 60.0 * finding.frequency_hz / max(contact.spindle_rpm, 1.0)
        guess = f" or {flutes:.0f} flutes" if round(flutes) >= 1 and abs(flutes - round(flutes)) < 0.1 else ""
        return (
            f": tooth-pass frequency {finding.frequency_hz:.0f} Hz says {rpm:.0f} rpm{guess}, "
            f"expected {contact.tooth_pass_hz:.0f} Hz"
        )
