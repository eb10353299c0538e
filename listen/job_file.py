"""Read a job file, and name every wrong, missing or misspelt key.

Conventions
-----------
Relative paths in the file are beside the file; what is read is in millimetres.
"""

import csv
import difflib
import math
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from listen.errors import InputError
from listen.job import (
    KINDS_OF_RUN,
    KINDS_OF_TOOL,
    MM_PER_INCH,
    RAPID_PATHS,
    After,
    Box,
    Cylinder,
    Job,
    KeepOut,
    Machine,
    Material,
    Mesh,
    Operator,
    Setup,
    Shape,
    Tool,
    nearest,
)
from listen.timeline import Place

Kind = TypeVar("Kind")


def load_job(path: Path) -> Job:
    """Read a job file.

    Raises
    ------
    InputError
        For a file that is not there or not TOML, and for each wrong, missing or misspelt key:
        the message names the key, what it must be, what it was, and the nearest right spelling.
    """
    return job_of_text(job_file_text(path), path)


def job_of_text(text: str, path: Path) -> Job:
    """The job in a text, as if it were read from a file; errors as `load_job`."""
    return _Reader(path.parent, str(path.name)).job(_parsed(text, path), path)


def job_file_text(path: Path) -> str:
    """The text of a job file; some editors put a byte order mark before it, which is left out.

    Raises
    ------
    InputError
        For a file that is not there, cannot be read, or is not UTF-8.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"no job file {path}; `cut-listen job PROGRAM` makes one") from None
    except UnicodeDecodeError:
        raise InputError(f"{path.name} must be text in UTF-8; save it as that, or make it anew") from None
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from None


def _read_toml(path: Path) -> dict[str, Any]:
    return _parsed(job_file_text(path), path)


def _parsed(text: str, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{path.name} is not a job file: {error}; a job is written in TOML, "
            "`cut-listen job PROGRAM` makes one"
        ) from None


class _Table:
    """One table of the file: takes keys out one by one, and refuses what is left."""

    def __init__(self, where: str, values: object) -> None:
        if not isinstance(values, Mapping):
            raise InputError(f"{where} must be a table, got {values!r}")
        self.where = where
        self._values = dict(values)
        self._known: list[str] = []

    def take(self, key: str, must_be: str, fits: Callable[[Any], Kind | None]) -> Kind | None:
        """The value of `key` as `fits` returns it, None where the key is not there."""
        self._known.append(key)
        if key not in self._values:
            return None
        value = self._values.pop(key)
        fitted = fits(value)
        if fitted is None:
            raise InputError(f"{self.where} {key} must be {must_be}, got {value!r}")
        return fitted

    def need(self, key: str, must_be: str, fits: Callable[[Any], Kind | None]) -> Kind:
        """As `take`, for a key that must be there."""
        value = self.take(key, must_be, fits)
        if value is None:
            near = difflib.get_close_matches(key, list(self._values), n=1)
            instead = f"; {near[0]!r} looks like it, misspelt" if near else ""
            raise InputError(f"{self.where} needs {key}: {must_be}{instead}")
        return value

    def done(self) -> None:
        """Refuse what nobody took."""
        for key in self._values:
            raise InputError(
                f"{self.where} has an unknown key {key!r}{nearest(key, self._known)}"
                f"; known are {', '.join(self._known)}"
            )


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _number(value: Any) -> float | None:
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if plain and math.isfinite(value) else None


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _truth(value: Any) -> bool | None:
    return value if isinstance(value, bool) else None


def _table(value: Any) -> dict[str, Any] | None:
    return value if isinstance(value, dict) else None


def _tables(value: Any) -> list[dict[str, Any]] | None:
    right = isinstance(value, list) and all(isinstance(item, dict) for item in value)
    return value if right else None


def _texts(value: Any) -> tuple[str, ...] | None:
    items = [value] if isinstance(value, str) else value
    right = isinstance(items, list) and items and all(isinstance(item, str) and item for item in items)
    return tuple(items) if right else None


def _numbers(count: int) -> Callable[[Any], tuple[float, ...] | None]:
    def fits(value: Any) -> tuple[float, ...] | None:
        if not isinstance(value, list) or len(value) != count:
            return None
        found = [_number(item) for item in value]
        return None if None in found else tuple(float(item) for item in found if item is not None)

    return fits


def _one_of(words: tuple[str, ...]) -> Callable[[Any], str | None]:
    return lambda value: value if value in words else None


def _scale(units: str) -> float:
    return MM_PER_INCH if units == "inch" else 1.0


class _Reader:
    """Turns the tables of one job file into a `Job`."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        self.name = name

    def job(self, values: dict[str, Any], path: Path) -> Job:
        table = _Table(self.name, values)
        programs = table.need("program", 'the program file, "part.nc", or a list of them', _texts)
        units = table.take("units", 'one of "mm", "inch"', _one_of(("mm", "inch"))) or "mm"
        kind = table.take("kind", f"one of {', '.join(KINDS_OF_RUN)}", _one_of(KINDS_OF_RUN)) or "first cut"
        scale = _scale(units)
        stock = table.take("stock", "a table [stock]", _table)
        setups, material = self._setups(table, stock, scale)
        keep_outs = table.take("keep_out", "tables [[keep_out]]", _tables) or []
        tools = self._tools(table, scale)
        machine = self._machine(table, scale)
        operator = self._operator(table)
        table.done()
        return Job(
            programs=tuple(self._beside(name) for name in programs),
            units=units,
            kind=kind,
            setups=setups,
            material=material,
            tools=tools,
            keep_outs=tuple(self._keep_out(item, scale) for item in keep_outs),
            machine=machine,
            operator=operator,
            path=path,
        )

    def _beside(self, name: str) -> Path:
        return self.folder / name

    def _setups(
        self, table: _Table, stock: dict[str, Any] | None, scale: float
    ) -> tuple[tuple[Setup, ...], Material]:
        more = table.take("setup", "tables [[setup]]", _tables) or []
        if stock is None and not more:
            raise InputError(f"{self.name} needs [stock]: min and max of the block in work coordinates")
        material = Material()
        setups: list[Setup] = []
        if stock is not None:
            shape, material = self._stock(_Table("[stock]", stock), scale)
            setups.append(Setup(offset="G54", stock=shape))
        for item in more:
            setup, its_material = self._setup(_Table("[[setup]]", item), scale)
            setups.append(setup)
            material = its_material if not material.name else material
        return tuple(setups), material

    def _setup(self, table: _Table, scale: float) -> tuple[Setup, Material]:
        offset = table.need("offset", 'a work offset, "G55"', _text)
        shape, material = self._stock(
            _Table(f"[[setup]] {offset} stock", table.need("stock", "a table", _table)), scale
        )
        zero = table.take("zero", "three numbers [x, y, z]", _numbers(3)) or (0.0, 0.0, 0.0)
        table.done()
        return Setup(offset=offset.upper(), stock=shape, zero=_place(zero, scale)), material

    def _stock(self, table: _Table, scale: float) -> tuple[Shape, Material]:
        low = table.take("min", "three numbers [x, y, z]", _numbers(3))
        high = table.take("max", "three numbers [x, y, z]", _numbers(3))
        cylinder = table.take("cylinder", "a table {center, diameter, z}", _table)
        mesh = table.take("mesh", 'a mesh file, "blank.stl"', _text)
        mesh_units = table.take("units", 'one of "mm", "inch"', _one_of(("mm", "inch")))
        after = table.take("after", 'an earlier job, "op10.toml"', _text)
        material = Material(
            name=table.take("material", "a name", _text) or "",
            kc11=table.take("kc11", "a number [N/mm²]", _number),
            mc=table.take("mc", "a number", _number),
        )
        table.done()
        if (low is None) != (high is None):
            raise InputError(f"{table.where} needs both min and max; one is missing")
        shapes = [
            name
            for name, given in (
                ("min and max", low),
                ("cylinder", cylinder),
                ("mesh", mesh),
                ("after", after),
            )
            if given is not None
        ]
        if len(shapes) != 1:
            raise InputError(
                f"{table.where} needs exactly one of min and max, cylinder, mesh, after; "
                f"got {' and '.join(shapes) or 'none'}"
            )
        if low is not None and high is not None:
            return _box(table.where, low, high, scale), material
        if cylinder is not None:
            return self._cylinder(_Table(f"{table.where} cylinder", cylinder), scale), material
        if mesh is not None:
            return Mesh(path=self._beside(mesh), scale=_scale(mesh_units) if mesh_units else scale), material
        assert after is not None
        return After(path=self._beside(after)), material

    @staticmethod
    def _cylinder(table: _Table, scale: float) -> Cylinder:
        centre = table.need("center", "two numbers [x, y]", _numbers(2))
        diameter = table.need("diameter", "a number", _number)
        z = table.need("z", "two numbers [low, high]", _numbers(2))
        table.done()
        return Cylinder(
            centre=(centre[0] * scale, centre[1] * scale),
            diameter=diameter * scale,
            low_z=z[0] * scale,
            high_z=z[1] * scale,
        )

    @staticmethod
    def _keep_out(values: dict[str, Any], scale: float) -> KeepOut:
        table = _Table("[[keep_out]]", values)
        name = table.take("name", "a name", _text) or "keep-out"
        low = table.need("min", "three numbers [x, y, z]", _numbers(3))
        high = table.need("max", "three numbers [x, y, z]", _numbers(3))
        table.done()
        return KeepOut(name=name, box=_box(f"[[keep_out]] {name!r}", low, high, scale))

    def _tools(self, table: _Table, scale: float) -> tuple[Tool, ...]:
        from_file = table.take("tools_from", 'a tool table, "tools.csv"', _text)
        columns = table.take("tool_columns", "a table of key = column name", _table) or {}
        rows = table.take("tools", "tables [[tools]]", _tables) or []
        own = [self._tool(_Table(f"[[tools]] number {row.get('number', '?')}", row), scale) for row in rows]
        tools = _by_number(self._tool_file(from_file, columns, scale), from_file or "")
        tools |= _by_number(own, f"{self.name} [[tools]]")  # what the job says itself counts
        if not tools:
            raise InputError(
                f"{self.name} needs the tools used: [[tools]] with number, kind, diameter, flutes"
            )
        return tuple(tools.values())

    def _tool_file(self, name: str | None, columns: dict[str, Any], scale: float) -> list[Tool]:
        if name is None:
            return []
        try:
            with self._beside(name).open(newline="", encoding="utf-8-sig") as file:
                rows = list(csv.DictReader(file))
        except OSError as error:
            raise InputError(f"{self.name} tools_from {name} cannot be read: {error.strerror}") from None
        return [self._tool_row(row, columns, f"{name} row {i}", scale) for i, row in enumerate(rows, start=2)]

    def _tool_row(self, row: dict[str, Any], columns: dict[str, Any], where: str, scale: float) -> Tool:
        named = {str(column): key for key, column in columns.items()}
        values = {named.get(key, key): _plain(value) for key, value in row.items() if key and value}
        known = set(Tool.__dataclass_fields__) | {"units"}
        return self._tool(_Table(where, {k: v for k, v in values.items() if k in known}), scale)

    @staticmethod
    def _tool(table: _Table, scale: float) -> Tool:
        own = table.take("units", 'one of "mm", "inch"', _one_of(("mm", "inch")))
        scale = _scale(own) if own else scale

        def length(key: str) -> float | None:
            value = table.take(key, "a length", _number)
            return None if value is None else value * scale

        tool = Tool(
            number=table.need("number", "a whole number", _whole),
            kind=table.need("kind", f"one of {', '.join(KINDS_OF_TOOL)}", _text),
            diameter=table.need("diameter", "a length", _number) * scale,
            flutes=table.take("flutes", "a whole number", _whole),
            corner_radius=length("corner_radius"),
            point_angle_deg=table.take("point_angle_deg", "an angle in degrees", _number),
            cutting_length=length("cutting_length"),
            stick_out=length("stick_out"),
            holder_diameter=length("holder_diameter"),
            edge_radius=length("edge_radius"),
            pitch=length("pitch"),
            h=table.take("h", "a whole number", _whole),
            d=table.take("d", "a whole number", _whole),
            name=table.take("name", "a name", _text) or "",
        )
        table.done()
        return tool

    def _operator(self, table: _Table) -> Operator:
        from_file = table.take("operator_from", 'an operator file, "me.toml"', _text)
        own = table.take("operator", "a table [operator]", _table) or {}
        kept: dict[str, Any] = {}
        if from_file is not None:
            file = _Table(from_file, _read_toml(self._beside(from_file)))
            kept = file.need("operator", "a table [operator]", _table)
            file.done()
        given = _Table("[operator]", {**kept, **own})
        reaction_s = given.take("reaction_s", "a number [s]", _number)
        given.done()
        return Operator() if reaction_s is None else Operator(reaction_s=reaction_s)

    def _machine(self, table: _Table, scale: float) -> Machine:
        from_file = table.take("machine_from", 'a machine file, "mill.toml"', _text)
        own = table.take("machine", "a table [machine]", _table) or {}
        kept: dict[str, Any] = {}
        if from_file is not None:
            file = _Table(from_file, _read_toml(self._beside(from_file)))
            kept = {"name": Path(from_file).stem}
            scale_of_file = _scale(
                file.take("units", 'one of "mm", "inch"', _one_of(("mm", "inch")))
                or ("inch" if scale != 1.0 else "mm")
            )
            kept |= file.need("machine", "a table [machine]", _table)
            file.done()
            if "rapid" in kept and scale_of_file != scale:
                kept["rapid"] = kept["rapid"] * scale_of_file / scale
        return _read_machine(_Table("[machine]", {**kept, **own}), scale)


def _by_number(tools: list[Tool], where: str) -> dict[int, Tool]:
    """Tools by number; two of one number are refused, for only one can be meant."""
    found: dict[int, Tool] = {}
    for tool in tools:
        if tool.number in found:
            raise InputError(f"{where} gives tool number {tool.number} twice; which one counts?")
        found[tool.number] = tool
    return found


def _box(where: str, low: tuple[float, ...], high: tuple[float, ...], scale: float) -> Box:
    if not all(a < b for a, b in zip(low, high, strict=True)):
        raise InputError(f"{where} needs min below max on each axis, got {list(low)} and {list(high)}")
    return Box(low=_place(low, scale), high=_place(high, scale))


def _read_machine(table: _Table, scale: float) -> Machine:
    given: dict[str, Any] = {
        "name": table.take("name", "a name", _text),
        "rapid_path": table.take("rapid_path", f"one of {RAPID_PATHS}", _one_of(RAPID_PATHS)),
        "acceleration_m_per_s2": table.take("acceleration", "a number [m/s²]", _number),
        "jerk_m_per_s3": table.take("jerk", "a number [m/s³]", _number),
        "spindle_power_kw": table.take("spindle_power_kw", "a number [kW]", _number),
        "spindle_base_rpm": table.take("spindle_base_rpm", "a number [rpm]", _number),
        "spindle_max_rpm": table.take("spindle_max_rpm", "a number [rpm]", _number),
        "tool_change_s": table.take("tool_change_s", "a number [s]", _number),
        "spindle_start_s": table.take("spindle_start_s", "a number [s]", _number),
        "length_offset_at_tool_call": table.take("length_offset_at_tool_call", "true or false", _truth),
        "feed_override": table.take("feed_override", "a number [percent]", _number),
        "rapid_override": table.take("rapid_override", "a number [percent]", _number),
        "override_steady": table.take("override_steady", "true or false", _truth),
        "single_block": table.take("single_block", "true or false", _truth),
        "dwell_unit": table.take("dwell_unit", 'one of "s", "ms"', _one_of(("s", "ms"))),
        "dialect": table.take("dialect", "a table of reader settings", _table),
    }
    rapid = table.take("rapid", "a number [units per minute]", _number)
    table.done()
    if rapid is not None:
        given["rapid_mm_per_min"] = rapid * scale
    return Machine(**{key: value for key, value in given.items() if value is not None})


def _plain(text: str) -> object:
    """A cell of a CSV file as number where it is one."""
    try:
        return int(text)
    except ValueError:
        pass
    try:
        return float(text)
    except ValueError:
        return text.strip()


def _place(values: tuple[float, ...], scale: float) -> Place:
    return (values[0] * scale, values[1] * scale, values[2] * scale)
