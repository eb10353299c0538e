"""What is said of a verdict: what, where, heard against expected, what to look at. Never more."""

from listen.contact import Contact
from listen.followed import Strength, Verdict, VerdictKind
from listen.lengths import length_text

SURE = 0.95
LOOK = {
    VerdictKind.STARTED_EARLY: "Check work offset, tool length and stock size.",
    VerdictKind.STARTED_LATE: "Check stock size, work offset and tool.",
    VerdictKind.NOT_HEARD: "Check tool, work offset and depth.",
    VerdictKind.ENDED_EARLY: "Look at the tool.",
    VerdictKind.ENDED_LATE: "Check stock size and what lies behind the cut.",
    VerdictKind.UNEXPECTED: "Look at tool, clamps and stock.",
}
LENGTH = "Check tool length and work offset."
STILL = "Do not stop the spindle while it cuts: hold the feed, and look."
NOTHING_YET = (
    "Nothing was heard so far. Raised run, or not started? "
    "Else check tool, work offset, and that the microphone hears."
)
STRENGTH_LOOK = {
    Strength.HEAVIER: "Check depth, width and whether the tool is worn.",
    Strength.LIGHTER: "Check depth and tool.",
}
FINDING_LOOK = {
    "chatter": "Hold at the next place; ask about speed, depth and how far the tool sticks out.",
    "rubbing": "The edge rubs and makes no chip: hold, and ask.",
    "sound changed": "Look at the tool.",
    "clipping": (
        "The sound is cut off at its peaks: contacts may go unheard, and loudness tells nothing. "
        "Turn the microphone's gain down."
    ),
    "sound changed once a turn": (
        "Its lines rose by {level_db:.0f} dB against those of the teeth: is a tooth broken? "
        "Look at the cutter."
    ),
}
_WHAT = {
    VerdictKind.STARTED_EARLY: "Started early",
    VerdictKind.STARTED_LATE: "Started late",
    VerdictKind.NOT_HEARD: "Not heard",
    VerdictKind.ENDED_EARLY: "Ended early",
    VerdictKind.ENDED_LATE: "Ended late",
    VerdictKind.UNEXPECTED: "Contact that no line explains",
}
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def verdict_text(
    verdict: Verdict,
    contact: Contact | None,
    rate: int,
    *,
    look: str = "",
    of_pass: str = "",
    in_z: bool = False,
    unit: str = "mm",
) -> str:
    """One flag in plain words.

    Parameters
    ----------
    verdict : Verdict
    contact : Contact | None
        The expected one.
    rate : int
        Sample rate [Hz].
    look : str
        What to look at, where it is not the usual.
    of_pass : str
        Name of the pass.
    in_z : bool
        Whether the tool comes down onto the work.
    unit : str
        In which lengths are told.
    """
    where = "" if contact is None else f": {place_of(contact)}{f', {of_pass}' if of_pass else ''}"
    what = _what(verdict, in_z=in_z, unit=unit)
    if verdict.probability < SURE:
        what = f"Likely {what if what.isupper() else what[0].lower() + what[1:]}"
    goes_on = verdict.kind is VerdictKind.STARTED_EARLY and verdict.heard_offset is None
    look = look or LOOK[verdict.kind]
    parts = [f"{what}{where}.", _times(verdict, rate), "Hold." if goes_on else "", look]
    return " ".join(part for part in parts if part)


def place_of(contact: Contact) -> str:
    """A contact as a person finds it: number, tool, N word and line."""
    return f"contact {contact.id}, T{contact.tool}, {contact.where}"


def number_word(number: int) -> str:
    """Small numbers in words."""
    return _NUMBERS[number] if 0 <= number < len(_NUMBERS) else str(number)


def _what(verdict: Verdict, *, in_z: bool, unit: str) -> str:
    if verdict.kind is VerdictKind.ENDED_LATE and verdict.heard_offset is None:
        return "STILL CUTTING"
    if verdict.kind is VerdictKind.STARTED_EARLY and verdict.early_by_mm is not None:
        return f"Started {length_text(verdict.early_by_mm, unit, 1)} early{' in Z' if in_z else ''}"
    return _WHAT[verdict.kind]


def _times(verdict: Verdict, rate: int) -> str:
    """Heard against expected, each in seconds of the recording."""

    def clock(at: int | None) -> str:
        return "" if at is None else f"{at / rate:.1f} s"

    begins, ends = clock(verdict.heard_onset), clock(verdict.heard_offset)
    due, over = clock(verdict.expected_onset), clock(verdict.expected_offset)
    if verdict.kind is VerdictKind.UNEXPECTED:
        return f"Heard from {begins} to {ends}." if ends else f"Heard from {begins}."
    if verdict.kind is VerdictKind.NOT_HEARD:
        return f"Expected at {due}." if due else ""
    if verdict.kind in (VerdictKind.ENDED_EARLY, VerdictKind.ENDED_LATE):
        return _against(f"Heard until {ends}" if ends else f"Heard from {begins} on", f"until {over}", over)
    by = f", counted from the {verdict.witness}" if verdict.witness else ""
    return _against(f"Heard at {begins}", f"at {due}{by}", due)


def _against(heard: str, expected: str, known: str) -> str:
    return f"{heard}, expected {expected}." if known else f"{heard}."
