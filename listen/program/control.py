"""The state of the control while a program runs, and the moves it makes."""

import math
from dataclasses import replace

from listen.job import MM_PER_INCH, Job
from listen.lengths import Place, length_text
from listen.program.compensation import Piece, offset_path
from listen.program.dialect import Dialect
from listen.program.expression import Wrong
from listen.program.frame import UNKNOWN, ZERO, Frame, plane_axes
from listen.program.moves import MoveStore, ToolUse
from listen.program.state import ESSENTIAL, FOR_A_TOOL, SAFE_LINE, Cycle, Modal
from listen.program.variables import Variables
from listen.spans import SpanKind
from listen.timeline import Caution

MACHINE_DECIDES = -1.0
LONG_DWELL_S = 100.0
AXES = "XYZ"


class Control:
    """A control running one program: modal state, place, and the moves so far.

    Parameters
    ----------
    dialect : Dialect
    job : Job | None
        Gives tool diameters and where the work offsets lie, where known.
    """

    def __init__(self, dialect: Dialect, job: Job | None) -> None:
        self.dialect = dialect
        self.job = job
        self.modal = Modal(
            units=MM_PER_INCH if dialect.units == "inch" else 1.0,
            arc_centre_absolute=dialect.arc_centre_absolute,
        )
        self.cycle = Cycle()
        self.frame = Frame()
        self.place: Place = UNKNOWN  # work coordinates
        self.kept_shift: Place = (0.0, 0.0, 0.0)  # what G92.2 set aside
        self.store = MoveStore()
        self.variables = Variables(
            dialect.variables, zero_when_unset=dialect.unset_variables == "zero", system=self.system_variable
        )
        self.line = 0
        self.file = 0
        self.offset_names: list[str] = ["G54"]
        self.origins: dict[str, list[float]] = {}
        self.lies_at: dict[str, Place] = _zeros_of(job)
        self.notes: dict[tuple[str, str], Caution] = {}
        self.cautions: dict[tuple[str, str], Caution] = {}
        self.dynamic: str = ""  # why moves are not judged now, "" where they are
        self.set_up_angles: dict[str, float] = {}  # of rotary axes, as the first cut finds them
        self.angles: dict[str, float] = {}
        self.turned = False  # away from its set-up
        self.offset_index = 0
        self.stated: set[str] = set()  # what the program has said itself, from its start
        self.stated_for_tool: set[str] = set()  # … and since the last tool change
        self.open_use: ToolUse | None = None  # a tool that has not fed yet
        self.tool_uses: list[ToolUse] = []
        self.moved = False
        self.home_incremental = False  # G91 was set beside G28
        self.lag: Place = ZERO  # tool minus programmed place, left by cutter compensation
        self._beside: list[Piece] | None = None  # moves waiting for their offset path

    # -- place ---------------------------------------------------------------

    @property
    def programmed(self) -> Place:
        """Where the tool is, in programmed coordinates."""
        return self.frame.to_programmed(self.place)

    def forget(self, axes: str = AXES) -> None:
        """The place on these axes is not known from here on."""
        x, y, z = (math.nan if a in axes else v for a, v in zip(AXES, self.place, strict=True))
        self.place = (x, y, z)

    def use_offset(self, name: str) -> None:
        """Another work offset: the same place in its coordinates, where both are known."""
        if name == self.modal.offset:
            return
        self.place = _moved(self.place, self._between(self.modal.offset, name))
        self.modal.offset = name
        if name not in self.offset_names:
            self.offset_names.append(name)
        self.offset_index = self.offset_names.index(name)

    def _between(self, old: str, new: str) -> Place:
        if old in self.lies_at and new in self.lies_at:
            a, b = self.lies_at[old], self.lies_at[new]
            return (a[0] - b[0], a[1] - b[1], a[2] - b[2])
        if old in self.origins and new in self.origins:
            o, n = self.origins[old], self.origins[new]
            return (o[0] - n[0], o[1] - n[1], o[2] - n[2])
        return UNKNOWN

    # -- what is told ----------------------------------------------------------

    def note(self, kind: str, text: str, remedy: str = "") -> None:
        """Say once what was passed over or cannot be judged."""
        self.notes.setdefault((kind, text), Caution(kind=kind, line=self.line, text=text, remedy=remedy))

    def caution(self, kind: str, text: str, remedy: str) -> None:
        """Say once what a person should look at."""
        self.cautions.setdefault((kind, text), Caution(kind=kind, line=self.line, text=text, remedy=remedy))

    def settle(self) -> str:
        """Carry out the line's assignments; gives "alarm" where the program stops itself."""
        ended = ""
        for key, value in self.variables.settle():
            if isinstance(key, int) and key >= 1000:
                ended = self._system_write(key, value) or ended
        return ended

    def _system_write(self, key: int, value: float) -> str:
        if key == 3000:
            self.caution(
                "alarm in the program",
                "the program stops itself with an alarm here (#3000)",
                "look at the condition before it; the rest is not followed",
            )
            return "alarm"
        if key == 3006:
            self.pause(SpanKind.WAIT, 0.0)
        if key in (3003, 3004):
            self.modal.hold_obeyed = value == 0.0
        if 2000 <= key < 3000 or 5201 <= key < 5400 or 7000 <= key < 8000 or key >= 10000:
            self.caution(
                "offsets rewritten",
                f"the program writes #{key}, an offset of the control",
                "note the offsets before the run, and compare them with what the operator set",
            )
            if 5201 <= key < 5400 or 7000 <= key < 8000:
                self.forget()
        return ""

    def say(self, words: set[str]) -> None:
        """The program states these itself."""
        self.stated |= words
        self.stated_for_tool |= words

    def _watch(self, kind: SpanKind) -> None:
        """Ask at the first move, and at the first feed of each tool, what is taken for granted."""
        if not self.moved and kind in (SpanKind.RAPID, SpanKind.FEED):
            self.moved = True
            self._first_move()
        if self.open_use is not None and kind in (SpanKind.FEED, SpanKind.RIGID):
            needed = dict(FOR_A_TOOL)
            if self.dialect.length_offset_at_tool_call:
                del needed["tool length"]
            missing = tuple(text for word, text in needed.items() if word not in self.stated_for_tool)
            self.tool_uses.append(replace(self.open_use, taken_for_granted=missing))
            self.open_use = None

    def _first_move(self) -> None:
        missing = [word for word in SAFE_LINE if word not in self.stated]
        if any(word in ESSENTIAL for word in missing):
            self.caution(
                "modal state taken for granted",
                f"before its first move the program does not say {', '.join(SAFE_LINE[w] for w in missing)}",
                "a safe line at the start should set them; what was left in the control counts now",
            )

    # -- values ----------------------------------------------------------------

    @property
    def rpm(self) -> float:
        """Commanded speed, negative for M4."""
        m = self.modal
        if not m.spindle:
            return 0.0
        return m.spindle * (self._surface_rpm() if m.surface_speed else m.speed)

    def _surface_rpm(self) -> float:
        diameter = self.diameter_of(self.modal.tool)
        if diameter is None:
            self.note(
                "spindle speed not known",
                f"G96 needs the diameter of tool {self.modal.tool}, which the job does not give",
                "give the tool in the job, or program the speed with G97",
            )
            return 0.0
        return self.modal.speed * 1000.0 / (math.pi * diameter)

    def diameter_of(self, number: int) -> float | None:
        """Diameter of the tool with this number [mm], None where the job has none."""
        tool = None if self.job is None else self.job.tool(number)
        return None if tool is None else tool.diameter

    def radius_of(self, register: int) -> float | None:
        """Radius that a D register should hold [mm], None where the job does not tell."""
        tools = () if self.job is None else self.job.tools
        named = [tool for tool in tools if tool.d == register]
        named += [tool for tool in tools if tool.d is None and tool.number == register]
        return named[0].diameter / 2.0 if named else None

    def path_feed(self, length: float) -> float:
        """Feed along the path for a move of this length [mm/min]; 0 where there is none."""
        m = self.modal
        if m.feed_mode == 93:
            return 0.0 if math.isnan(m.feed) else m.feed * length
        feed = 0.0 if math.isnan(m.feed) else m.feed
        return feed * abs(self.rpm) if m.feed_mode == 95 else feed

    def system_variable(self, number: int) -> float | None:
        """A numbered variable of the control that follows from the program itself."""
        if 5041 <= number <= 5043 or 5001 <= number <= 5003:
            return self._or_none(self.programmed[(number - 1) % 10] / self.modal.units)
        if 5211 <= number <= 5213:
            return self.frame.shift[number - 5211] / self.modal.units
        index, axis = divmod(number - 5221, 20)
        if 0 <= index < 9 and axis < 3:
            origin = self.origins.get(OFFSETS[index])
            return None if origin is None else self._or_none(origin[axis] / self.modal.units)
        return None

    @staticmethod
    def _or_none(value: float) -> float | None:
        return None if math.isnan(value) else value

    @property
    def judged(self) -> bool:
        """False while offsets or rotary axes move the work in a way that is not followed."""
        return not (self.dynamic or self.turned)

    def stamp(self) -> dict[str, object]:
        """What is in force for any move, by column of `MOVE`."""
        m = self.modal
        return {
            "file": self.file,
            "tool": m.tool,
            "rpm": self.rpm,
            "coolant": m.coolant,
            "offset": self.offset_index,
            "length_offset": m.length_offset,
            "compensated": m.compensation != 40,
            "exact": m.exact,
            "judged": self.judged,
        }

    def dwell_of(self, p: float, code: str, *, whole: bool) -> float:
        """Seconds that a P word asks for; a long one in whole seconds may be meant in milliseconds."""
        if self.dialect.dwell_unit == "ms":
            return p / 1000.0
        if p >= LONG_DWELL_S and whole:
            self.caution(
                "long dwell",
                f"{code} P{p:g} is read as {p:g} seconds",
                'if the control takes P in milliseconds, set [machine] dwell_unit = "ms"',
            )
        return p

    # -- moves -----------------------------------------------------------------

    def pause(self, kind: SpanKind, seconds: float = MACHINE_DECIDES) -> None:
        """A span in which the tool stays where it is."""
        self._emit(kind, self.place, self.place, seconds=seconds)

    def go(
        self,
        kind: SpanKind,
        end: Place,
        *,
        centre: Place = UNKNOWN,
        sweep: float = 0.0,
        axis: int = 2,
        feed: float = 0.0,
        cycle: int = 0,
        seconds: float = math.nan,
    ) -> None:
        """A move to `end` in work coordinates."""
        if kind == SpanKind.FEED and not (self.modal.overrides and self.modal.hold_obeyed):
            kind = SpanKind.RIGID
        self._emit(
            kind,
            self.place,
            end,
            centre=centre,
            sweep=sweep,
            axis=axis,
            feed=feed,
            cycle=cycle,
            seconds=seconds,
        )
        self.place = end

    def _emit(
        self,
        kind: SpanKind,
        begin: Place,
        end: Place,
        *,
        centre: Place = UNKNOWN,
        sweep: float = 0.0,
        axis: int = 2,
        feed: float = 0.0,
        cycle: int = 0,
        seconds: float = math.nan,
    ) -> None:
        m = self.modal
        if self.open_use is not None or not self.moved:
            self._watch(kind)
        if len(self.store) + len(self._beside or ()) >= self.dialect.max_moves:
            raise Wrong(f"more than {self.dialect.max_moves} moves; does the program repeat without end?")
        begin, end = self._lagging(begin, end)
        row = (
            *(int(kind), self.line, self.file, m.tool, begin, end, centre, sweep, axis, feed, seconds),
            *(self.rpm, m.coolant, self.offset_index, cycle, m.length_offset),
            *(m.compensation != 40, m.exact, self.judged),
        )
        if self._beside is None:
            self.store.add(row)
            return
        a, b = plane_axes(m.plane)
        step = math.hypot(end[a] - begin[a], end[b] - begin[b]) if begin != end else 0.0
        if math.isnan(step):
            raise Wrong("a place that is not known under cutter compensation; is G40 missing before it?")
        moves = step > 1e-6 or sweep != 0.0
        if self._beside and math.dist(self._beside[-1].end, begin) > 1e-6:
            raise Wrong(
                "the coordinates change under cutter compensation, which is not followed; use G40 first"
            )
        piece = Piece(row=row, line=self.line, begin=begin, end=end, centre=centre, sweep=sweep, moves=moves)
        self._beside.append(piece)

    def _lagging(self, begin: Place, end: Place) -> tuple[Place, Place]:
        """What is left of cutter compensation is taken up by the next move."""
        if self.lag == ZERO:
            return begin, end
        if begin == end:
            return _moved(begin, self.lag), _moved(end, self.lag)
        begin, self.lag = _moved(begin, self.lag), ZERO
        return begin, end

    # -- cutter compensation -----------------------------------------------------

    def compensate(self, radius: float | None) -> None:
        """Begin to collect moves for an offset path; None where the radius is not known."""
        self.end_compensation()
        if radius is not None and radius > 0.0:
            self._beside = []
            self.modal.compensation_radius = radius

    @property
    def unit(self) -> str:
        """The unit in force, for what is said of the program."""
        return "mm" if self.modal.units == 1.0 else "inch"

    def length(self, mm: float) -> str:
        """A length as the program writes it, with its unit."""
        return length_text(mm, self.unit, FINE_DIGITS[self.unit])

    def end_compensation(self) -> None:
        """Make the moves that waited, beside their contour."""
        pieces, self._beside = self._beside, None
        if not pieces:
            return
        modal = self.modal
        programmed = pieces[-1].end
        moved = offset_path(
            pieces,
            radius=modal.compensation_radius,
            left=modal.compensation_left,
            axis=modal.plane,
            length=self.length,
        )
        for piece in moved:
            row = piece.row
            self.store.add((*row[:4], piece.begin, piece.end, piece.centre, piece.sweep, *row[8:]))
        last = moved[-1].end
        self.lag = (last[0] - programmed[0], last[1] - programmed[1], last[2] - programmed[2])


FINE_DIGITS = {"mm": 4, "inch": 3}
"""For `length_text`, which gives inches two more digits."""
OFFSETS = ("G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3")


def _zeros_of(job: Job | None) -> dict[str, Place]:
    return {} if job is None else {setup.offset: setup.zero for setup in job.setups}


def _moved(place: Place, by: Place) -> Place:
    return (place[0] + by[0], place[1] + by[1], place[2] + by[2])
