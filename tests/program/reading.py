"""Short ways to read a program text in tests."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.job import Box, Job, Material, Setup, Tool
from listen.program.dialect import Dialect
from listen.program.moves import Program
from listen.program.reader import read_source_text
from listen.program.text import source_from
from listen.spans import SpanKind

KINDS = {
    int(SpanKind.RAPID): "rapid",
    int(SpanKind.FEED): "feed",
    int(SpanKind.RIGID): "rigid",
    int(SpanKind.DWELL): "dwell",
    int(SpanKind.SPINDLE): "spindle",
    int(SpanKind.TOOL_CHANGE): "tool",
    int(SpanKind.WAIT): "wait",
    int(SpanKind.UNKNOWN): "unknown",
}


def read(text: str, *, job: Job | None = None, fast: bool = True, **settings: Any) -> Program:
    """A program from its text; settings are those of the dialect."""
    source = source_from(text.encode(), name="part.nc")
    return read_source_text(source, job=job, dialect=Dialect(**settings), fast=fast)


def told(program: Program) -> list[tuple[str, tuple[float, ...]]]:
    """Kind and end of each move."""
    moves = program.moves
    return [
        (KINDS[int(kind)], tuple(round(float(v), 6) for v in end))
        for kind, end in zip(moves["kind"], moves["end"], strict=True)
    ]


def ends(program: Program) -> NDArray[np.float64]:
    """Ends of all moves, shape (n_moves, 3) [mm]."""
    return np.array(program.moves["end"])


def job_with(*tools: Tool, **more: Any) -> Job:
    """A job with an ordinary block and these tools."""
    stock = Box(low=(0.0, 0.0, -20.0), high=(80.0, 50.0, 0.0))
    given: dict[str, Any] = {
        "programs": (Path("part.nc"),),
        "units": "mm",
        "kind": "first cut",
        "setups": (Setup(offset="G54", stock=stock),),
        "material": Material(),
        "tools": tools,
    }
    return Job(**{**given, **more})
