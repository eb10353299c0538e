"""The sheet kept in the run folder: `expected.json`, and `spans.npz` for the path."""

import json
from dataclasses import fields
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar
from zipfile import BadZipFile

import numpy as np

from listen.contact import Audible, Contact, Pass, Reveals
from listen.errors import RecordingError
from listen.record.lines import NAN, plain
from listen.spans import Spans
from listen.timeline import Caution, Elsewhere, HoldPoint, StopWay, Timeline

FORMAT = "cut-listen expected 1"
Made = TypeVar("Made", Contact, Pass, HoldPoint, Caution, Elsewhere)
_WORDS: dict[str, type[StrEnum]] = {"audible": Audible, "reveals": Reveals, "how": StopWay}
_SCALARS = (
    "program",
    "duration",
    "feed_override",
    "rapid_override",
    "override_steady",
    "single_block",
    "kind",
    "shown_in",
)
_MAY_BE_NONE = ("line", "next_contact")


def write_expected(folder: Path, timeline: Timeline) -> None:
    """Keep the sheet beside the run."""
    values: dict[str, Any] = {"format": FORMAT}
    values |= {name: getattr(timeline, name) for name in _SCALARS}
    values["files"] = list(timeline.files)
    for name in ("contacts", "passes", "holds", "cautions", "elsewhere"):
        values[name] = [_values(item) for item in getattr(timeline, name)]
    (folder / "expected.json").write_text(json.dumps(values, allow_nan=False), encoding="utf-8")
    arrays = {field.name: getattr(timeline.spans, field.name) for field in fields(Spans)}
    np.savez_compressed(folder / "spans.npz", **arrays)


def read_expected(folder: Path) -> Timeline | None:
    """The sheet of a run, None where it was made without a job.

    Raises
    ------
    RecordingError
        If the sheet is there but damaged.
    """
    path = folder / "expected.json"
    if not path.is_file():
        return None
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
        with (folder / "spans.npz").open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            spans = Spans(**{field.name: arrays[field.name] for field in fields(Spans)})
        if values.get("format") != FORMAT:
            raise RecordingError(f"{path} must be of format {FORMAT!r}, got {values.get('format')!r}")
        return Timeline(
            spans=spans,
            contacts=_items(Contact, values["contacts"]),
            passes=_items(Pass, values["passes"]),
            holds=_items(HoldPoint, values["holds"]),
            cautions=_items(Caution, values["cautions"]),
            files=tuple(values.get("files", ())),
            elsewhere=_items(Elsewhere, values.get("elsewhere", [])),
            **{name: values[name] for name in _SCALARS if name in values or name != "shown_in"},
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, EOFError, BadZipFile) as error:
        raise RecordingError(f"{path} and spans.npz must hold the sheet of the run; {error!r}") from None


def _values(item: object) -> dict[str, Any]:
    return {field.name: plain(getattr(item, field.name)) for field in fields(item)}  # type: ignore[arg-type]


def _items(made: type[Made], rows: list[dict[str, Any]]) -> tuple[Made, ...]:
    return tuple(made(**{key: _value(key, value) for key, value in row.items()}) for row in rows)


def _value(key: str, value: Any) -> Any:
    if key in _WORDS:
        return _WORDS[key](value)
    if isinstance(value, list):
        return tuple(NAN if item is None else item for item in value)
    return NAN if value is None and key not in _MAY_BE_NONE else value
