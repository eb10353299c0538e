"""Read a program: from the file to its moves."""

from collections.abc import Callable
from pathlib import Path

from listen.errors import ProgramError
from listen.job import Job
from listen.program.control import Control
from listen.program.dialect import Dialect, dialect_from
from listen.program.expression import Wrong
from listen.program.flow import Flowing
from listen.program.labels import BlockNames
from listen.program.moves import Program
from listen.program.text import Source, read_source


def read_program(
    path: Path,
    *,
    job: Job | None = None,
    dialect: Dialect | None = None,
    progress: Callable[[float], None] | None = None,
) -> Program:
    """Moves of a program file, in the order in which they are run.

    Parameters
    ----------
    path : Path
    job : Job | None
        Gives tool diameters, work offsets and the machine's dialect, where known.
    dialect : Dialect | None
        How the control reads what the standards leave open; by default as the job says.
    progress : function
        Told now and then how far through the file the reading is [0 to 1].

    Raises
    ------
    ProgramError
        With file, line and word, where the program cannot be followed.
    """
    return read_source_text(read_source(path), job=job, dialect=dialect, progress=progress)


def read_source_text(
    source: Source,
    *,
    job: Job | None = None,
    dialect: Dialect | None = None,
    progress: Callable[[float], None] | None = None,
    fast: bool = True,
) -> Program:
    """As `read_program`, for a source that is read already; `fast` changes the time, not the result."""
    control = Control(dialect if dialect is not None else dialect_of(job), job)
    flowing = Flowing(source, control, progress=progress, fast=fast)
    try:
        ended_by = flowing.run()
        control.end_compensation()
    except Wrong as wrong:
        name = flowing.files.sources[control.file].name
        raise ProgramError(name, wrong.line or max(control.line, 1), str(wrong)) from None
    if ended_by in ("%", "end of file"):
        control.caution(
            "no program end",
            "the program has no M30 or M2",
            "write M30 at its end; without it spindle and coolant may stay on",
        )
    return Program(
        name=source.name,
        path=source.path,
        moves=control.store.finish(),
        listing=source.lines,
        files=tuple(s.name for s in flowing.files.sources),
        offset_names=tuple(control.offset_names),
        blocks=BlockNames(tuple(flowing.files.sources)),
        notes=tuple(control.notes.values()),
        cautions=tuple(control.cautions.values()),
        origins={name: (o[0], o[1], o[2]) for name, o in control.origins.items()},
        tool_uses=tuple(control.tool_uses),
        n_bytes=source.n_bytes,
        checksum=source.checksum,
        ended_by=ended_by,
    )


def dialect_of(job: Job | None) -> Dialect:
    """The dialect that a job's machine has."""
    if job is None:
        return Dialect()
    machine = job.machine
    return dialect_from(
        machine.dialect,
        dwell_unit=machine.dwell_unit,
        length_offset_at_tool_call=machine.length_offset_at_tool_call,
    )
