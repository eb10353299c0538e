"""A run in words for the terminal: one sentence, then a table that an operator understands."""

from collections import Counter
from typing import TYPE_CHECKING

from listen.record import Run, RunContact
from listen.states import State
from listen.timeline import Strength, VerdictKind

if TYPE_CHECKING:
    from rich.table import Table

ORDER = (
    VerdictKind.STARTED_EARLY,
    VerdictKind.STARTED_LATE,
    VerdictKind.NOT_HEARD,
    VerdictKind.ENDED_EARLY,
    VerdictKind.ENDED_LATE,
    VerdictKind.CANNOT_TELL,
)


def sentence(run: Run) -> str:
    """The run in one sentence: "8 expected, 6 heard as expected, 1 started early (N240), 1 not heard"."""
    expected = [contact for contact in run.contacts if contact.verdict is not VerdictKind.UNEXPECTED]
    if run.timeline is None:
        return _heard_sentence(run)
    kinds = Counter(contact.verdict for contact in expected)
    parts = [f"{len(expected)} expected", f"{kinds[VerdictKind.AS_EXPECTED]} heard as expected"]
    parts += [_part(kind, expected) for kind in ORDER if kinds[kind]]
    unexpected = len(run.contacts) - len(expected)
    return ", ".join([*parts, *([f"{unexpected} unexpected"] if unexpected else [])])


def _heard_sentence(run: Run) -> str:
    entries = sum(event.state is State.ENTRY for event in run.heard)
    heard = "no contact" if not entries else "1 contact" if entries == 1 else f"{entries} contacts"
    return f"{heard} heard in {run.duration / run.rate:.1f} s; no job was given, so nothing was expected"


def _part(kind: VerdictKind, contacts: list[RunContact]) -> str:
    blocks = [contact.block or f"contact {contact.id}" for contact in contacts if contact.verdict is kind]
    named = ", ".join(blocks[:3]) + (f" and {len(blocks) - 3} more" if len(blocks) > 3 else "")
    return f"{len(blocks)} {kind} ({named})"


def contact_table(run: Run) -> "Table":
    """One row a contact: where, when it should have come, when it came, what became of it."""
    from rich.table import Table

    table = Table(title=None, pad_edge=False)
    for name in ("contact", "tool", "line", "expected s", "heard s", "verdict", "sure", "note"):
        table.add_column(name, justify="right" if name.endswith(" s") else "left", overflow="fold")
    for contact in run.contacts:
        table.add_row(*_row(contact, run.rate))
    return table


def _row(contact: RunContact, rate: int) -> list[str]:
    return [
        str(contact.id),
        "-" if contact.tool is None else f"T{contact.tool}",
        contact.block or "-",
        _stretch(contact.expected, rate),
        _stretch(contact.heard, rate),
        _verdict(contact),
        how_sure(contact),
        _note(contact),
    ]


def _stretch(stretch: object, rate: int) -> str:
    onset, offset = getattr(stretch, "onset", None), getattr(stretch, "offset", None)
    return "-" if onset is None or offset is None else f"{onset / rate:.2f} to {offset / rate:.2f}"


def _verdict(contact: RunContact) -> str:
    told = contact.strength in (Strength.HEAVIER, Strength.LIGHTER)
    return f"{contact.verdict}, {contact.strength}" if told else str(contact.verdict)


def how_sure(contact: RunContact) -> str:
    """The probability in the words of the screens."""
    if contact.verdict is VerdictKind.CANNOT_TELL:
        return "cannot tell"
    return "sure" if contact.probability >= 0.95 else "likely"


def _note(contact: RunContact) -> str:
    if contact.early_by_mm is None or contact.verdict is VerdictKind.AS_EXPECTED:
        return ""
    side = "early" if contact.early_by_mm > 0 else "late"
    return f"{abs(contact.early_by_mm):.1f} mm {side}, by {contact.witness}"


def flag_lines(run: Run) -> list[str]:
    """Each flag on its own line, with the time in the recording."""
    return [f"{flag.at / run.rate:8.2f} s  {flag.text}" for flag in run.flags]
