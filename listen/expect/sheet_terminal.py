"""The first-run sheet for the terminal, 100 columns wide."""

import io
from collections.abc import Iterable, Iterator, Sequence

from rich import box
from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from listen.expect.holds import SWITCH_ON
from listen.expect.sheet import Sheet
from listen.expect.sheet_programs import program_lines
from listen.lengths import length_number
from listen.timeline import NOTE_KINDS
from listen.where import said_block

WIDTH = 100
CONTROL_DIGITS = {"mm": 3, "inch": 2}
"""For `length_number`, which gives inches two more: 0.001 mm, 0.0001 inch."""
FALLS = 0.005  # mm of each mm of way: less is level
HOW_TO_READ = (
    "H and D: numbers of length and radius in the control.",
    "Chip from: least feed override that still makes a chip; below it the tool rubs.",
    "Left: way still to go to first touch; hold at each place of the list and look.",
    "Override at most: the highest at which a press should still stop there; reckoned, not measured.",
    "A look, a gap compared: spindle at a standstill first; before going on it turns again.",
    "Restart: what must be in force before that line; how to restart, the machine's manual says.",
    "From, to: since the program's start at 100 %, dwells counted, stops that wait for a person (M0) not.",
    "Heard: how well the microphone should hear it.",
)
UNCHECKED = "Look at these yourself"
FIXED = "Advice only. This sheet cannot stop the machine. Watch the machine."
RULES_FIRST = "Doors, guards, the machine's manual and local rules come first."


class Shown:
    """Turns lengths of a sheet into text in the unit of the job."""

    def __init__(self, sheet: Sheet) -> None:
        self.unit = sheet["shown_in"]
        self._names: dict[str, str] = sheet.get("block_names", {})
        self._contacts: list[Sheet] = sheet["contacts"]

    def length(self, value: float | None, digits: int | None = None) -> str:
        """A length as the control would show it, or to digits of a millimetre; "–" where it is not known."""
        if value is None:
            return "–"
        return length_number(value, self.unit, CONTROL_DIGITS[self.unit] if digits is None else digits)

    def of_warning(self, warning: Sheet) -> str:
        """Its line with a colon, "" where it has none; the text of one in another file names that file."""
        line = warning["line"]
        if not line:
            return ""
        return f"line {line}: " if "(in " in warning["text"] else f"{self.where(line)}: "

    def where(self, line: int) -> str:
        """A line by its N word, which the control shows, and by its number in the file."""
        return said_block(self._names.get(str(line), ""), line)

    def contact(self, number: int) -> str:
        """A contact by its number and its line, and which it is where a line has several, as of pecks."""
        its = next(one for one in self._contacts if one["id"] == number)
        alike = [one["id"] for one in self._contacts if one["block"] == its["block"]]
        which = _which(alike.index(number), len(alike))
        return f"contact {number}{which} in {said_block(its['block'], its['line'])}"

    def stop(self, hold: Sheet) -> str:
        """Where a hold stops: its line, in another file with that file's name."""
        return said_block(hold["block"], hold["line"])

    @staticmethod
    def stretch(first: str, last: str) -> str:
        """The blocks from which to which a pass goes, "N70–N90" or "9–15"."""
        one, other = (block.removeprefix("line ") for block in (first, last))
        return one if one == other else f"{one}–{other}"

    def place(self, place: Iterable[float | None]) -> str:
        """A place as the control would show it."""
        return " ".join(f"{axis}{self.length(v)}" for axis, v in zip("XYZ", place, strict=True))

    def moving(self, place: Sequence[float], other: Sequence[float]) -> str:
        """Only the axes in which a place differs from another."""
        pairs = zip("XYZ", place, other, strict=True)
        return " ".join(f"{axis}{self.length(a)}" for axis, a, b in pairs if abs(a - b) > 5e-4) or self.place(
            place
        )


def _which(index: int, n: int) -> str:
    """Which of so many; nothing where it is the only one."""
    if n == 1:
        return ""
    nth = {0: "the first", n - 1: "the last"}.get(index, f"number {index + 1}")
    return f", {nth} of {n}"


def clock_text(seconds: float) -> str:
    """Seconds as minutes and seconds.

    Examples
    --------
    >>> clock_text(75.2), clock_text(3.14)
    ('1:15', '3.1 s')
    """
    return f"{int(seconds // 60)}:{int(seconds % 60):02d}" if seconds >= 60.0 else f"{seconds:.1f} s"


def terminal_sheet(sheet: Sheet, *, contacts: bool = False, figures: bool = False) -> Group:
    """The sheet as something rich can print.

    Parameters
    ----------
    sheet : Sheet
    contacts : bool
        Open the passes to their contacts.
    figures : bool
        Add chip, force, power and load.
    """
    shown = Shown(sheet)
    parts: list[RenderableType] = [
        Text(f"First-run sheet: {sheet['program']} ({sheet['kind']})", style="bold"),
        Text(FIXED),
    ]
    parts += _warnings(sheet, shown)
    parts += [Text(), Text("Is this my set-up?", style="bold"), *_setup(sheet, shown)]
    parts += [_tools(sheet, shown)]
    for touch in sheet["first_touches"]:
        parts += [Text(), *_touch(touch, sheet, shown)]
    parts += [Text(), Text("Passes", style="bold"), _passes(sheet, shown)]
    if contacts:
        parts.append(_contacts(sheet, shown))
    if figures:
        parts.append(_figures(sheet, shown))
    times = ", ".join(f"{t['override']} %: {clock_text(t['seconds'])}" for t in sheet["times"])
    parts.append(Text(f"Time at feed and rapid override of {times} (waits and tool changes as they are)"))
    parts += [Text(), Text("How to read it", style="bold"), *(Text("  " + words) for words in HOW_TO_READ)]
    return Group(*parts, Text(), Text(RULES_FIRST))


def terminal_text(sheet: Sheet, *, contacts: bool = False, figures: bool = False) -> str:
    """The sheet as plain text of at most 100 columns."""
    console = Console(width=WIDTH, file=io.StringIO(), color_system=None, legacy_windows=False)
    with console.capture() as capture:
        console.print(terminal_sheet(sheet, contacts=contacts, figures=figures))
    return capture.get()


def _warnings(sheet: Sheet, shown: Shown) -> list[RenderableType]:
    wrong, unchecked = wrong_and_unchecked(sheet)
    found: list[RenderableType] = [Text(), Text("Warnings", style="bold")]
    if not wrong:
        found.append(Text("  none found; that is not a permission"))
    found += _cautions("!", wrong, shown)
    if unchecked:
        found += [Text(), Text(UNCHECKED, style="bold"), *_cautions("?", unchecked, shown)]
    return found


def wrong_and_unchecked(sheet: Sheet) -> tuple[list[Sheet], list[Sheet]]:
    """The cautions of a sheet: those that something is wrong, and those that only a person can look at."""
    wrong = [one for one in sheet["warnings"] if one["kind"] not in NOTE_KINDS]
    return wrong, [one for one in sheet["warnings"] if one["kind"] in NOTE_KINDS]


def _cautions(sign: str, cautions: list[Sheet], shown: Shown) -> Iterator[RenderableType]:
    for caution in cautions:
        yield Text(f"{sign} {shown.of_warning(caution)}{caution['text']}")
        if caution["remedy"]:
            yield Text(f"    {caution['remedy']}", style="italic")


def _setup(sheet: Sheet, shown: Shown) -> list[RenderableType]:
    rows = setup_facts(sheet, shown)
    rows += [line for program in sheet["setup"]["programs"] for line in program_lines(program, shown)]
    return [Text("  " + row) for row in rows]


def setup_facts(sheet: Sheet, shown: Shown) -> list[str]:
    """What to hold against the machine: program, unit, stock, material, depth; a line each."""
    setup = sheet["setup"]
    rows = [f"Program {sheet['program']}, checksum {sheet['checksum'] or 'none'}, units {shown.unit}"]
    rows += other_units(sheet)
    for stock in setup["stock"]:
        rows.append(
            f"{stock['offset']}: {stock['shape']} "
            f"from {shown.place(stock['low'])} to {shown.place(stock['high'])}"
        )
    rows.append(
        f"Material {setup['material'] or 'not given'}; offsets used: {', '.join(setup['offsets_used'])}"
    )
    above = setup["above_underside"]
    side = "above" if above is None or above >= 0.0 else "BELOW"
    distance = shown.length(None if above is None else abs(above))
    rows.append(f"Lowest Z in feed {shown.length(setup['lowest_z'])}, {distance} {side} the underside")
    if (
        len(setup["programs"]) != 1 and len(setup["offsets_used"]) == 1
    ):  # else each program's own facts say it
        travel = setup["travel"]
        rows.append(f"Travel from {shown.place(travel['low'])} to {shown.place(travel['high'])}")
    return rows


def other_units(sheet: Sheet) -> list[str]:
    """A line to read where the program is in another unit than the sheet."""
    if sheet["written_in"] == sheet["shown_in"]:
        return []
    written = "inch (G20)" if sheet["written_in"] == "inch" else "mm (G21)"
    return [f"The program is in {written}, this sheet in {sheet['shown_in']}: compare with care"]


def _table(*columns: str, right: str = "") -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), collapse_padding=True, expand=False)
    for column in columns:
        table.add_column(column, justify="right" if column in right.split("|") else "left", overflow="fold")
    return table


def _tools(sheet: Sheet, shown: Shown) -> Table:
    heads = ("T", "H", "D", "kind", f"⌀ {shown.unit}", "flutes", "contacts", "lowest Z", "chip from")
    table = _table(*heads, right="T|H|D|contacts")
    for tool in sheet["tools"]:
        table.add_row(*tool_cells(tool, shown))
    return table


def tool_cells(tool: Sheet, shown: Shown) -> tuple[str, ...]:
    """A tool as a row: T, H, D, kind, diameter, flutes, contacts, lowest Z, chip from."""
    return (
        str(tool["number"]),
        str(tool["h"]),
        str(tool["d"]),
        tool["kind"] or "not in the job",
        shown.length(tool["diameter"]),
        str(tool["flutes"] or "–"),
        str(tool["contacts"]),
        shown.length(tool["lowest_z"]),
        least_words(tool["least_override"]),
    )


def least_words(least: float | None) -> str:
    """The least feed override that still makes a chip."""
    return "–" if least is None else f"{least:.0f} %" if least <= 100.0 else "rubs"


def _touch(touch: Sheet, sheet: Sheet, shown: Shown) -> list[RenderableType]:
    tool = next(t for t in sheet["tools"] if t["number"] == touch["tool"])
    name = f"T{tool['number']} {tool['kind']} ⌀{shown.length(tool['diameter'])}"
    head = Text(f"{name} touches first {first_where(touch, sheet)}", style="bold")
    lines = [
        f"  the control shows  {shown.place(touch['shows'])}   ({touch['offset']}, {coming(touch)})",
        f"  you will hear      {touch['hears']}; {touch['audible']}",
        f"  look               {look_text(touch['look'], shown)}",
    ]
    left = f"left, {shown.unit}"
    table = _table(left, "position shown", "to go in block", "move", "override at most", "", right=left)
    for rung in touch["ladder"]:
        most = rung["highest_override"]
        table.add_row(
            shown.length(rung["left"], 2),
            shown.moving(rung["shows"], touch["shows"]),
            shown.moving(rung["to_go"], (0.0, 0.0, 0.0)),
            "rapid" if rung["rapid"] else "feed",
            f"{most:.0f} %" if most is not None else "too near",
            "compare gap, spindle stopped" if rung["compare"] else "",
        )
    if not touch["ladder"]:
        lines.append("  on the way there   no place to hold: check height and length before this block")
    return [head, *(Text(line) for line in lines), *([table] if touch["ladder"] else [])]


def first_where(touch: Sheet, sheet: Sheet) -> str:
    """The block of a first touch; with its work offset where the tool has one under several."""
    touches = sum(other["tool"] == touch["tool"] for other in sheet["first_touches"])
    under = f"under {touch['offset']} " if touches > 1 else ""
    return f"{under}in {said_block(touch['block'], touch['line'])}"


def coming(touch: Sheet) -> str:
    """How the tool comes to its first touch: on a ramp or helix it is its height that brings it there."""
    if touch["downwards"]:
        return "coming down"
    falls = (touch["heading"][2] or 0.0) < -FALLS
    return "coming sideways and down" if falls else "coming sideways"


def look_text(look: Sheet | None, shown: Shown) -> str:
    """Where to stop for a look, in one line."""
    if look is None:
        return (
            "no place to hold while this tool is at work; look when it is changed or the program has ended, "
            "or write a stop (M0) into the program"
        )
    optional = ", only with optional stop on" if "optional stop" in look["note"] else ""
    where = {
        "program stop": f"the program stops in {shown.stop(look)}{optional}",
        "single block": f"single block, {SWITCH_ON}{look['note'].partition(SWITCH_ON)[2]}",
        "feed hold": f"feed hold in {shown.stop(look)}, {look['time_to_press_s']:.1f} s to press",
    }[look["how"]]
    clear = f"{shown.length(look['clear'], 1)} {shown.unit} clear or more"
    return f"after {shown.contact(look['contact'])}: {where}, {clear}"


def _passes(sheet: Sheet, shown: Shown) -> Table:
    table = _table(
        "pass", "T", "what", "lines", "contacts", "from", "to", "in the cut", "heard", right="pass|T|contacts"
    )
    for item in sheet["passes"]:
        table.add_row(
            str(item["id"]),
            str(item["tool"]),
            item["name"],
            shown.stretch(*item["blocks"]),
            str(len(item["contacts"])),
            clock_text(item["start_s"]),
            clock_text(item["stop_s"]),
            clock_text(item["in_cut_s"]),
            item["audible"],
        )
    return table


def _contacts(sheet: Sheet, shown: Shown) -> Table:
    table = _table(
        "#", "line", "way", "at", "lasts", "place", "deep", "wide", "shows a fault by", right="#|line"
    )
    for item in sheet["contacts"]:
        table.add_row(
            str(item["id"]),
            item["block"].removeprefix("line "),
            item["way"],
            f"{item['start_s']:.2f}",
            f"{item['stop_s'] - item['start_s']:.2f} s",
            shown.place(item["place"]),
            shown.length(item["axial_depth"], 2),
            shown.length(item["radial_width"], 2),
            item["reveals"],
        )
    return table


def figure_heads(shown: Shown) -> tuple[str, ...]:
    """Heads of what `figure_cells` gives."""
    chips = (f"chip mean {shown.unit}", f"chip most {shown.unit}")
    return ("teeth in cut", *chips, "force N", "power W", "torque Nm", "load %", "dB")


def figure_cells(contact: Sheet, shown: Shown) -> tuple[str, ...]:
    """Chip, force, power and load of a contact."""
    chips = (shown.length(contact[key], 4) for key in ("mean_chip", "greatest_chip"))
    rest = (contact[key] for key in ("force_n", "power_w", "torque_nm", "load_percent"))
    return (
        _number(contact["teeth_in_cut"]),
        *chips,
        *(_number(value) for value in rest),
        f"{contact['strength_db']:.1f}",
    )


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.4g}"


def _figures(sheet: Sheet, shown: Shown) -> Table:
    table = _table("#", *figure_heads(shown), right="#")
    for item in sheet["contacts"]:
        table.add_row(str(item["id"]), *figure_cells(item, shown))
    return table
