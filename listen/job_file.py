"""Read a job file, and name every wrong, missing or misspelt key.

Conventions
-----------
Relative paths in the file are beside the file; what is read is in millimetres.
"""

import tomllib
from pathlib import Path
from typing import Any

from listen.errors import InputError
from listen.job import (
    KINDS_OF_RUN,
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
)
from listen.job_table import (
    UNITS,
    Table,
    as_number,
    as_numbers,
    as_one_of,
    as_table,
    as_tables,
    as_text,
    as_texts,
    as_truth,
    scale_of,
)
from listen.job_tools import read_tools
from listen.lengths import Place


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
    except IsADirectoryError:
        raise InputError(f"{path} must be a job file, it is a folder; name the file in it") from None
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


class _Reader:
    """Turns the tables of one job file into a `Job`."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        self.name = name

    def job(self, values: dict[str, Any], path: Path) -> Job:
        table = Table(self.name, values)
        programs = table.need("program", 'the program file, "part.nc", or a list of them', as_texts)
        units = table.take("units", 'one of "mm", "inch"', as_one_of(UNITS)) or "mm"
        kind = table.take("kind", f"one of {', '.join(KINDS_OF_RUN)}", as_one_of(KINDS_OF_RUN)) or "first cut"
        scale = scale_of(units)
        stock = table.take("stock", "a table [stock]", as_table)
        setups, material = self._setups(table, stock, scale)
        keep_outs = table.take("keep_out", "tables [[keep_out]]", as_tables) or []
        tools = read_tools(table, self.folder, scale)
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
        self, table: Table, stock: dict[str, Any] | None, scale: float
    ) -> tuple[tuple[Setup, ...], Material]:
        more = table.take("setup", "tables [[setup]]", as_tables) or []
        if stock is None and not more:
            raise InputError(f"{self.name} needs [stock]: min and max of the block in work coordinates")
        material = Material()
        setups: list[Setup] = []
        if stock is not None:
            shape, material = self._stock(Table("[stock]", stock), scale)
            setups.append(Setup(offset="G54", stock=shape))
        for item in more:
            setup, its_material = self._setup(Table("[[setup]]", item), scale)
            setups.append(setup)
            material = its_material if not material.name else material
        return tuple(setups), material

    def _setup(self, table: Table, scale: float) -> tuple[Setup, Material]:
        offset = table.need("offset", 'a work offset, "G55"', as_text)
        shape, material = self._stock(
            Table(f"[[setup]] {offset} stock", table.need("stock", "a table", as_table)), scale
        )
        zero = table.take("zero", "three numbers [x, y, z]", as_numbers(3)) or (0.0, 0.0, 0.0)
        table.done()
        return Setup(offset=offset.upper(), stock=shape, zero=_place(zero, scale)), material

    def _stock(self, table: Table, scale: float) -> tuple[Shape, Material]:
        shapes = self._shapes(table, scale)
        material = Material(
            name=table.take("material", "a name", as_text) or "",
            kc11=table.take("kc11", "a number [N/mm²]", as_number),
            mc=table.take("mc", "a number", as_number),
        )
        table.done()
        if len(shapes) != 1:
            raise InputError(
                f"{table.where} needs exactly one of min and max, cylinder, mesh, after; "
                f"got {' and '.join(shapes) or 'none'}"
            )
        return next(iter(shapes.values())), material

    def _shapes(self, table: Table, scale: float) -> dict[str, Shape]:
        """Each shape that is given, by what the file calls it."""
        shapes: dict[str, Shape] = {}
        if (box := _box_of(table, scale)) is not None:
            shapes["min and max"] = box
        if (cylinder := table.take("cylinder", "a table {center, diameter, z}", as_table)) is not None:
            shapes["cylinder"] = self._cylinder(Table(f"{table.where} cylinder", cylinder), scale)
        own = table.take("units", 'one of "mm", "inch"', as_one_of(UNITS))
        if (mesh := table.take("mesh", 'a mesh file, "blank.stl"', as_text)) is not None:
            shapes["mesh"] = Mesh(path=self._beside(mesh), scale=scale_of(own) if own else scale)
        if (after := table.take("after", 'an earlier job, "op10.toml"', as_text)) is not None:
            shapes["after"] = After(path=self._beside(after))
        return shapes

    @staticmethod
    def _cylinder(table: Table, scale: float) -> Cylinder:
        centre = table.need("center", "two numbers [x, y]", as_numbers(2))
        diameter = table.need("diameter", "a number", as_number)
        z = table.need("z", "two numbers [low, high]", as_numbers(2))
        table.done()
        return Cylinder(
            centre=(centre[0] * scale, centre[1] * scale),
            diameter=diameter * scale,
            low_z=z[0] * scale,
            high_z=z[1] * scale,
        )

    @staticmethod
    def _keep_out(values: dict[str, Any], scale: float) -> KeepOut:
        table = Table("[[keep_out]]", values)
        name = table.take("name", "a name", as_text) or "keep-out"
        low = table.need("min", "three numbers [x, y, z]", as_numbers(3))
        high = table.need("max", "three numbers [x, y, z]", as_numbers(3))
        table.done()
        return KeepOut(name=name, box=_box(f"[[keep_out]] {name!r}", low, high, scale))

    def _operator(self, table: Table) -> Operator:
        from_file = table.take("operator_from", 'an operator file, "me.toml"', as_text)
        own = table.take("operator", "a table [operator]", as_table) or {}
        kept: dict[str, Any] = {}
        if from_file is not None:
            file = Table(from_file, _read_toml(self._beside(from_file)))
            kept = file.need("operator", "a table [operator]", as_table)
            file.done()
        given = Table("[operator]", {**kept, **own})
        reaction_s = given.take("reaction_s", "a number [s]", as_number)
        given.done()
        return Operator() if reaction_s is None else Operator(reaction_s=reaction_s)

    def _machine(self, table: Table, scale: float) -> Machine:
        from_file = table.take("machine_from", 'a machine file, "mill.toml"', as_text)
        own = table.take("machine", "a table [machine]", as_table) or {}
        kept: dict[str, Any] = {}
        if from_file is not None:
            file = Table(from_file, _read_toml(self._beside(from_file)))
            kept = {"name": Path(from_file).stem}
            scale_of_file = scale_of(
                file.take("units", 'one of "mm", "inch"', as_one_of(UNITS))
                or ("inch" if scale != 1.0 else "mm")
            )
            kept |= file.need("machine", "a table [machine]", as_table)
            file.done()
            if as_number(kept.get("rapid")) is not None:
                kept["rapid"] *= scale_of_file / scale
        return _read_machine(Table("[machine]", {**kept, **own}), scale)


def _box_of(table: Table, scale: float) -> Box | None:
    three = "three numbers [x, y, z]"
    low, high = (table.take(key, three, as_numbers(3)) for key in ("min", "max"))
    if low is None and high is None:
        return None
    low = low or table.need("min", three, as_numbers(3))  # names what looks like it, misspelt
    high = high or table.need("max", three, as_numbers(3))
    return _box(table.where, low, high, scale)


def _box(where: str, low: tuple[float, ...], high: tuple[float, ...], scale: float) -> Box:
    if not all(a < b for a, b in zip(low, high, strict=True)):
        raise InputError(f"{where} needs min below max on each axis, got {list(low)} and {list(high)}")
    return Box(low=_place(low, scale), high=_place(high, scale))


def _read_machine(table: Table, scale: float) -> Machine:
    given: dict[str, Any] = {
        "name": table.take("name", "a name", as_text),
        "rapid_path": table.take("rapid_path", f"one of {RAPID_PATHS}", as_one_of(RAPID_PATHS)),
        "acceleration_m_per_s2": table.take("acceleration", "a number [m/s²]", as_number),
        "jerk_m_per_s3": table.take("jerk", "a number [m/s³]", as_number),
        "spindle_power_kw": table.take("spindle_power_kw", "a number [kW]", as_number),
        "spindle_base_rpm": table.take("spindle_base_rpm", "a number [rpm]", as_number),
        "spindle_max_rpm": table.take("spindle_max_rpm", "a number [rpm]", as_number),
        "tool_change_s": table.take("tool_change_s", "a number [s]", as_number),
        "spindle_start_s": table.take("spindle_start_s", "a number [s]", as_number),
        "length_offset_at_tool_call": table.take("length_offset_at_tool_call", "true or false", as_truth),
        "feed_override": table.take("feed_override", "a number [percent]", as_number),
        "rapid_override": table.take("rapid_override", "a number [percent]", as_number),
        "override_steady": table.take("override_steady", "true or false", as_truth),
        "single_block": table.take("single_block", "true or false", as_truth),
        "dwell_unit": table.take("dwell_unit", 'one of "s", "ms"', as_one_of(("s", "ms"))),
        "dialect": table.take("dialect", "a table of reader settings", as_table),
    }
    rapid = table.take("rapid", "a number [units per minute]", as_number)
    table.done()
    if rapid is not None:
        given["rapid_mm_per_min"] = rapid * scale
    return Machine(**{key: value for key, value in given.items() if value is not None})


def _place(values: tuple[float, ...], scale: float) -> Place:
    return (values[0] * scale, values[1] * scale, values[2] * scale)
