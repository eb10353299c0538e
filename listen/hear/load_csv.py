"""Load logs from CSV and Parquet tables, as load samples and marks."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Any

from listen.blocks import LOAD_KINDS, LoadSample
from listen.errors import InputError, RecordingError
from listen.hear.clock import ClockMap
from listen.hear.load_columns import Column, find_columns, key_of
from listen.hear.load_table import Row, read_table
from listen.hear.load_times import LogTimes, spread_equal
from listen.marks import Mark, MarkKind

# EXECUTION of MTConnect (ANSI/MTC1.4) as holds; words beyond it that logs use are near enough.
MOVING = {"ACTIVE"}
HELD = {"FEED_HOLD", "INTERRUPTED", "STOPPED", "PROGRAM_STOPPED", "OPTIONAL_STOP", "WAIT"}
OVER = {"PROGRAM_COMPLETED"}
NOTHING = {"", "nan", "na", "n/a", "null", "none", "nil", "-", "--", "---", "?", "unavailable", "off"}
LARGEST_SHARE = 1.3
DAY_S = 86_400.0
LONGEST_PAUSE_S = DAY_S  # from row to row
ANOTHER_RPM, ANOTHER_SHARE = 10.0, 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadLog:
    """What a load log says.

    Attributes
    ----------
    items : tuple of LoadSample and Mark
        In order of time.
    kind : str
        Unit of the load, one of `LOAD_KINDS`.
    duration_s : float
        From its first row to its last [s].
    """

    items: tuple[LoadSample | Mark, ...]
    kind: str
    duration_s: float


def parse_columns(text: str) -> dict[str, str]:
    """Column map from ``time=Timestamp,load=Spindle Load``.

    Examples
    --------
    >>> parse_columns("time=t, current=I1")
    {'time': 't', 'current_a': 'I1'}
    """
    columns = {}
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        word, equals, header = part.partition("=")
        if not equals or not header.strip():
            raise InputError(f"a column map reads key=header, separated by commas; got {part!r}")
        word = word.strip()
        key_of(word)
        columns[word if word == "load" else key_of(word)] = header.strip()
    return columns


def read_load_log(
    path: Path,
    *,
    rate: int,
    columns: Mapping[str, str] | None = None,
    clock: ClockMap | None = None,
    lines_of_blocks: Mapping[str, int] | None = None,
) -> LoadLog:
    """Read a load log as samples of load and marks on the audio clock.

    Parameters
    ----------
    path : Path
        CSV with a header, or Parquet.
    rate : int
        Audio sample rate [Hz], which `at` counts in.
    columns : mapping | None
        Header of each key, where neither the contract's names nor the words of the headers tell.
    clock : ClockMap | None
        From the log's seconds to the audio's; None where both began together. With ISO 8601
        times and times of day the first row is second 0.
    lines_of_blocks : mapping | None
        Line in the program of each N word, for logs that name blocks.

    Returns
    -------
    LoadLog

    Raises
    ------
    RecordingError
        If the file cannot be read, lacks a column, or its times run backwards.
    """
    table = read_table(path)
    places = find_columns(path.name, table.headers, units=table.units, columns=columns or {})
    kind = next((name for name in LOAD_KINDS if name in places), "")
    if not kind or not {"time", "sample"} & places.keys():
        raise RecordingError(
            f"{path.name} needs a column time_s and one of {', '.join(LOAD_KINDS)}; "
            f"it has {', '.join(table.headers)}; name them with --columns time=…,load=…"
        )
    rows = _timed(path.name, table.rows, places, rate)
    if not rows:
        raise RecordingError(f"{path.name} has a header and no rows; was the logger started?")
    reader = _Reader(path.name, places, kind, rate, clock or ClockMap(), lines_of_blocks or {})
    items = tuple(item for one in rows for item in reader.row(one))
    if kind == "load_percent" and not places[kind].unit and "percent" not in places[kind].header:
        items = _as_percent(items)
    return LoadLog(
        items=items,
        kind=kind,
        duration_s=rows[-1].time_s - rows[0].time_s,
    )


def columns_taken(path: Path, *, columns: Mapping[str, str] | None = None) -> str:
    """Which column of a log is read as what: where words of a header told, a person should see it.

    Raises
    ------
    RecordingError
        As `read_load_log` does.
    """
    table = read_table(path)
    places = find_columns(path.name, table.headers, units=table.units, columns=columns or {})
    told = (f"{key} from “{place.header}”" for key, place in places.items())
    return f"{path.name} is read as: {', '.join(told)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _TimedRow:
    number: int
    time_s: float
    cells: Row


def _timed(
    name: str, rows: tuple[tuple[int, Row], ...], places: Mapping[str, Column], rate: int
) -> list[_TimedRow]:
    """The rows that have a time, in order of it; stamps too coarse for their number are spread."""
    key = "sample" if "sample" in places else "time"
    times = (
        LogTimes(name, factor=1.0 / rate, of_recording=True)
        if key == "sample"
        else LogTimes(name, factor=places[key].factor)
    )
    numbers: list[int] = []
    times_s: list[float] = []
    cells: list[Row] = []
    for number, row in rows:
        time_s = times.seconds(number, row.get(places[key].header))
        if time_s is None:
            continue
        if times_s and time_s < times_s[-1]:
            raise RecordingError(
                f"{name} row {number}: time jumps from {times_s[-1]:.3f} s back to {time_s:.3f} s; "
                f"times must increase; was the logger's clock set during the run, or two logs joined?"
            )
        if times_s and time_s > times_s[-1] + LONGEST_PAUSE_S:
            days = (time_s - times_s[-1]) / DAY_S
            raise RecordingError(
                f"{name} row {number}: time jumps by {days:.3g} days, at most one is "
                f"followed; was the logger's clock set during the run, or two logs joined?"
            )
        numbers.append(number)
        times_s.append(time_s)
        cells.append(row)
    spread = spread_equal(times_s)
    return [_TimedRow(number=n, time_s=t, cells=c) for n, t, c in zip(numbers, spread, cells, strict=True)]


def _as_percent(items: tuple[LoadSample | Mark, ...]) -> tuple[LoadSample | Mark, ...]:
    """Shares of 1 as percent, where a log without a unit has nothing but such shares."""
    values = [item.percent for item in items if isinstance(item, LoadSample)]
    whole = all(value == round(value) for value in values)
    if whole or max(abs(value) for value in values) > LARGEST_SHARE:
        return items
    return tuple(
        replace(item, percent=100.0 * item.percent) if isinstance(item, LoadSample) else item
        for item in items
    )


class _Reader:
    """Rows to items; remembers what changed, so that a mark is given once."""

    def __init__(
        self,
        name: str,
        places: Mapping[str, Column],
        kind: str,
        rate: int,
        clock: ClockMap,
        lines_of_blocks: Mapping[str, int],
    ) -> None:
        self._name = name
        self._places = places
        self._kind = kind
        self._rate = rate
        self._clock = clock
        self._lines = lines_of_blocks
        self._before: dict[str, object] = {}
        self._last_s: float | None = None  # of the newest load

    def row(self, one: _TimedRow) -> Iterator[LoadSample | Mark]:
        at = self._clock.to_samples(one.time_s, rate=self._rate)
        yield from self._marks(one, at)
        value = self._number(one, self._kind)
        if value is None or self._last_s == one.time_s:
            return  # an empty cell is a gap; a second row of the same time is a duplicate
        self._last_s = one.time_s
        yield LoadSample(at=at, percent=value, kind=self._kind)

    def _number(self, one: _TimedRow, key: str) -> float | None:
        column = self._places.get(key)
        cell = None if column is None else one.cells.get(column.header)
        if column is None or cell is None:
            return None
        try:
            value = number_of(cell)
        except ValueError:
            raise RecordingError(
                f"{self._name} row {one.number}: {column.header} must be a number, got {cell!r}"
            ) from None
        return column.factor * value if isfinite(value) else None

    def _marks(self, one: _TimedRow, at: int) -> Iterator[Mark]:
        for key, kind, value in (
            ("feed_override", MarkKind.FEED_OVERRIDE, self._number(one, "feed_override")),
            ("spindle_rpm", MarkKind.SPINDLE_SPEED, self._number(one, "spindle_rpm")),
            ("line", MarkKind.LINE, self._line(one)),
        ):
            if value is not None and self._changed(key, value):
                yield Mark(at=at, kind=kind, source="controller", value=value)
        yield from self._execution(one, at)

    def _line(self, one: _TimedRow) -> float | None:
        word = self._word(one, "line")
        if "line" in self._places and not word.upper().startswith("N"):
            return self._number(one, "line")
        line = line_of_block(word or self._word(one, "block"), self._lines)
        return None if line is None else float(line)

    def _word(self, one: _TimedRow, key: str) -> str:
        column = self._places.get(key)
        return "" if column is None else str(one.cells.get(column.header) or "").strip()

    def _execution(self, one: _TimedRow, at: int) -> Iterator[Mark]:
        word = self._word(one, "execution").upper().replace(" ", "_")
        before = self._before.get("execution")
        if not word or not self._changed("execution", word):
            return
        kind = execution_mark(word, before if isinstance(before, str) else None)
        if kind is not None:
            yield Mark(at=at, kind=kind, source="controller")

    def _changed(self, key: str, value: float | str) -> bool:
        before = self._before.get(key)
        if key == "spindle_rpm" and isinstance(before, float) and not is_another_speed(before, float(value)):
            return False
        self._before[key] = value
        return before != value


def number_of(cell: Any) -> float:
    """Number in a cell, with a decimal point or comma, a unit behind it or not; NaN where it says nothing.

    Raises
    ------
    ValueError
        If it says something else.

    Examples
    --------
    >>> number_of("12,5 %"), number_of("1 234.5"), number_of("1.234,5"), number_of("UNAVAILABLE")
    (12.5, 1234.5, 1234.5, nan)
    """
    if not isinstance(cell, str):
        return float(cell)
    text = cell.strip()
    if text.lower() in NOTHING:
        return float("nan")
    text = re.sub(r"(?<=[\d.,])\s*(%|[A-Za-z]{1,3})$", "", text)
    text = re.sub(r"(?<=\d)[\s\u00a0\u202f'](?=\d)", "", text)
    if "," in text and "." in text:
        thousands = "," if text.rindex(",") < text.rindex(".") else "."
        text = text.replace(thousands, "")
    return float(text.replace(",", "."))


def line_of_block(text: str, lines_of_blocks: Mapping[str, int]) -> int | None:
    """Line of the program that begins with the first word of a block, written with its N or without."""
    words = text.split(maxsplit=1)
    if not words:
        return None
    return lines_of_blocks.get(words[0], lines_of_blocks.get(f"N{words[0]}"))


def is_another_speed(before: float, now: float) -> bool:
    """Whether a spindle speed is another one; a measured speed is never quite still.

    Examples
    --------
    >>> is_another_speed(6000.0, 6030.0), is_another_speed(6000.0, 6300.0), is_another_speed(0.0, 6000.0)
    (False, True, True)
    """
    return abs(now - before) > max(ANOTHER_RPM, ANOTHER_SHARE * abs(before))


def execution_mark(word: str, before: str | None) -> MarkKind | None:
    """What a change of EXECUTION means for the feed clock; None where it means nothing.

    Examples
    --------
    >>> execution_mark("FEED_HOLD", "ACTIVE")
    <MarkKind.HOLD: 'hold'>
    >>> execution_mark("ACTIVE", "READY")
    <MarkKind.CYCLE_START: 'cycle start'>
    """
    if word in MOVING:
        return MarkKind.RESUME if before in HELD else MarkKind.CYCLE_START
    if word in HELD and before in MOVING:
        return MarkKind.HOLD
    if word in OVER:
        return MarkKind.PROGRAM_END
    return None
