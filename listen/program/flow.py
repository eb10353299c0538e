"""Which line comes next: the order of lines, jumps, loops and subprograms.

References
----------
Subprograms and jumps are not in NISTIR 6556; they are as common controls have them, and
labelled statements (``o100 while``) as public RS-274/NGC interpreters do.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

from listen.program.control import Control
from listen.program.expression import Value, Wrong, known, whole
from listen.program.files import Files
from listen.program.perform import perform
from listen.program.text import Source
from listen.program.words import Flow, Line, read_line, value_of

cached_line = lru_cache(maxsize=20_000)(read_line)
TELL_EVERY = 10_000  # lines
JUMPS_NOT_FOLLOWED = {
    96: "M96 arms an interruption",
    97: "M97 calls lines of this file",
    198: "M198 calls a file",
}


@dataclass(slots=True)
class Frame:
    """One running program or subprogram.

    Attributes
    ----------
    file : int
        Index into `Flowing.sources`.
    first : int
        Index of its first line, where a repeat begins.
    repeats : int
        How often it still runs after this time.
    own_variables : bool
        Whether it was called with arguments.
    next_line : int
    counters : dict
        What is left of each ``repeat``, and which ``do`` loops run.
    """

    file: int
    first: int
    repeats: int = 0
    own_variables: bool = False
    next_line: int = 0
    counters: dict[str | int, int] = field(default_factory=dict)


class Flowing:
    """Runs the lines of a program on a control.

    Parameters
    ----------
    source : Source
        The main file.
    control : Control
    progress : function | None
        Told now and then how far through the main file the run is [0 to 1].
    fast : bool
        Whether runs of plain lines are read by the kernel; the result is the same.
    """

    def __init__(
        self,
        source: Source,
        control: Control,
        *,
        progress: Callable[[float], None] | None = None,
        fast: bool = True,
    ) -> None:
        self.files = Files(source, fast=fast)
        self.control = control
        self._frames = [Frame(file=0, first=source.first, next_line=source.first)]
        self._jumps: dict[tuple[int, int], tuple[int, int, int]] = {}
        self._n_run = 0
        self._progress = progress
        self._tell_at = TELL_EVERY
        self._label_seen = False

    def run(self) -> str:
        """Run to the end, and give what ended it."""
        while True:
            frame = self._frames[-1]
            source = self.files.sources[frame.file]
            if frame.next_line >= source.stop:
                if len(self._frames) == 1:
                    return "%" if source.stop < len(source.lines) else "end of file"
                self._return(None)
                continue
            if self._progress is not None and frame.next_line >= self._tell_at:
                self._tell_progress(frame.next_line)
            if self._skip_plain(frame):
                continue
            ended = self._step(frame, source)
            if ended:
                return ended

    def _tell_progress(self, index: int) -> None:
        assert self._progress is not None
        if len(self._frames) == 1:
            self._tell_at = index + TELL_EVERY
            self._progress(index / self.files.sources[0].stop)

    def _skip_plain(self, frame: Frame) -> bool:
        plain = self.files.plain[frame.file]
        if plain is None:
            return False
        n_lines = plain.run(self.control, frame.next_line)
        frame.next_line += n_lines
        return n_lines > 0

    def _step(self, frame: Frame, source: Source) -> str:
        index = frame.next_line
        frame.next_line += 1
        self.control.line = index + 1
        self._n_run += 1
        if self._n_run > self.control.dialect.max_blocks + len(source.lines):
            raise Wrong(
                f"more than {self.control.dialect.max_blocks} lines were run and there is no end; "
                "does a loop here never end?"
            )
        line = cached_line(source.lines[index])
        if line.deleted:
            self._tell_deleted()
            if self.control.dialect.block_delete:
                return ""
        if line.label is not None and self._falls_into(line.label, index):
            return f"O{line.label}"
        return self._do(line)

    def _tell_deleted(self) -> None:
        how = "skipped" if self.control.dialect.block_delete else "run"
        self.control.note(
            "block delete",
            f'lines that begin with "/" are {how} here',
            "set the switch on the panel alike, or [machine] dialect = {block_delete = true}",
        )

    def _falls_into(self, label: int, index: int) -> bool:
        """Whether the main program runs on into the next program of its file."""
        if len(self._frames) > 1:
            return False
        again = self._label_seen or len(self.control.store) > 0
        self._label_seen = True
        return again and self.files.labels[0].programs.get(label) == index

    def _do(self, line: Line) -> str:
        control = self.control
        if line.flow is not None and line.flow.kind != "then":
            self._follow(line.flow)
            return ""
        if line.flow is not None and not self._holds(line.flow.values[0]):
            return ""
        for key, value in line.assigns:
            control.variables.assign(key(control.variables), value(control.variables))
        ended = self._perform(line) if line.words else ""
        if line.assigns:
            ended = control.settle() or ended
        return ended

    def _perform(self, line: Line) -> str:
        calls = [word for word in line.words if word[0] == "M" and word[1] in (98.0, 99.0)]
        if not calls:
            for word in line.words:
                if word[0] == "M" and word[1] in JUMPS_NOT_FOLLOWED:
                    raise Wrong(f"{JUMPS_NOT_FOLLOWED[int(word[1])]}, which is not followed; write it out")
            return perform(self.control, line.words)
        mine = [w for w in line.words if w in calls or w[0] in "PLO"]
        rest = tuple(w for w in line.words if w not in mine)
        ended = perform(self.control, rest) if rest else ""
        values = {w[0]: value_of(w, self.control.variables) for w in mine if w[0] in "PL"}
        if calls[0][1] == 98.0:
            self._call_number(values)
            return ended
        return ended or self._m99(values)

    def _m99(self, values: dict[str, float]) -> str:
        if len(self._frames) == 1 and "P" not in values:
            self.control.note(
                "program repeats",
                "M99 in the main program starts it again; one time through is followed",
                "",
            )
            return "M99"
        if len(self._frames) == 1:
            self._jump(whole(values["P"], "P"))
            return ""
        frame = self._frames[-1]
        if frame.repeats > 0 and "P" not in values:
            frame.repeats -= 1
            frame.next_line = frame.first
            return ""
        self._return(whole(values["P"], "P") if "P" in values else None)
        return ""

    # -- subprograms -------------------------------------------------------------

    def _call_number(self, values: dict[str, float]) -> None:
        if "P" not in values:
            raise Wrong("M98 needs P, the number of the subprogram")
        number = whole(values["P"], "P")
        repeats = whole(values.get("L", 1.0), "L")
        found = self.files.find_program(number, self._frames[-1].file)
        if found is None and number > 9999:
            repeats, number = number // 10000, number % 10000
            found = self.files.find_program(number, self._frames[-1].file)
        if found is None:
            raise Wrong(
                f"M98 calls O{number}, which is neither in this file nor in a file of its own beside it "
                f"(O{number}.nc); put it there"
            )
        if not 0 <= repeats <= 99999:
            raise Wrong(f"a subprogram is run 0 to 99999 times, got {repeats}")
        if repeats:
            self._enter(Frame(file=found[0], first=found[1], repeats=repeats - 1, next_line=found[1]), None)

    def _enter(self, frame: Frame, arguments: list[float] | None) -> None:
        if len(self._frames) > self.control.dialect.max_calls:
            raise Wrong(
                f"subprograms are nested more than {self.control.dialect.max_calls} deep; "
                "does one call itself without end?"
            )
        frame.own_variables = arguments is not None
        self.control.variables.enter(arguments)
        self._frames.append(frame)
        self.control.file = frame.file

    def _return(self, number: int | None) -> None:
        if len(self._frames) == 1:
            raise Wrong("a return stands outside a subprogram")
        frame = self._frames.pop()
        self.control.variables.leave(keep=not frame.own_variables)
        self.control.file = self._frames[-1].file
        if number is not None:
            self._jump(number)

    # -- jumps -------------------------------------------------------------------

    def _follow(self, flow: Flow) -> None:
        if flow.kind.startswith("o "):
            self._statement(flow.kind[2:], flow)
        elif flow.kind == "goto":
            self._jump(self._target(flow.values[0]))
        elif flow.kind == "if":
            if self._holds(flow.values[0]):
                self._jump(self._target(flow.values[1]))
        elif flow.kind == "while":
            if flow.values and not self._holds(flow.values[0]):
                self._go(self._loop_end(int(flow.label)) + 1)
        else:
            self._go(self._loop_start(int(flow.label)))

    def _holds(self, condition: Value) -> bool:
        return known(condition, self.control.variables) != 0.0

    def _target(self, value: Value) -> int:
        return whole(known(value, self.control.variables), "the target of GOTO")

    def _jump(self, number: int) -> None:
        frame = self._frames[-1]
        index = self.files.labels[frame.file].line_of(number, frame.next_line)
        if index is None:
            raise Wrong(f"there is no line N{number} to go to in this file")
        self._go(index)

    def _go(self, index: int) -> None:
        """Go on at a line; going back with nothing changed since last time would never end."""
        frame = self._frames[-1]
        at = frame.next_line - 1
        if index <= at:
            variables = self.control.variables
            now = (variables.n_changes, variables.n_live_reads, len(self._frames))
            if self._jumps.get((frame.file, at)) == now:
                raise Wrong("this loop never ends: nothing that it depends on changes")
            self._jumps[(frame.file, at)] = now
        frame.next_line = index

    def _loop_end(self, number: int) -> int:
        frame = self._frames[-1]
        for index, kind, label in self.files.labels[frame.file].loops:
            if index >= frame.next_line and kind == "end" and label == number:
                return index
        raise Wrong(f"DO{number} has no END{number}")

    def _loop_start(self, number: int) -> int:
        frame = self._frames[-1]
        starts = [
            index
            for index, kind, label in self.files.labels[frame.file].loops
            if index < frame.next_line - 1 and kind == "do" and label == number
        ]
        if not starts:
            raise Wrong(f"END{number} has no DO{number} before it")
        return starts[-1]

    # -- labelled statements -----------------------------------------------------

    def _statement(self, keyword: str, flow: Flow) -> None:
        label, values = flow.label, flow.values
        counters = self._frames[-1].counters
        if keyword == "sub":
            self._go(self._after(label, ("endsub",)))
        elif keyword == "call":
            self._call_label(label, [known(v, self.control.variables) for v in values])
        elif keyword in ("endsub", "return"):
            self._return(None)
        elif keyword in ("if", "elseif", "else"):
            self._if(keyword, label, values)
        elif keyword in ("while", "do", "repeat"):
            self._begin_loop(keyword, label, values, counters)
        elif keyword in ("endwhile", "endrepeat", "continue"):
            self._go(self._before(label))
        elif keyword == "break":
            counters.pop(label, None)
            self._go(self._after(label, ("endwhile", "endrepeat", "while")))

    def _if(self, keyword: str, label: str | int, values: tuple[Value, ...]) -> None:
        """From an ``if`` on to the part that holds; from the end of a part to ``endif``."""
        if keyword != "if":
            self._go(self._after(label, ("endif",)))
            return
        condition = values
        while not (condition and self._holds(condition[0])):
            self._go(self._after(label, ("elseif", "else", "endif")))
            frame = self._frames[-1]
            line = cached_line(self.files.sources[frame.file].lines[frame.next_line - 1])
            if line.flow is None or line.flow.kind != "o elseif":
                return
            condition = line.flow.values

    def _begin_loop(
        self, keyword: str, label: str | int, values: tuple[Value, ...], counters: dict[str | int, int]
    ) -> None:
        here = self._frames[-1].next_line
        if keyword == "do":
            counters[label] = 1
        elif keyword == "while" and label in counters:
            if self._holds(values[0]):
                self._go(self._before(label))
            else:
                del counters[label]
        elif keyword == "while":
            if not self._holds(values[0]):
                self._go(self._after(label, ("endwhile",)))
        else:
            left = counters.get(label, whole(known(values[0], self.control.variables), "repeat"))
            counters[label] = left - 1
            if left <= 0:
                del counters[label]
                self._go(self._after(label, ("endrepeat",)))
            self._jumps.pop((self._frames[-1].file, self._end_of_repeat(label, here)), None)

    def _end_of_repeat(self, label: str | int, here: int) -> int:
        places = self.files.labels[self._frames[-1].file].statements.get(label, [])
        return next((index for index, word in places if index >= here and word == "endrepeat"), -1)

    def _after(self, label: str | int, keywords: tuple[str, ...]) -> int:
        """The line after the next of these keywords with the label."""
        frame = self._frames[-1]
        for index, keyword in self.files.labels[frame.file].statements.get(label, []):
            if index >= frame.next_line and keyword in keywords:
                return index + 1
        raise Wrong(f"o{label} has no {' or '.join(keywords)} after it")

    def _before(self, label: str | int) -> int:
        """The line that begins the loop with this label."""
        frame = self._frames[-1]
        starts = [
            index
            for index, keyword in self.files.labels[frame.file].statements.get(label, [])
            if index < frame.next_line - 1 and keyword in ("while", "do", "repeat")
        ]
        if not starts:
            raise Wrong(f"o{label} has no while, do or repeat before it")
        return starts[-1]

    def _call_label(self, label: str | int, arguments: list[float]) -> None:
        found = self.files.find_sub(label, self._frames[-1].file)
        if found is None:
            raise Wrong(
                f"o{label} call: there is no o{label} sub here, nor a file {label}.ngc beside this one"
            )
        file, index = found
        self._enter(Frame(file=file, first=index + 1, next_line=index + 1), arguments)
