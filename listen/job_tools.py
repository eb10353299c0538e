"""The tools of a job: its own, and those of a tool table as spreadsheets and CAM systems write it."""

import csv
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from listen.errors import InputError
from listen.job import KINDS_OF_TOOL, Tool
from listen.job_table import (
    UNITS,
    Table,
    as_number,
    as_one_of,
    as_table,
    as_tables,
    as_text,
    as_whole,
    scale_of,
)

WORDS = ("kind", "name", "units")  # columns whose cells stay text, whatever stands in them


def read_tools(job: Table, folder: Path, scale: float) -> tuple[Tool, ...]:
    """Tools from `tools_from`, `tool_columns` and `[[tools]]` of a job; what the job says itself counts.

    Raises
    ------
    InputError
        For a file that cannot be read, a wrong key or cell, two tools of one number, or none at all.
    """
    from_file = job.take("tools_from", 'a tool table, "tools.csv"', as_text)
    columns = job.take("tool_columns", "a table of key = column name", as_table) or {}
    rows = job.take("tools", "tables [[tools]]", as_tables) or []
    own = [_tool(Table(f"[[tools]] number {row.get('number', '?')}", row), scale) for row in rows]
    tools = {}
    if from_file is not None:
        tools = _by_number(_tools_of_file(folder / from_file, columns, job.where, scale), from_file)
    tools |= _by_number(own, f"{job.where} [[tools]]")
    if not tools:
        raise InputError(f"{job.where} needs the tools used: [[tools]] with number, kind, diameter, flutes")
    return tuple(tools.values())


def _tools_of_file(path: Path, columns: Mapping[str, Any], job: str, scale: float) -> list[Tool]:
    named = {str(column): key for key, column in columns.items()}
    lines = _text_of(path, job).splitlines()
    is_comma_decimal = bool(lines) and lines[0].count(";") > lines[0].count(",")
    rows = csv.DictReader(lines, delimiter=";" if is_comma_decimal else ",")
    found = []
    try:
        for number, row in enumerate(rows, start=2):
            cells = {named.get(key, key): text for key, text in row.items() if key and text}
            values = {key: _value(key, text, is_comma_decimal) for key, text in cells.items() if key in _KEYS}
            found.append(_tool(Table(f"{path.name} row {number}", values), scale))
    except csv.Error as error:
        raise InputError(f"{job} tools_from {path.name} is no table: {error}") from None
    return found


def _text_of(path: Path, job: str) -> str:
    """Some programs write their tables in the code of their system, and not in UTF-8."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(f"{job} tools_from {path.name} cannot be read: {error.strerror}") from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


_KEYS = frozenset(Tool.__dataclass_fields__) | {"units"}


def _value(key: str, text: str, is_comma_decimal: bool) -> object:
    """A cell as number where it is one."""
    plain = text.strip()
    if key in WORDS:
        return plain
    try:
        number = float(plain.replace(",", ".") if is_comma_decimal else plain)
    except ValueError:
        return plain
    return int(number) if number.is_integer() else number


def _tool(table: Table, scale: float) -> Tool:
    own = table.take("units", 'one of "mm", "inch"', as_one_of(UNITS))
    scale = scale_of(own) if own else scale

    def length(key: str) -> float | None:
        value = table.take(key, "a length", as_number)
        return None if value is None else value * scale

    tool = Tool(
        number=table.need("number", "a whole number", as_whole),
        kind=table.need("kind", f"one of {', '.join(KINDS_OF_TOOL)}", as_text),
        diameter=table.need("diameter", "a length", as_number) * scale,
        flutes=table.take("flutes", "a whole number", as_whole),
        corner_radius=length("corner_radius"),
        point_angle_deg=table.take("point_angle_deg", "an angle in degrees", as_number),
        cutting_length=length("cutting_length"),
        stick_out=length("stick_out"),
        holder_diameter=length("holder_diameter"),
        edge_radius=length("edge_radius"),
        pitch=length("pitch"),
        h=table.take("h", "a whole number", as_whole),
        d=table.take("d", "a whole number", as_whole),
        name=table.take("name", "a name", as_text) or "",
    )
    table.done()
    return tool


def _by_number(tools: list[Tool], where: str) -> dict[int, Tool]:
    """Tools by number; two of one number are refused, for only one can be meant."""
    found: dict[int, Tool] = {}
    for tool in tools:
        if tool.number in found:
            raise InputError(f"{where} gives tool number {tool.number} twice; which one counts?")
        found[tool.number] = tool
    return found
