"""Which line comes next: the order of lines, jumps, loops and subprograms."""

from listen.program.control import Control
from listen.program.expression import Wrong
from listen.program.perform import perform
from listen.program.text import Source
from listen.program.words import Line, read_line


class Flowing:
    """Runs the lines of a program on a control.

    Parameters
    ----------
    source : Source
        The main file.
    control : Control
    """

    def __init__(self, source: Source, control: Control) -> None:
        self.sources = [source]
        self.control = control
        self.blocks: dict[tuple[int, int], str] = {}
        self._next = source.first
        self._n_run = 0

    def run(self) -> str:
        """Run to the end, and give what ended it."""
        source = self.sources[0]
        while self._next < source.stop:
            index = self._next
            self._next += 1
            self.control.line = index + 1
            ended = self._step(source.lines[index])
            if ended:
                return ended
        return "%" if source.stop < len(source.lines) else "end of file"

    def _step(self, text: str) -> str:
        line = read_line(text)
        if line.number is not None:
            self.blocks[(self.control.file, self.control.line)] = f"N{line.number}"
        if line.deleted and self.control.dialect.block_delete:
            return ""
        return self._do(line)

    def _do(self, line: Line) -> str:
        if line.flow is not None or 98.0 in [w[1] for w in line.words if w[0] == "M"]:
            raise Wrong("jumps and subprograms are not followed")
        for key, value in line.assigns:
            self.control.variables.assign(key(self.control.variables), value(self.control.variables))
        ended = perform(self.control, line.words) if line.words else ""
        if line.assigns:
            self.control.variables.settle()
        return ended
