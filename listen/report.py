"""A run in words for the terminal: one sentence, then a table that an operator understands."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from listen.blocks import Gap
from listen.followed import Strength, VerdictKind
from listen.lengths import length_text
from listen.record import Run, RunContact
from listen.record.words import RAISED, SURE, how_sure
from listen.told import Cue, Flag

LEAST_TOLD_S = 0.5  # a shorter silence hides no contact that a person could miss
MOST_TOLD = 8
SUMMING_UP = ("nothing since", "length offset")  # cues that say more of flags before them

if TYPE_CHECKING:
    from rich.table import Table


def contact_table(run: Run) -> "Table":
    """One row a contact: where, when it should have come, when it came, what became of it.

    Where the terminal is narrow the verdict goes on below; all else stays in one piece.
    """
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for name in ("#", "tool", "line", "expected s", "heard s", "verdict", "sure"):
        whole = name != "verdict"
        table.add_column(
            name, justify="right" if name.endswith(" s") else "left", no_wrap=whole, overflow="fold"
        )
    for contact in run.contacts:
        table.add_row(*_row(contact, run))
    return table


def _row(contact: RunContact, run: Run) -> list[str]:
    raised = run.header.kind == RAISED
    unit = run.timeline.shown_in if run.timeline else "mm"
    return [
        str(contact.id),
        "-" if contact.tool is None else f"T{contact.tool}",
        contact.block or "-",
        _stretch(contact.expected, run.rate),
        _stretch(contact.heard, run.rate),
        _verdict(contact, unit, raised=raised),
        "-" if raised or contact.verdict is VerdictKind.CANNOT_TELL else how_sure(contact),
    ]


def _stretch(stretch: object, rate: int) -> str:
    onset, offset = getattr(stretch, "onset", None), getattr(stretch, "offset", None)
    return "-" if onset is None or offset is None else f"{onset / rate:.2f}\u2013{offset / rate:.2f}"


def _verdict(contact: RunContact, unit: str, *, raised: bool) -> str:
    """The verdict, by how much where a witness tells, and the strength where it is not as expected."""
    if raised:
        return "no contact" if contact.heard is None else "CONTACT"
    parts = [str(contact.verdict)]
    if contact.early_by_mm is not None and contact.verdict is not VerdictKind.AS_EXPECTED:
        parts[0] += f" by {length_text(abs(contact.early_by_mm), unit, 1)}"
    if contact.strength in (Strength.HEAVIER, Strength.LIGHTER):
        parts.append(str(contact.strength))
    return ", ".join(parts)


def heard_table(run: Run) -> "Table":
    """One row a contact heard, for a run without a job."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for name in ("#", "from s", "to s", "sure"):
        table.add_column(name, justify="right")
    for number, (start, end) in enumerate(run.heard_contacts, start=1):
        at = (f"{event.at / run.rate:.2f}" for event in (start, end))
        table.add_row(str(number), *at, "sure" if start.probability >= SURE else "likely")
    return table


def flag_lines(run: Run) -> list[str]:
    """Each flag as it was said, with what sums several of them up, and the time in the recording."""
    said: list[Flag | Cue] = [*run.flags, *(cue for cue in run.cues if cue.kind in SUMMING_UP)]
    lines = [f"{item.at / run.rate:8.2f} s  {item.text}" for item in sorted(said, key=lambda item: item.at)]
    return ["Flags, as they were said; the table is from hearing it all once more:", *lines] if lines else []


def silence_lines(run: Run) -> list[str]:
    """When no sound came, and why; gaps that follow one another are one. Nothing for a run on load alone."""
    lines, long_enough = [], LEAST_TOLD_S * run.rate
    for gap in joined_gaps(run.gaps):
        if long_enough <= gap.stop - gap.start < run.duration:
            length_s = (gap.stop - gap.start) / run.rate
            lines.append(f"{gap.start / run.rate:8.2f} s  no sound for {length_s:.1f} s: {gap.reason}")
    n_more = len(lines) - MOST_TOLD
    return lines if n_more <= 0 else [*lines[:MOST_TOLD], f"{'':10}  and {n_more} more times"]


def joined_gaps(gaps: Sequence[Gap]) -> list[Gap]:
    """Each stretch without sound as one gap, with the reason of its first."""
    joined: list[Gap] = []
    for gap in sorted(gaps, key=lambda gap: gap.start):
        if joined and gap.start <= joined[-1].stop:
            last = joined.pop()
            gap = replace(last, stop=max(last.stop, gap.stop))
        joined.append(gap)
    return joined


def clock_lines(run: Run) -> list[str]:
    """How other clocks lay to the sound's, and when a source beside the sound was gone."""
    lines = []
    for clock in run.clocks:
        where = "behind" if clock.offset_s < 0.0 else "ahead of"
        drift = f"drift {3600 * clock.drift:+.1f} s an hour, to {clock.spread_s:.2f} s"
        shared = f"from {clock.n_events} events"
        lines.append(f"{clock.source}: {abs(clock.offset_s):.2f} s {where} the sound, {drift}, {shared}")
    gone = [one for one in run.sources if not one.listening]
    lines += [f"{one.at / run.rate:8.2f} s  {one.source} gone: {one.reason}" for one in gone]
    return lines
