"""A run in words: the sentence with which every page and table begins."""

from collections import Counter
from collections.abc import Iterable

from listen.followed import VerdictKind
from listen.record.run import LiveCall, Run, RunContact
from listen.states import State

_ORDER = (
    VerdictKind.STARTED_EARLY,
    VerdictKind.STARTED_LATE,
    VerdictKind.ENDED_EARLY,
    VerdictKind.ENDED_LATE,
    VerdictKind.NOT_HEARD,
    VerdictKind.CANNOT_TELL,
)
RAISED = "raised dry run"
AFTER = "after the end of the recording"
SURE = 0.95  # from this probability on; below it is likely
_ALWAYS = (VerdictKind.NOT_HEARD, VerdictKind.CANNOT_TELL)  # said also when there are none


def run_sentence(run: Run) -> str:
    """The run in one sentence.

    "8 expected, 6 heard as expected, 1 started early (N240), 1 not heard (N300), 0 cannot tell".
    """
    if run.header.is_made:
        return _made(run)
    return f"{_of_sound(run)}; its sound was made" if run.header.of_made_sound else _of_sound(run)


def _of_sound(run: Run) -> str:
    """The same of a run that was listened to."""
    if run.timeline is None:
        return _without_job(run)
    if run.header.kind == RAISED:
        return _raised(run)
    expected = [contact for contact in run.contacts if contact.verdict is not VerdictKind.UNEXPECTED]
    here = [contact for contact in expected if not _is_after(contact, run)]
    kinds = Counter(contact.verdict for contact in here)
    parts = [f"{len(expected)} expected", f"{kinds[VerdictKind.AS_EXPECTED]} heard as expected"]
    parts += [_part(kind, here) for kind in _ORDER if kinds[kind] or kind in _ALWAYS]
    counts = ((len(run.contacts) - len(expected), "unexpected"), (len(expected) - len(here), AFTER))
    return ", ".join([*parts, *(f"{number} {words}" for number, words in counts if number)])


def _is_after(contact: RunContact, run: Run) -> bool:
    """Whether a contact that nobody can tell of would have come when the recording had ended."""
    if contact.verdict is not VerdictKind.CANNOT_TELL or contact.expected is None:
        return False
    return contact.expected.onset >= run.duration


def counted(number: int, thing: str) -> str:
    """So many of a thing.

    Examples
    --------
    >>> counted(1, "contact"), counted(3, "run")
    ('1 contact', '3 runs')
    """
    return f"{number} {thing}{'' if number == 1 else 's'}"


def contact_labels(contacts: Iterable[RunContact]) -> dict[int, str]:
    """What tables call each contact, by its id: its block, with its number where a block has several.

    A cycle's pecks are of one line, and flags name them by number.
    """
    rows = list(contacts)
    n_of = Counter(row.block for row in rows)
    return {row.id: _label(row, alone=n_of[row.block] == 1) for row in rows}


def _label(row: RunContact, *, alone: bool) -> str:
    if not row.block:
        return f"no line ({row.id})"
    return row.block if alone else f"{row.block}, contact {row.id}"


def _made(run: Run) -> str:
    """Of a preview: how many contacts, and what was planted."""
    kinds = Counter(contact.verdict for contact in run.contacts)
    planted = [_part(kind, list(run.contacts)) for kind in _ORDER if kinds[kind]]
    return ", ".join([f"preview, made and not heard: {counted(len(run.contacts), 'contact')}", *planted])


def _raised(run: Run) -> str:
    """In a raised dry run nothing should touch, and what is not heard is as it should be."""
    onsets = [contact.heard.onset / run.rate for contact in run.contacts if contact.heard is not None]
    if not onsets:
        return f"{RAISED}: no contact heard, as it should be ({len(run.contacts)} would come in the cut)"
    named = ", ".join(f"{onset:.1f} s" for onset in onsets[:3])
    more = f" and {len(onsets) - 3} more" if len(onsets) > 3 else ""
    return f"{RAISED}: {counted(len(onsets), 'contact')} heard where nothing should touch ({named}{more})"


def how_sure(contact: RunContact | LiveCall) -> str:
    """The probability in the words of the screens: sure, likely, cannot tell."""
    if contact.verdict is VerdictKind.CANNOT_TELL:
        return "cannot tell"
    return "sure" if contact.probability >= SURE else "likely"


def _without_job(run: Run) -> str:
    entries = sum(event.state is State.ENTRY for event in run.heard)
    heard = counted(entries, "contact") if entries else "no contact"
    return f"{heard} heard in {run.duration / run.rate:.1f} s; no job was given, so nothing was expected"


def _part(kind: VerdictKind, contacts: list[RunContact]) -> str:
    blocks = [contact.block or f"contact {contact.id}" for contact in contacts if contact.verdict is kind]
    if not blocks:
        return f"{len(blocks)} {kind}"
    names = list(dict.fromkeys(blocks))  # a cycle's pecks are of one line
    named = ", ".join(names[:3]) + (f" and {counted(len(names) - 3, 'more line')}" if len(names) > 3 else "")
    return f"{len(blocks)} {kind} ({named})"
