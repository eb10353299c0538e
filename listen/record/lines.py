"""Everything a run decides as one line of JSON each, and back.

Conventions
-----------
A line is one object: ``{"type": "event", ...}`` with the fields of the shared word, times in
samples as they are in the stream. NaN and infinity are not JSON: they are written as null.
"""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

from listen.blocks import Gap, LoadSample, SourceClock, SourceState
from listen.errors import InputError, RecordingError
from listen.followed import Position, Strength, Verdict, VerdictKind
from listen.lengths import Place
from listen.marks import Look, Mark, MarkKind
from listen.states import ContactSound, Event, Finding, Learnt, Standing, State
from listen.told import Cue, Flag

NAN = float("nan")
Line = (
    Event
    | Finding
    | ContactSound
    | Learnt
    | Gap
    | LoadSample
    | SourceClock
    | SourceState
    | Position
    | Verdict
    | Cue
    | Flag
    | Mark
    | Look
)
LINE_TYPES: dict[str, type[Line]] = {
    "event": Event,
    "finding": Finding,
    "sound": ContactSound,
    "learnt": Learnt,
    "gap": Gap,
    "load": LoadSample,
    "clock": SourceClock,
    "source": SourceState,
    "position": Position,
    "verdict": Verdict,
    "cue": Cue,
    "flag": Flag,
    "mark": Mark,
    "look": Look,
}
_NAMES = {made: name for name, made in LINE_TYPES.items()}


def plain(value: object) -> Any:
    """`value` as JSON can hold it: NaN becomes null, tuples become lists."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, tuple):
        return [plain(item) for item in value]
    if isinstance(value, str):
        return str(value)
    return value


def to_line(item: Line, *, type_name: str | None = None) -> str:
    """One item as a line, without its line break."""
    values = {field.name: plain(getattr(item, field.name)) for field in fields(item)}
    return json.dumps({"type": type_name or _NAMES[type(item)], **values}, allow_nan=False)


def _place(value: Any) -> Place:
    x, y, z = (NAN if item is None else float(item) for item in value)
    return (x, y, z)


def _number(value: Any) -> float:
    return NAN if value is None else float(value)


_CONVERTERS: dict[tuple[type[Line], str], Callable[[Any], object]] = {
    (Event, "state"): State,
    (Event, "standing"): Standing,
    (ContactSound, "tooth_pass_hz"): _number,
    (ContactSound, "level_db"): _number,
    (ContactSound, "own_db"): _number,
    (Verdict, "kind"): VerdictKind,
    (Verdict, "strength"): Strength,
    (Mark, "kind"): MarkKind,
    (Mark, "value"): _number,
    (Mark, "place"): _place,
    (Look, "place"): _place,
}


def _convert(made: type[Line], key: str, value: Any) -> Any:
    converter = _CONVERTERS.get((made, key))
    return value if converter is None else converter(value)


def from_values(made: type[Line], values: Mapping[str, Any]) -> Line:
    """The item that these values describe.

    Raises
    ------
    RecordingError
        If a value is missing, unknown or of the wrong kind.
    """
    known = {field.name for field in fields(made)}
    try:
        given: dict[str, Any] = {key: _convert(made, key, values[key]) for key in known & set(values)}
        return made(**given)
    except (TypeError, ValueError, InputError) as error:
        raise RecordingError(f"a {_NAMES[made]} line must hold its fields; {error}") from None


def from_line(text: str) -> tuple[str, Line]:
    """The type name and the item of one line.

    Raises
    ------
    RecordingError
        If the line is no JSON object, or of a type that is not known.
    """
    try:
        values = json.loads(text)
    except json.JSONDecodeError as error:
        raise RecordingError(f"a decision must be one line of JSON, {error.msg} at {error.pos}") from None
    if not isinstance(values, dict):
        raise RecordingError(f"a decision must be a JSON object, got {type(values).__name__}")
    name = str(values.pop("type", ""))
    base = name.removeprefix("refined ")
    if base not in LINE_TYPES:
        raise RecordingError(f"type of a decision must be one of {', '.join(LINE_TYPES)}; got {name!r}")
    return name, from_values(LINE_TYPES[base], values)
