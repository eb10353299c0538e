"""What of a run is kept: one list of words for live, replay and pages."""

from dataclasses import dataclass

from listen.errors import InputError


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
