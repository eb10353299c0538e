"""The labels file: what a person corrected, beside what was heard; `teach` learns from it."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from listen.errors import InputError, RecordingError
from listen.followed import VerdictKind
from listen.record.run import Stretch

FORMAT = "cut-listen labels 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelledContact:
    """One contact as heard and as a person says it was [samples]; None where there was none.

    Attributes
    ----------
    by_hand : bool
        True where the person changed or confirmed it; False where it is only what was heard.
    """

    id: int
    heard: Stretch | None
    verdict: VerdictKind
    corrected: Stretch | None
    corrected_verdict: VerdictKind
    by_hand: bool
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Labels:
    """All contacts of one run, as corrected by one person."""

    program: str
    source: str
    rate: int
    duration: int
    by: str
    contacts: tuple[LabelledContact, ...]

    @property
    def cuts(self) -> tuple[Stretch, ...]:
        """Where tool and work touched, by all that is known, in order."""
        found = [contact.corrected for contact in self.contacts if contact.corrected is not None]
        return tuple(sorted(found, key=lambda stretch: stretch.onset))


def read_labels(path: Path) -> Labels:
    """Labels that the replay page saved.

    Raises
    ------
    RecordingError
        If the file cannot be read or holds something else.
    """
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
        if values["format"] != FORMAT:
            raise RecordingError(f"{path} must be of format {FORMAT!r}, got {values['format']!r}")
        rate = int(values["sample_rate"])
        return Labels(
            program=values["program"],
            source=values["source"],
            rate=rate,
            duration=round(values["duration_s"] * rate),
            by=values["by"],
            contacts=tuple(_contact(row, rate) for row in values["contacts"]),
        )
    except OSError as error:
        raise RecordingError(f"{path} must be a labels file: {error.strerror}") from None
    except (ValueError, KeyError, TypeError, InputError) as error:
        raise RecordingError(f"{path} must be of format {FORMAT!r}; {error!r} is missing or wrong") from None


def _contact(row: dict[str, Any], rate: int) -> LabelledContact:
    return LabelledContact(
        id=int(row["id"]),
        heard=_stretch(row["heard"], rate),
        verdict=VerdictKind(row["verdict"]),
        corrected=_stretch(row["corrected"], rate),
        corrected_verdict=VerdictKind(row["corrected_verdict"]),
        by_hand=bool(row["by_hand"]),
        note=str(row["note"]),
    )


def _stretch(pair: dict[str, float] | None, rate: int) -> Stretch | None:
    if pair is None:
        return None
    return Stretch(onset=round(pair["onset_s"] * rate), offset=round(pair["offset_s"] * rate))
