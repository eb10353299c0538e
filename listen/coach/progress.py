"""What a learner has done, as one plain JSON file that can be taken along and erased.

The lessons page keeps the same text in the browser and saves it as this file.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from listen.errors import InputError

FORMAT = "listening lessons 1"
LESSONS = ("name", "hold", "follow", "machine")
_MOST_BYTES = 4_000_000


def new_progress() -> dict[str, Any]:
    """Nothing done yet."""
    return {"format": FORMAT, "sessions": []}


def read_progress(path: Path) -> dict[str, Any]:
    """The file's sessions; nothing done where there is no file.

    Raises
    ------
    InputError
        If the file is not one of ours.
    """
    if not path.exists():
        return new_progress()
    if path.stat().st_size > _MOST_BYTES:
        raise InputError(f"{path} is larger than {_MOST_BYTES} bytes, so it is no progress of lessons")
    try:
        told = json.loads(path.read_text("utf-8"))
    except ValueError as error:
        raise InputError(f"{path} is not JSON ({error}); was it saved from the lessons page?") from error
    _check(told, path)
    return dict(told)


def add_session(path: Path, session: Mapping[str, Any]) -> None:
    """Add one finished lesson: ``{"lesson": "hold", "day": "2026-05-04", ...}``."""
    told = read_progress(path)
    told["sessions"].append(dict(session))
    _check(told, path)
    partial = path.with_name(path.name + ".part")
    partial.write_text(json.dumps(told, allow_nan=False, indent=1) + "\n", "utf-8")
    partial.replace(path)


def erase_progress(path: Path) -> None:
    """Forget all."""
    path.unlink(missing_ok=True)


def _check(told: Any, path: Path) -> None:
    if (
        not isinstance(told, dict)
        or told.get("format") != FORMAT
        or not isinstance(told.get("sessions"), list)
    ):
        raise InputError(f"{path} must hold {FORMAT!r} with a list of sessions; got something else")
    for session in told["sessions"]:
        if not isinstance(session, dict) or session.get("lesson") not in LESSONS:
            raise InputError(
                f"{path}: each session names a lesson of {', '.join(LESSONS)}; got {session!r:.80}"
            )
