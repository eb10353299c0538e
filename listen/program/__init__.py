"""How the tool moves: text, blocks, moves, timed path."""

from listen.program.checks import check_program
from listen.program.dialect import Dialect
from listen.program.moves import Program
from listen.program.path import TimedPath
from listen.program.reader import read_program
from listen.program.timing import time_program

__all__ = ["Dialect", "Program", "TimedPath", "check_program", "read_program", "time_program"]
