"""A table from CSV or Parquet, whatever its separator, its encoding, and what stands above its header."""

import csv
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from listen.errors import RecordingError

SEPARATORS = (";", "\t", "|", ",")  # a comma may be in numbers, the others seldom are
LOOKED_AT = 60  # lines
Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with named columns.

    Attributes
    ----------
    headers : tuple of str
    units : mapping
        Unit of each header, where a row of units stands below the header.
    rows : tuple of (int, mapping)
        Line in the file, and the cells by header.
    """

    headers: tuple[str, ...]
    units: Mapping[str, str]
    rows: tuple[tuple[int, Row], ...]


def read_table(path: Path) -> Table:
    """The table in a file.

    Raises
    ------
    RecordingError
        If it is not there, empty, or no table.
    """
    if not path.is_file():
        raise RecordingError(f"{path} is not there or is no file; check the name and the folder")
    if path.stat().st_size == 0:
        raise RecordingError(f"{path.name} is empty (0 bytes); was the logger started?")
    return _parquet(path) if path.suffix.lower() in (".parquet", ".pq") else _csv(path)


def _csv(path: Path) -> Table:
    lines = _text(path).splitlines()
    separator, n_cells = _shape(lines)
    cells = csv.reader(lines, delimiter=separator)
    whole = [(cells.line_num, [cell.strip() for cell in row]) for row in cells if any(map(str.strip, row))]
    place = next((i for i, (_, row) in enumerate(whole) if len(row) >= n_cells), len(whole))
    if place == len(whole):
        raise RecordingError(f"{path.name} has no row with {n_cells} cells; is it a table?")
    headers = _told_apart([cell.removeprefix("#").strip() for cell in whole[place][1]])
    if all(header.replace(",", ".").removeprefix("-").replace(".", "").isdigit() for header in headers):
        raise RecordingError(
            f"{path.name} begins with numbers; a header such as time_s,load_percent is needed"
        )
    rows = whole[place + 1 :]
    units: dict[str, str] = {}
    if rows and _is_units(rows[0][1]):
        units = {h: u for h, u in zip(headers, rows[0][1], strict=False) if u}
        rows = rows[1:]
    named = tuple((number, dict(zip(headers, row, strict=False))) for number, row in rows)
    return Table(headers=headers, units=units, rows=named)


def _text(path: Path) -> str:
    """The text of a file: UTF-8, UTF-16 with its mark, or what older programs write."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise RecordingError(f"{path.name} cannot be read: {error.strerror}") from None
    wide = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise RecordingError(f"{path.name} is not a text table; CSV in UTF-8 is needed")


def _shape(lines: list[str]) -> tuple[str, int]:
    """Separator, and how many cells most rows have."""
    looked = [line for line in lines if line.strip()][-LOOKED_AT:]
    for separator in SEPARATORS:
        counts = Counter(len(row) for row in csv.reader(looked, delimiter=separator))
        n_cells, often = max(counts.items(), key=lambda item: (item[1], item[0]), default=(1, 0))
        if n_cells > 1 and 2 * often >= len(looked):
            return separator, n_cells
    return ",", 1


def _told_apart(headers: list[str]) -> tuple[str, ...]:
    """Headers of which no two are alike: the second of a name has .1 behind it, and so on."""
    seen: Counter[str] = Counter()
    told = []
    for header in headers:
        told.append(f"{header}.{seen[header]}" if seen[header] else header)
        seen[header] += 1
    return tuple(told)


def _is_units(row: list[str]) -> bool:
    """Whether a row names units: short words without a digit, in brackets or not."""
    cells = [cell for cell in row if cell]
    return len(cells) > 1 and all(
        len(cell) <= 7 and (not any(c.isdigit() for c in cell) or cell in UNITS_WITH_DIGITS) for cell in cells
    )


UNITS_WITH_DIGITS = {"1/min", "min-1", "[1/min]", "[min-1]", "(1/min)"}


def _parquet(path: Path) -> Table:
    try:
        from pyarrow import ArrowInvalid, parquet
    except ImportError:
        raise RecordingError(
            f"{path.name}: reading Parquet needs pyarrow; install cut-listen[parquet] or save it as CSV"
        ) from None
    try:
        table = parquet.read_table(path)
    except ArrowInvalid:
        raise RecordingError(f"{path.name} is not a Parquet table; save it again or as CSV") from None
    return Table(headers=tuple(table.column_names), units={}, rows=tuple(_numbered(table.to_pylist())))


def _numbered(rows: list[Row]) -> Iterator[tuple[int, Row]]:
    yield from enumerate(rows, start=2)
