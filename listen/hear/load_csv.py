"""Load logs from CSV and Parquet tables, as load samples and marks."""

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import Any

from listen.blocks import LoadSample
from listen.errors import InputError, RecordingError
from listen.hear.clock import ClockMap
from listen.job import nearest
from listen.timeline import Mark, MarkKind

KEYS = {
    "time": ("time_s", "time", "timestamp"),
    "sample": ("sample",),
    "load_percent": ("load_percent", "load"),
    "current_a": ("current_a", "current"),
    "power_w": ("power_w", "power"),
    "line": ("line",),
    "block": ("block",),
    "execution": ("execution",),
    "feed_override": ("feed_override",),
    "spindle_rpm": ("spindle_rpm",),
}
LOADS = ("load_percent", "current_a", "power_w")
# EXECUTION of MTConnect (ANSI/MTC1.4) as holds; words beyond it that logs use are near enough.
MOVING = {"ACTIVE"}
HELD = {"FEED_HOLD", "INTERRUPTED", "STOPPED", "PROGRAM_STOPPED", "OPTIONAL_STOP", "WAIT"}
OVER = {"PROGRAM_COMPLETED"}


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadLog:
    """What a load log says.

    Attributes
    ----------
    items : tuple of LoadSample and Mark
        In order of time.
    kind : str
        Unit of the load: ``load_percent``, ``current_a`` or ``power_w``.
    has_lines : bool
        Whether the log names lines or blocks of the program.
    duration_s : float
        From its first row to its last [s].
    """

    items: tuple[LoadSample | Mark, ...]
    kind: str
    has_lines: bool
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
        columns[_key(word.strip())] = header.strip()
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
        Header of each key, where they differ from `KEYS`.
    clock : ClockMap | None
        From the log's seconds to the audio's; None where both began together. With ISO 8601
        times the first row is second 0.
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
    headers, rows = _table(path)
    places = _places(path, headers, columns or {})
    kind = next((name for name in LOADS if name in places), "")
    if not kind or not {"time", "sample"} & places.keys():
        raise RecordingError(
            f"{path.name} needs a column time_s and one of load_percent, current_a, power_w; "
            f"it has {', '.join(headers)}; name them with --columns time=…,load=…"
        )
    reader = _Reader(path, places, kind, rate, clock or ClockMap(), lines_of_blocks or {})
    items = tuple(item for number, row in enumerate(rows, start=2) for item in reader.row(number, row))
    if reader.first_s is None or reader.last_s is None:
        raise RecordingError(f"{path.name} has a header and no rows; was the logger started?")
    return LoadLog(
        items=items,
        kind=kind,
        has_lines=bool({"line", "block"} & places.keys()),
        duration_s=reader.last_s - reader.first_s,
    )


class _Reader:
    """Rows to items; remembers what changed, so that a mark is given once."""

    def __init__(
        self,
        path: Path,
        places: Mapping[str, str],
        kind: str,
        rate: int,
        clock: ClockMap,
        lines_of_blocks: Mapping[str, int],
    ) -> None:
        self._name = path.name
        self._places = places
        self._kind = kind
        self._rate = rate
        self._clock = clock
        self._lines = lines_of_blocks
        self._origin: datetime | None = None
        self._before: dict[str, object] = {}
        self._last_load: tuple[float, float] | None = None
        self.first_s: float | None = None
        self.last_s: float | None = None

    def row(self, number: int, row: Mapping[str, Any]) -> Iterator[LoadSample | Mark]:
        time_s = self._time(number, row)
        if time_s is None:
            return
        if self.last_s is not None and time_s < self.last_s:
            raise RecordingError(
                f"{self._name} row {number}: time jumps from {self.last_s:.3f} s back to {time_s:.3f} s; "
                f"times must increase; was the logger's clock set during the run, or two logs joined?"
            )
        self.first_s = time_s if self.first_s is None else self.first_s
        self.last_s = time_s
        at = self._clock.to_samples(time_s, rate=self._rate)
        yield from self._marks(number, row, at)
        value = self._number(number, row, self._kind)
        if value is None or (self._last_load is not None and self._last_load[0] == time_s):
            return  # an empty cell is a gap; a second row of the same time is a duplicate
        self._last_load = (time_s, value)
        yield LoadSample(at=at, percent=value, kind=self._kind)

    def _time(self, number: int, row: Mapping[str, Any]) -> float | None:
        if "sample" in self._places:
            count = self._number(number, row, "sample")
            return None if count is None else count / self._rate
        cell = row.get(self._places["time"])
        if cell is None or cell == "":
            return None
        if isinstance(cell, datetime):
            return self._since_origin(cell)
        try:
            time_s = float(cell)
        except (TypeError, ValueError):
            return self._since_origin(self._iso(number, str(cell)))
        if not isfinite(time_s):
            raise RecordingError(f"{self._name} row {number}: time is {cell}; it must be a finite number")
        return time_s

    def _iso(self, number: int, text: str) -> datetime:
        try:
            return datetime.fromisoformat(text.strip())
        except ValueError:
            raise RecordingError(
                f"{self._name} row {number}: time {text!r} is neither seconds nor ISO 8601 "
                f"such as 2030-01-31T08:15:00.250Z"
            ) from None

    def _since_origin(self, moment: datetime) -> float:
        moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        self._origin = self._origin or moment
        return (moment - self._origin).total_seconds()

    def _number(self, number: int, row: Mapping[str, Any], key: str) -> float | None:
        cell = row.get(self._places[key]) if key in self._places else None
        if cell is None or cell == "":
            return None
        try:
            value = float(cell)
        except (TypeError, ValueError):
            raise RecordingError(
                f"{self._name} row {number}: {self._places[key]} must be a number, got {cell!r}"
            ) from None
        return value if isfinite(value) else None

    def _marks(self, number: int, row: Mapping[str, Any], at: int) -> Iterator[Mark]:
        line = self._line(number, row)
        override = self._number(number, row, "feed_override")
        speed = self._number(number, row, "spindle_rpm")
        for key, kind, value in (
            ("feed_override", MarkKind.FEED_OVERRIDE, override),
            ("spindle_rpm", MarkKind.SPINDLE_SPEED, speed),
            ("line", MarkKind.LINE, line),
        ):
            if value is not None and self._changed(key, value):
                yield Mark(at=at, kind=kind, source="controller", value=value)
        yield from self._execution(row, at)

    def _line(self, number: int, row: Mapping[str, Any]) -> float | None:
        if "line" in self._places:
            return self._number(number, row, "line")
        cell = str(row.get(self._places.get("block", ""), "") or "").strip()
        line = self._lines.get(cell.split()[0]) if cell else None
        return None if line is None else float(line)

    def _execution(self, row: Mapping[str, Any], at: int) -> Iterator[Mark]:
        word = str(row.get(self._places.get("execution", ""), "") or "").strip().upper().replace(" ", "_")
        before = self._before.get("execution")
        if not word or not self._changed("execution", word):
            return
        kind = execution_mark(word, before if isinstance(before, str) else None)
        if kind is not None:
            yield Mark(at=at, kind=kind, source="controller")

    def _changed(self, key: str, value: object) -> bool:
        changed = self._before.get(key) != value
        self._before[key] = value
        return changed


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


def _key(word: str) -> str:
    for key, names in KEYS.items():
        if word == key or word in names:
            return key
    words = sorted({name for key, names in KEYS.items() for name in (key, *names)})
    raise InputError(f"a column map knows {', '.join(words)}; got {word!r}{nearest(word, words)}")


def _places(path: Path, headers: Iterable[str], columns: Mapping[str, str]) -> dict[str, str]:
    headers = list(headers)
    places: dict[str, str] = {}
    for word, header in columns.items():
        if header not in headers:
            raise RecordingError(
                f"{path.name} has no column {header!r}, it has {', '.join(headers)}{nearest(header, headers)}"
            )
        places[_key(word)] = header
    mapped_load = any(name in places for name in LOADS)
    for key, names in KEYS.items():
        if key in places or (mapped_load and key in LOADS) or (key == "sample" and "time" in places):
            continue
        found = next((name for name in names if name in headers), None)
        if found is not None:
            places[key] = found
    if "time" in places and "sample" in places and "sample" not in {_key(word) for word in columns}:
        del places["sample"]
    return places


def _table(path: Path) -> tuple[list[str], Iterable[Mapping[str, Any]]]:
    if not path.is_file():
        raise RecordingError(f"{path} is not there or is no file; check the name and the folder")
    if path.stat().st_size == 0:
        raise RecordingError(f"{path.name} is empty (0 bytes); was the logger started?")
    return _parquet(path) if path.suffix.lower() in (".parquet", ".pq") else _csv(path)


def _csv(path: Path) -> tuple[list[str], Iterable[Mapping[str, Any]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise RecordingError(f"{path.name} is not a text table; CSV in UTF-8 is needed") from None
    except OSError as error:
        raise RecordingError(f"{path.name} cannot be read: {error.strerror}") from None
    first = text.split("\n", 1)[0]
    mark = max((",", ";", "\t"), key=first.count)
    reader = csv.DictReader(text.splitlines(), delimiter=mark)
    headers = [header.strip() for header in reader.fieldnames or []]
    reader.fieldnames = headers
    if mark == ";" and "," in text.split("\n", 2)[min(1, text.count("\n"))]:
        return headers, ({k: _decimal_comma(v) for k, v in row.items()} for row in reader)
    return headers, reader


def _decimal_comma(cell: Any) -> Any:
    return cell.replace(",", ".") if isinstance(cell, str) else cell


def _parquet(path: Path) -> tuple[list[str], Iterable[Mapping[str, Any]]]:
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
    return list(table.column_names), table.to_pylist()
