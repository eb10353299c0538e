"""The words of the first-run sheet, the same in the terminal and on the page."""

from collections.abc import Iterable, Sequence

from listen.expect.holds import SWITCH_ON
from listen.expect.sheet import Sheet
from listen.lengths import length_number
from listen.timeline import NOTE_KINDS
from listen.where import said_block

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


def wrong_and_unchecked(sheet: Sheet) -> tuple[list[Sheet], list[Sheet]]:
    """The cautions of a sheet: those that something is wrong, and those that only a person can look at."""
    wrong = [one for one in sheet["warnings"] if one["kind"] not in NOTE_KINDS]
    return wrong, [one for one in sheet["warnings"] if one["kind"] in NOTE_KINDS]


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
