"""What the person is told: cues while it happens, flags for what needs a look."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """A word for the person while it happens; the verdict comes when the evidence is in.

    Attributes
    ----------
    at : int
        When it was given [samples].
    kind : str
        "contact", "no contact", "before its line", "cutting stopped", "cutting goes on", "nothing since",
        "overdue", "still cutting", "exit soon", "exit heard", "hold now", "still in the cut",
        "no room to hold here", "next rung", "distance", "spindle heard", "spindle not heard",
        "spindle unsure", "length offset"
    contact : int | None
    text : str
        Plain words.
    """

    at: int
    kind: str
    contact: int | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """A verdict or a sound that needs a person.

    Attributes
    ----------
    at : int
        [samples]
    kind : str
        A verdict, a strength, or a finding of the ear.
    contact : int | None
    text : str
        One sentence: what, where, expected against heard, what to look at.
    """

    at: int
    kind: str
    contact: int | None
    text: str
