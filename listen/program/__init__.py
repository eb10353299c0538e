"""How the tool moves: text, blocks, moves, timed path."""

from listen.program.checks import check_program, merge_cautions
from listen.program.dialect import Dialect
from listen.program.facts import LowestZ, ProgramFacts, program_facts
from listen.program.moves import Program, ToolUse
from listen.program.path import TimedPath
from listen.program.reader import read_program
from listen.program.timing import at_override, time_program

__all__ = [
    "Dialect",
    "LowestZ",
    "Program",
    "ProgramFacts",
    "TimedPath",
    "ToolUse",
    "at_override",
    "check_program",
    "merge_cautions",
    "program_facts",
    "read_program",
    "time_program",
]
