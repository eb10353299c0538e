"""The first-run sheet for the terminal, 100 columns wide."""

import io
from collections.abc import Iterator

from rich import box
from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from listen.expect.sheet import Sheet
from listen.expect.sheet_programs import program_lines
from listen.expect.sheet_words import (
    FIXED,
    HOW_TO_READ,
    RULES_FIRST,
    UNCHECKED,
    Shown,
    clock_text,
    coming,
    figure_cells,
    figure_heads,
    first_where,
    look_text,
    setup_facts,
    tool_cells,
    wrong_and_unchecked,
)

WIDTH = 100


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


def _cautions(sign: str, cautions: list[Sheet], shown: Shown) -> Iterator[RenderableType]:
    for caution in cautions:
        yield Text(f"{sign} {shown.of_warning(caution)}{caution['text']}")
        if caution["remedy"]:
            yield Text(f"    {caution['remedy']}", style="italic")


def _setup(sheet: Sheet, shown: Shown) -> list[RenderableType]:
    rows = setup_facts(sheet, shown)
    rows += [line for program in sheet["setup"]["programs"] for line in program_lines(program, shown)]
    return [Text("  " + row) for row in rows]


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


def _figures(sheet: Sheet, shown: Shown) -> Table:
    table = _table("#", *figure_heads(shown), right="#")
    for item in sheet["contacts"]:
        table.add_row(str(item["id"]), *figure_cells(item, shown))
    return table
