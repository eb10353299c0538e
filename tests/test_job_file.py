"""The job file: what is read of it and of the files that it names, and each wrong key by name."""

import re
from pathlib import Path

import pytest

from listen.errors import InputError
from listen.job import Box, Cylinder, Job
from listen.job_file import load_job

pytestmark = pytest.mark.closed

STOCK = "[stock]\nmin = [0, 0, -20]\nmax = [80, 50, 0]\n"
TOOL = '[[tools]]\nnumber = 1\nkind = "flat end mill"\ndiameter = 12\nflutes = 3\n'
HEAD = 'program = "part.nc"\n'


def job_of(folder: Path, text: str) -> Job:
    (folder / "part.toml").write_text(text)
    return load_job(folder / "part.toml")


def test_lengths_of_a_job_in_inches_are_kept_in_mm(tmp_path: Path) -> None:
    """By hand: 0.5 inch are 12.7 mm; a tool of its own unit keeps it; angles and counts have none."""
    own = '[[tools]]\nnumber = 2\nkind = "drill"\ndiameter = 6\nflutes = 2\nunits = "mm"\n'
    own += "point_angle_deg = 140\n"
    stock = "[stock]\ncylinder = { center = [1, 2], diameter = 4, z = [-1, 0] }\n"
    machine = "[machine]\nrapid = 400\n"
    text = f'{HEAD}units = "inch"\n{stock}{TOOL.replace("12", "0.5")}{own}{machine}'
    job = job_of(tmp_path, text)
    assert job.setups[0].stock == Cylinder(centre=(25.4, 50.8), diameter=101.6, low_z=-25.4, high_z=0.0)
    assert [(tool.diameter, tool.flutes) for tool in job.tools] == [(12.7, 3), (6.0, 2)]
    assert job.tools[1].point_angle_deg == 140.0
    assert job.machine.rapid_mm_per_min == 10160.0


def test_the_machine_s_own_file_has_its_own_unit_and_the_job_counts(tmp_path: Path) -> None:
    """By hand: 400 inch/min are 10160 mm/min; what the job itself says of the machine stands above it."""
    mill = 'units = "inch"\n[machine]\nrapid = 400\nfeed_override = 50\nrapid_override = 50\n'
    (tmp_path / "mill.toml").write_text(mill)
    text = f'{HEAD}machine_from = "mill.toml"\n{STOCK}{TOOL}[machine]\nfeed_override = 10\n'
    machine = job_of(tmp_path, text).machine
    assert machine.name == "mill"
    assert machine.rapid_mm_per_min == pytest.approx(10160.0)
    assert (machine.feed_override, machine.rapid_override) == (10.0, 50.0)


@pytest.mark.parametrize(
    ("table", "encoding"),
    [
        (
            "T;type;Dia;teeth;name\n7;drill;6,5;2;12\n",
            "utf-8",
        ),  # as spreadsheets write where a comma is decimal
        ("T,type,Dia,teeth,name\n7,drill,6.5,2.0,12\n", "utf-8"),
        ("T,type,Dia,teeth,name\n7, drill ,6.5,2,⌀ 12\n", "utf-8-sig"),
        ("T,type,Dia,teeth,name\n7,drill,6.5,2,Ø 12\n", "cp1252"),
    ],
)
def test_a_tool_table_is_read_as_spreadsheets_write_it(tmp_path: Path, table: str, encoding: str) -> None:
    (tmp_path / "tools.csv").write_bytes(table.encode(encoding))
    columns = '[tool_columns]\nnumber = "T"\nkind = "type"\ndiameter = "Dia"\nflutes = "teeth"\n'
    (tool,) = job_of(tmp_path, f'{HEAD}tools_from = "tools.csv"\n{columns}{STOCK}').tools
    assert (tool.number, tool.kind, tool.diameter, tool.flutes) == (7, "drill", 6.5, 2)
    assert tool.name.endswith("12")


def test_a_tool_of_the_job_stands_above_that_of_the_table(tmp_path: Path) -> None:
    (tmp_path / "tools.csv").write_text("number,kind,diameter\n1,drill,6\n2,drill,7\n")
    tools = job_of(tmp_path, f'{HEAD}tools_from = "tools.csv"\n{STOCK}{TOOL}').tools
    assert [(tool.number, tool.kind, tool.diameter) for tool in tools] == [
        (1, "flat end mill", 12.0),
        (2, "drill", 7.0),
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (STOCK + TOOL, 'part.toml needs program: the program file, "part.nc", or a list of them'),
        ("programm = 'part.nc'\n" + STOCK + TOOL, "; 'programm' looks like it, misspelt"),
        (HEAD + TOOL, "part.toml needs [stock]: min and max of the block in work coordinates"),
        (HEAD + STOCK, "part.toml needs the tools used: [[tools]] with number, kind, diameter, flutes"),
        (HEAD + "stock = 3\n" + TOOL, "part.toml stock must be a table [stock], got 3"),
        (HEAD + "unit = 'mm'\n" + STOCK + TOOL, "unknown key 'unit'; did you mean 'units'?"),
        (HEAD + "units = 'cm'\n" + STOCK + TOOL, "units must be one of \"mm\", \"inch\", got 'cm'"),
        (HEAD + STOCK.replace("max", "maxi") + TOOL, "[stock] needs max: three numbers [x, y, z]; 'maxi'"),
        (HEAD + "[stock]\nmin = [0, 0, 0]\n" + TOOL, "[stock] needs max: three numbers [x, y, z]"),
        (HEAD + "[stock]\nmax = [1, 1, 1]\n" + TOOL, "[stock] needs min: three numbers [x, y, z]"),
        (HEAD + "[stock]\nmesh = 'a.stl'\nafter = 'b.toml'\n" + TOOL, "got mesh and after"),
        (HEAD + "[stock]\nmaterial = 'brass'\n" + TOOL, "cylinder, mesh, after; got none"),
        (HEAD + STOCK.replace("-20", "20") + TOOL, "[stock] needs min below max on each axis"),
        (HEAD + STOCK.replace("-20", "nan") + TOOL, "min must be three numbers [x, y, z]"),
        (HEAD + STOCK.replace("[0, 0, -20]", "[0, -20]") + TOOL, "min must be three numbers [x, y, z]"),
        (HEAD + STOCK + TOOL + TOOL, "part.toml [[tools]] gives tool number 1 twice"),
        (HEAD + STOCK + TOOL.replace("= 3", "= 2.5"), "number 1 flutes must be a whole number, got 2.5"),
        (HEAD + STOCK + TOOL.replace("= 3", "= true"), "number 1 flutes must be a whole number, got True"),
        (HEAD + STOCK + TOOL.replace("12", "1e300"), "number 1 diameter must be a length, got 1e+300"),
        (HEAD + STOCK + TOOL + "[machine]\nrapid = '9 m'\n", "[machine] rapid must be a number"),
        (HEAD + STOCK + TOOL + "[machine]\nsingle_block = 1\n", "single_block must be true or false, got 1"),
        ("program = \"\\u0000\"\n" + STOCK + TOOL, "part.toml program must be"),
        (HEAD + "tools_from = 'none.csv'\n" + STOCK, "tools_from none.csv cannot be read: No such file"),
        (HEAD + "machine_from = 'none.toml'\n" + STOCK + TOOL, "no job file"),
        ("program = part.nc\n" + STOCK + TOOL, "part.toml is not a job file: "),
    ],
)  # fmt: skip
def test_what_is_wrong_in_a_job_is_named(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError, match=re.escape(told)):
        job_of(tmp_path, text)


@pytest.mark.parametrize(
    ("cell", "told"),
    [
        ("6..5", "tools.csv row 2 diameter must be a length, got '6..5'"),
        ("nan", "tools.csv row 2 diameter must be a length, got nan"),
        ("", "tools.csv row 2 needs diameter: a length"),
    ],
)
def test_what_is_wrong_in_a_tool_table_is_named_by_its_row(tmp_path: Path, cell: str, told: str) -> None:
    (tmp_path / "tools.csv").write_text(f"number,kind,diameter\n1,drill,{cell}\n")
    with pytest.raises(InputError, match=re.escape(told)):
        job_of(tmp_path, f'{HEAD}tools_from = "tools.csv"\n{STOCK}')


def test_a_machine_of_another_unit_is_read_before_it_is_turned(tmp_path: Path) -> None:
    (tmp_path / "mill.toml").write_text('units = "inch"\n[machine]\nrapid = "fast"\n')
    with pytest.raises(InputError, match=r"rapid must be a number \[units per minute\], got 'fast'"):
        job_of(tmp_path, f'{HEAD}machine_from = "mill.toml"\n{STOCK}{TOOL}')


def test_set_ups_have_offsets_of_their_own(tmp_path: Path) -> None:
    second = (
        '[[setup]]\noffset = "g55"\nzero = [100, 0, 0]\n[setup.stock]\nmin = [0, 0, -5]\nmax = [9, 9, 0]\n'
    )
    job = job_of(tmp_path, HEAD + STOCK + second + TOOL)
    assert [setup.offset for setup in job.setups] == ["G54", "G55"]
    assert job.setups[1].stock == Box(low=(0.0, 0.0, -5.0), high=(9.0, 9.0, 0.0))
    assert job.setups[1].zero == (100.0, 0.0, 0.0)
