"""What is wrong with a program, as far as program and job alone can tell."""

from listen.job import Job
from listen.program.moves import Program
from listen.program.path import TimedPath
from listen.timeline import Caution


def check_program(program: Program, path: TimedPath, job: Job | None) -> tuple[Caution, ...]:
    """Cautions in the order of their lines; what needs the stock's shape is checked in `expect`."""
    return program.cautions
