"""What a page may say: a mark, a look, or how the run begins, and nothing else."""

import json
import math
from typing import Any

from listen.errors import InputError
from listen.lengths import Place
from listen.marks import Look, Mark, MarkKind
from listen.record.keep import Start

GREATEST_BYTES = 1000
LONGEST_LOOK = 300
NAN = float("nan")
PLAIN = {
    "held": MarkKind.HOLD,
    "started": MarkKind.CYCLE_START,
    "resumed": MarkKind.RESUME,
    "ended": MarkKind.PROGRAM_END,
    "spindle on": MarkKind.SPINDLE_ON,
    "spindle off": MarkKind.SPINDLE_OFF,
}
BEEP_S = 0.4  # of the page's beep with the way to the loudspeaker, the room and the microphone
PERCENT = {"feed override": MarkKind.FEED_OVERRIDE, "rapid override": MarkKind.RAPID_OVERRIDE}


def read_said(text: str, *, at: int) -> Mark | Look | Start:
    """A mark, a look or the beginning of the run, from what a page sent.

    ``{"mark": "held"}``, ``{"mark": "feed override", "value": 20}``,
    ``{"mark": "position", "z": -1.0}``, ``{"look": "burr on the left edge"}`` or
    ``{"begin": "first cut", "keep": "sound"}``.

    Raises
    ------
    InputError
        For anything else; the message is fit to be shown.
    """
    if len(text.encode()) > GREATEST_BYTES:
        raise InputError(f"a mark has at most {GREATEST_BYTES} bytes, got {len(text)}")
    try:
        said = json.loads(text)
    except (ValueError, RecursionError):
        raise InputError("a mark must be JSON") from None
    if not isinstance(said, dict):
        raise InputError("a mark must be an object")
    if set(said) == {"look"}:
        return Look(at=at, contact=None, text=_words(said["look"]))
    if set(said) == {"begin", "keep"} and isinstance(said["begin"], str) and isinstance(said["keep"], str):
        return Start(kind=said["begin"], keep=said["keep"])
    return _mark(said, at)


def _mark(said: dict[str, Any], at: int) -> Mark:
    name = said.get("mark")
    if name in PLAIN and set(said) == {"mark"}:
        return Mark(at=at, kind=PLAIN[name], source="operator")
    if name == "beep" and set(said) == {"mark"}:
        return Mark(at=at, kind=MarkKind.BEEP, source="page", value=BEEP_S)
    if name in PERCENT and set(said) == {"mark", "value"}:
        value = _number(said["value"], "an override", 0.0, 200.0)
        return Mark(at=at, kind=PERCENT[name], source="operator", value=value)
    if name == "position" and {"mark"} < set(said) <= {"mark", "x", "y", "z"}:
        return Mark(at=at, kind=MarkKind.POSITION, source="operator", place=_place(said))
    raise InputError("this is no mark that is known here")


def _place(said: dict[str, Any]) -> Place:
    x, y, z = (
        _number(said[axis], f"a position {axis.upper()}", -1e5, 1e5) if axis in said else NAN
        for axis in "xyz"
    )
    return (x, y, z)


def _number(value: Any, what: str, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{what} must be a number")
    if not least <= value <= most:
        raise InputError(f"{what} must be {least:g} to {most:g}, got {value:g}")
    return float(value)


def _words(value: Any) -> str:
    if not isinstance(value, str) or not 0 < len(value.strip()) <= LONGEST_LOOK:
        raise InputError(f"a note must be 1 to {LONGEST_LOOK} letters")
    return "".join(letter for letter in value.strip() if letter.isprintable())
