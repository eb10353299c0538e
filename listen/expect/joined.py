"""Several programs, run one after the other, as one path."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from listen.errors import InputError
from listen.program.path import TimedPath
from listen.spans import Spans
from listen.timeline import Caution

_SPAN_ARRAYS = ("kind", "line", "tool", "begin", "end", "centre", "sweep", "axis")
_PATH_ARRAYS = (
    "feed_mm_per_min",
    "spindle_rpm",
    "coolant",
    "cycle",
    "length_offset",
    "compensated",
)


def joined_path(paths: Sequence[TimedPath]) -> TimedPath:
    """One path of several, each beginning when the one before has ended.

    Raises
    ------
    InputError
        Where there is none.
    """
    if not paths:
        raise InputError("a job needs at least one program, got none")
    if len(paths) == 1:
        return paths[0]
    names = tuple(dict.fromkeys(name for path in paths for name in path.offset_names))
    first_file = np.cumsum([0, *(len(path.files) for path in paths[:-1])])
    arrays: dict[str, Any] = {
        name: np.concatenate([getattr(path, name) for path in paths]) for name in _PATH_ARRAYS
    }
    return replace(
        paths[0],
        program=" + ".join(path.program for path in paths),
        spans=_joined_spans([path.spans for path in paths]),
        offset=np.concatenate([_renamed(path, names) for path in paths]),
        file=np.concatenate([path.file + np.int16(n) for path, n in zip(paths, first_file, strict=True)]),
        offset_names=names,
        files=tuple(name for path in paths for name in path.files),
        blocks={
            (file + int(n), line): name
            for path, n in zip(paths, first_file, strict=True)
            for (file, line), name in dict(path.blocks).items()
        },
        notes=tuple(in_program(note, path.program) for path in paths for note in path.notes),
        **arrays,
    )


def in_program(caution: Caution, name: str) -> Caution:
    """A caution of one of several programs, which a line number alone would not tell."""
    if caution.line is None or "(in " in caution.text:
        return caution
    return replace(caution, text=f"{caution.text} (in {name})")


def _renamed(path: TimedPath, names: tuple[str, ...]) -> np.ndarray:
    new = np.array([names.index(name) for name in path.offset_names], dtype=np.int16)
    return np.asarray(new[path.offset])


def _joined_spans(spans: Sequence[Spans]) -> Spans:
    ends = [float(s.stop_s[-1]) if len(s) else 0.0 for s in spans]
    shifts = np.cumsum([0.0, *ends[:-1]])
    return Spans(
        start_s=np.concatenate([s.start_s + t for s, t in zip(spans, shifts, strict=True)]),
        stop_s=np.concatenate([s.stop_s + t for s, t in zip(spans, shifts, strict=True)]),
        **{name: np.concatenate([getattr(s, name) for s in spans]) for name in _SPAN_ARRAYS},
    )
