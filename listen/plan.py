"""A job worked out before its run: its programs read, and what they should do."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from listen.expect import Expected, expect
from listen.expect.joined import in_program, joined_path
from listen.job import Job
from listen.program import TimedPath, check_program, merge_cautions, read_program, time_program
from listen.timeline import NOTE_KINDS, Caution, Timeline

_READING = 0.2
"""Share of the progress that reading the program takes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """A job worked out before the run.

    Attributes
    ----------
    job : Job
    path : TimedPath
    expected : Expected
        Its timeline carries the cautions of program and stock.
    """

    job: Job
    path: TimedPath
    expected: Expected

    @property
    def timeline(self) -> Timeline:
        """What the run is held against."""
        return self.expected.timeline

    @property
    def warnings(self) -> tuple[Caution, ...]:
        """The cautions that say that something is wrong, not that something was left unchecked."""
        return warnings_of(self.timeline.cautions)


def warnings_of(cautions: Iterable[Caution]) -> tuple[Caution, ...]:
    """Those that say that something is wrong, not that something was left unchecked."""
    return tuple(caution for caution in cautions if caution.kind not in NOTE_KINDS)


def plan_job(
    job: Job,
    *,
    first: tuple[Caution, ...] = (),
    progress: Callable[[float], None] | None = None,
) -> Plan:
    """What a job's program should do: contacts, holds, and the cautions of program and stock.

    Parameters
    ----------
    job : Job
    first : tuple of Caution
        What is to be told before all that is found here.
    progress : function
        Told the share done [0 to 1].

    Raises
    ------
    ListenError
        If the program cannot be read or the job does not fit it.
    """
    reading = _part(progress, 0.0, _READING)
    programs = [read_program(program, job=job, progress=reading) for program in job.programs]
    paths = [time_program(program, job.machine) for program in programs]
    path = joined_path(paths)
    expected = expect(path, job, progress=_part(progress, _READING, 1.0))
    checked = [
        in_program(caution, program.name) if len(programs) > 1 else caution
        for program, own in zip(programs, paths, strict=True)
        for caution in check_program(program, own, job)
    ]
    cautions = _in_order(merge_cautions(tuple(checked), expected.timeline.cautions), n_programs=len(programs))
    timeline = replace(expected.timeline, cautions=(*first, *cautions))
    return Plan(job=job, path=path, expected=replace(expected, timeline=timeline))


def _in_order(cautions: tuple[Caution, ...], *, n_programs: int) -> tuple[Caution, ...]:
    """What is wrong first, by its line where there is one program; then what was left unchecked."""

    def place(caution: Caution) -> tuple[bool, int]:
        line = caution.line if n_programs == 1 and caution.line is not None else 0
        return caution.kind in NOTE_KINDS, line

    return tuple(sorted(cautions, key=place))


def _part(
    progress: Callable[[float], None] | None, low: float, high: float
) -> Callable[[float], None] | None:
    """The same progress for one part of the work, its own 0 to 1 laid between two shares."""
    if progress is None:
        return None
    return lambda share: progress(low + (high - low) * share)


def lines_of_blocks(plan: Plan | None) -> dict[str, int]:
    """Line in the main program of each N word."""
    if plan is None:
        return {}
    return {name: line for (file, line), name in plan.path.blocks.items() if file == 0}
