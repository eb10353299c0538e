"""Which kind a run is and what of it is kept: one list of words for live, replay and pages."""

from dataclasses import dataclass

from listen.errors import InputError
from listen.job import KINDS_OF_RUN, nearest

KIND_WORDS = {
    "raised dry run": "Z is raised, nothing should touch: any contact is a flag",
    "first cut": "every contact is held against the program",
    "repeat": "a program that ran well before: quiet unless something changed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """One choice.

    Attributes
    ----------
    said : str
        What is said at the start of a run, as in "this records: decisions and sound".
    sound : str
        As `RunWriter` takes it.
    features : bool
        Whether the measured frames are kept.
    """

    said: str
    sound: str
    features: bool = False


KEEPS = {
    "sound": Keep(said="decisions and sound", sound="flac"),
    "small": Keep(said="decisions and sound, made small", sound="opus"),
    "features": Keep(said="decisions and measured levels, no sound", sound="none", features=True),
    "decisions": Keep(said="decisions only", sound="none"),
}


def keep_of(word: str) -> Keep:
    """The choice for a word.

    Raises
    ------
    InputError
        For a word that is none.
    """
    if word not in KEEPS:
        raise InputError(f"what is kept must be one of {', '.join(KEEPS)}, got {word!r}")
    return KEEPS[word]


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """What was agreed on.

    Attributes
    ----------
    kind : str
        One of `KINDS_OF_RUN`; "" without a job.
    keep : str
        One of `KEEPS`.
    """

    kind: str
    keep: str

    def __post_init__(self) -> None:
        if self.kind and self.kind not in KINDS_OF_RUN:
            raise InputError(
                f"the kind of run must be one of {', '.join(KINDS_OF_RUN)}, "
                f"got {self.kind!r}{nearest(self.kind, KINDS_OF_RUN)}"
            )
        keep_of(self.keep)
