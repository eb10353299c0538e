"""The first-run sheet: what it says, in which order, and that each form of it can be used."""

import hashlib
import json
import re
import subprocess
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from listen.expect import expect
from listen.expect.drawing import plan
from listen.expect.sheet import sheet_of, sheet_schema
from listen.expect.sheet_page import sheet_page
from listen.expect.sheet_terminal import WIDTH, terminal_text
from listen.expect.sheet_words import clock_text, coming
from listen.job import Box, Job, KeepOut, Tool
from listen.job_file import load_job
from listen.program import read_program, time_program

pytestmark = pytest.mark.closed
PROGRAM = """%
(INVENTED PLATE, 6061)
(T1 FLAT END MILL D=12 3 FL)
(T2 DRILL 6 MM 2 FL)
G21 G90 G17 G54
T1 M6
S8000 M3
G0 G43 H1 Z50.
X-20. Y3.
Z5.
N70 G1 Z-3. F300.
N80 X100. F800.
G0 Z50.
T2 M6
S3000 M3
G0 G43 H2 Z50.
X20. Y25.
G83 X20. Y25. Z-12. R2. Q3. F200.
X40.
G80
G0 Z100.
M30
%
"""
JOB = """
program = "plate.nc"
units = "{units}"
[stock]
min = [{low}]
max = [{high}]
material = "aluminium 6061"
[[tools]]
number = 1
kind = "flat end mill"
diameter = {first}
flutes = 3
[[tools]]
number = 2
kind = "drill"
diameter = {second}
flutes = 2
[machine]
feed_override = 10
rapid_override = 25
spindle_power_kw = 7.5
"""
MM = {"units": "mm", "low": "0, 0, -20", "high": "80, 50, 0", "first": "12", "second": "6"}


@pytest.fixture
def job(tmp_path: Path) -> Job:
    (tmp_path / "plate.nc").write_text(PROGRAM)
    (tmp_path / "plate.toml").write_text(JOB.format(**MM))
    return load_job(tmp_path / "plate.toml")


def _sheet(job: Job) -> dict[str, object]:
    path = time_program(read_program(job.programs[0], job=job), job.machine)
    return sheet_of(expect(path, job), path, job)


def test_the_sheet_keeps_to_its_schema_and_to_json(job: Job) -> None:
    sheet = _sheet(job)
    jsonschema.validate(json.loads(json.dumps(sheet, allow_nan=False)), sheet_schema())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**sheet, "contacts": "many"}, sheet_schema())


def test_the_terminal_answers_the_four_questions_of_an_operator_within_its_width(job: Job) -> None:
    text = terminal_text(_sheet(job), contacts=True, figures=True)
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    # where does it touch first, what does the control show then, what will I hear, where do I look
    assert "T1 flat end mill ⌀12.000 touches first in N80" in text
    assert "X-6.000 Y3.000 Z-3.000" in text
    assert "side cut, a tone at 400 Hz, growing over" in text
    assert "single block, switch on while N80 runs; it ends clear of the work, 2.0 mm" in " ".join(
        text.split()
    )
    order = [text.index(word) for word in ("Warnings", "Is this my set-up?", "touches first", "Passes")]
    assert order == sorted(order)
    assert "Advice only. This sheet cannot stop the machine. Watch the machine." in text


def test_lines_go_by_the_n_words_that_the_control_shows(job: Job) -> None:
    text = terminal_text(_sheet(job))
    assert "T1 -3.000 (G54, N70 (line 11))" in text
    assert next(row for row in text.splitlines() if "side cut at Z-3" in row).split()[6] == "N80"


def test_a_look_names_its_contact_by_line_and_among_the_pecks_of_it(job: Job) -> None:
    """A number alone tells nobody where a peck is: from R2 by Q3 the hole's end at -1, -4, -7, -10, -12."""
    text = " ".join(terminal_text(_sheet(job)).split())
    assert "look after contact 1 in N80 (line 12): " in text
    assert "look after contact 6, the last of 5 in line 18: " in text


def test_what_is_wrong_and_what_nobody_checked_stand_apart(job: Job) -> None:
    """Nothing is wrong here, and clamps are not checked: that stood under "Warnings", counted as none."""
    sheet: dict[str, Any] = _sheet(job)
    unchecked = [one["kind"] for one in sheet["warnings"]]
    assert unchecked == ["not checked"]
    page = sheet_page(sheet, job)
    for text in (terminal_text(sheet), page):
        order = [
            text.lower().index(word) for word in ("warnings", "none found", "look at these", "clamps and")
        ]
        assert order == sorted(order)
    wrong = {**sheet["warnings"][0], "kind": "below the underside", "text": "T9 goes through"}
    text = terminal_text({**sheet, "warnings": [*sheet["warnings"], wrong]})
    order = [text.index(word) for word in ("Warnings", "! ", "T9 goes", "Look at these", "? clamps and")]
    assert order == sorted(order)
    assert "none found" not in text


@pytest.mark.parametrize(
    ("heading", "how"),
    [
        ([0.0, 0.0, -1.0], "coming down"),
        ([0.999, 0.0, -0.02], "coming sideways and down"),  # a helix into the top, 1 mm deep in 50 mm of way
        ([1.0, 0.0, 0.0], "coming sideways"),
        ([0.999, 0.0, 0.02], "coming sideways"),
    ],
)
def test_a_touch_on_a_ramp_comes_down_too(job: Job, heading: list[float], how: str) -> None:
    """Whoever watches only the gap to the side misses it: on a helix the height brings the tool there."""
    touch: dict[str, Any] = {"downwards": heading[2] < -0.5, "heading": heading}
    assert coming(touch) == how
    sheet: dict[str, Any] = _sheet(job)
    told = {**sheet, "first_touches": [{**sheet["first_touches"][0], **touch}]}
    assert f"G54, {how})" in terminal_text(told)
    assert f"(G54, {how})" in sheet_page(told, job)


def test_tools_that_touch_first_at_one_place_share_a_label(job: Job) -> None:
    """A drill and the tap after it: their labels lay on each other."""
    sheet: dict[str, Any] = _sheet(job)
    drill = next(touch for touch in sheet["first_touches"] if touch["tool"] == 2)
    both = {**sheet, "first_touches": [*sheet["first_touches"], {**drill, "tool": 4}]}
    assert re.findall(r">(T[^<]*)</text>", plan(both, both["setup"]["stock"][0], ())) == ["T1", "T2, T4"]


def test_holds_and_rungs_carry_the_n_word_of_their_line(job: Job) -> None:
    """N70 goes down beside the block and N80 cuts along it; the lines after have no N word."""
    path = time_program(read_program(job.programs[0], job=job), job.machine)
    timeline = expect(path, job).timeline
    assert [rung.block for rung in timeline.approaches[0].rungs][-2:] == ["N80", "N80"]
    hold = timeline.holds[0]
    assert (hold.block, hold.line) == ("line 13", 13)
    assert hold.note == "switch on while N80 runs; it ends clear of the work"


def _changed(job: Job, *changes: tuple[str, str]) -> Job:
    text = PROGRAM
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    job.programs[0].write_text(text)
    return job


def test_a_tool_that_meets_the_stock_only_in_rapid_is_on_the_sheet(job: Job) -> None:
    """Its feed lines became rapids, and the sheet that had to warn of it could not be printed."""
    rapid = _changed(job, ("G1 Z-3. F300.", "G0 Z-3."), ("N80 X100. F800.", "N80 X100."))
    sheet = _sheet(rapid)
    assert [tool["number"] for tool in sheet["tools"]] == [1, 2]  # type: ignore[attr-defined]
    text = terminal_text(sheet)
    assert "N80 (line 12): T1 meets the stock in a rapid move" in text
    assert "T1 flat end mill ⌀12.000 touches first in N80" in text
    assert "N80 (line 12): T1 meets" in sheet_page(sheet, rapid)


def test_the_underside_is_that_of_the_set_up_where_the_tool_comes_nearest(tmp_path: Path) -> None:
    """-2 in a block 20 thick leaves 18, -3 in one 5 thick leaves 2: that is what to look at."""
    (tmp_path / "two.nc").write_text(
        "G21 G17 G90 G40 G80\nT1 M6\nS8000 M3\nG54 G0 X-20. Y10.\nG43 H1 Z-2.\nG1 X90. F900.\nG0 Z50.\n"
        "G55 G0 X-20. Y10.\nZ-3.\nG1 X90.\nG0 Z50.\nM30\n"
    )
    setups = "".join(
        f'[[setup]]\noffset = "{name}"\n[setup.stock]\nmin = [0, 0, {floor}]\nmax = [80, 50, 0]\n'
        for name, floor in (("G54", -20), ("G55", -5))
    )
    tool = '[[tools]]\nnumber = 1\nkind = "flat end mill"\ndiameter = 10\nflutes = 3\n'
    (tmp_path / "two.toml").write_text(f'program = "two.nc"\nunits = "mm"\n{setups}{tool}')
    job = load_job(tmp_path / "two.toml")
    sheet = _sheet(job)
    setup = sheet["setup"]
    assert (setup["lowest_z"], setup["above_underside"]) == (-3.0, 2.0)  # type: ignore[index]
    # each offset has a zero of its own that may be wrong, so a first touch of its own
    text, page = " ".join(terminal_text(sheet).split()), re.sub("<[^>]*>", "", sheet_page(sheet, job))
    for name, line, z in (("G54", 6, -2), ("G55", 10, -3)):
        assert f"touches first under {name} in line {line} the control shows X-5.000 Y10.000 Z{z}.000" in text
        assert f"first touch under {name} in line {line}" in page
        box = f"X-20.000 Y10.000 Z{z}.000 to X90.000 Y10.000 Z50.000"
        assert f"Travel under {name}, rapids and arcs with it, {box}" in text
        assert f"Travel under {name}, rapids and arcs with it, {box}" in page
    assert sheet_page(sheet, job).count("<svg") == 4  # from above and the first touch, twice
    first, second = (plan(sheet, stock, ()) for stock in setup["stock"])  # type: ignore[index]
    assert ">G54</text>" in first
    assert first.count('class="touch"') == second.count('class="touch"') == 1


def test_a_clamp_on_the_stock_is_drawn_over_it_with_its_name_inside_the_drawing(job: Job) -> None:
    clamp = KeepOut(name="clamp", box=Box(low=(70.0, 10.0, 0.0), high=(100.0, 30.0, 15.0)))
    sheet = _sheet(job)
    drawn = plan(sheet, sheet["setup"]["stock"][0], (clamp,))  # type: ignore[index]
    assert drawn.index('class="stock"') < drawn.index('class="kept"')
    assert re.search(r'<text x="98\.\d+" y="[^"]+" text-anchor="end" [^>]*>clamp</text>', drawn)


def test_keep_outs_under_a_second_offset_need_its_zero(job: Job) -> None:
    import dataclasses

    said = "keep-outs under G55 are checked as if its zero lay where that of G54 lies"
    both = _changed(job, ("T2 M6", "T2 M6\nG55"))
    jaw = KeepOut(name="jaw", box=Box(low=(0.0, -40.0, -60.0), high=(80.0, -30.0, -12.0)))
    for zero, is_said in (((0.0, 0.0, 0.0), True), ((200.0, 0.0, 0.0), False)):
        other = dataclasses.replace(both.setups[0], offset="G55", zero=zero)
        told = dataclasses.replace(both, setups=(*both.setups, other), keep_outs=(jaw,))
        assert (said in " ".join(terminal_text(_sheet(told)).split())) == is_said


def test_an_inch_program_under_a_job_in_mm_says_so(job: Job) -> None:
    assert "The program is in" not in terminal_text(_sheet(job))
    inches = _changed(job, ("G21", "N5G20"), ("Y3.", "Y.1"), ("Z-3.", "Z-.1"), ("X100.", "X4."))
    said = "The program is in inch (G20), this sheet in mm: compare with care"
    assert said in terminal_text(_sheet(inches))
    assert said in sheet_page(_sheet(inches), inches)


def test_the_sheet_tells_one_program_file_from_another(job: Job) -> None:
    """Counted by hand in PROGRAM; the checksum against hashlib, the size against the file."""
    sheet = _sheet(job)
    facts = sheet["setup"]["programs"][0]  # type: ignore[index]
    data = job.programs[0].read_bytes()
    assert (facts["bytes"], facts["lines"]) == (len(data), data.count(b"\n"))
    assert facts["sha256"] == hashlib.sha256(data).hexdigest()
    assert (facts["first_line"], facts["last_line"], facts["ended_by"]) == ("%", "%", "M30")
    assert facts["travel"] == {"low": [-20.0, 3.0, -12.0], "high": [100.0, 25.0, 100.0]}
    assert [(i["tool"], i["z"]) for i in facts["lowest"]] == [(1, -3.0), (2, -12.0)]
    assert [(i["tool"], i["line"]) for i in facts["restarts"]] == [(1, 6), (2, 14)]
    for text in (terminal_text(sheet), re.sub("<[^>]*>", "", sheet_page(sheet, job))):
        assert facts["sha256"] in text
        assert f"{len(data)} bytes, {facts['lines']} lines" in text
        assert "T2 -12.000 (G54, line" in text
        assert "Restart T2 from line 14 takes for granted: " in text


def test_a_long_program_tells_its_progress_from_the_reading_to_the_end(job: Job) -> None:
    from listen.plan import plan_job

    cuts = "".join(f"G1 X{x % 90}. Z{-1 - x % 2}.\n" for x in range(20000))
    job.programs[0].write_text(PROGRAM.replace("G0 Z50.\nT2", f"{cuts}G0 Z50.\nT2"))
    told: list[float] = []
    plan_job(job, progress=told.append)
    assert told == sorted(told)
    assert told[0] < 0.2 < told[-1] <= 1.0


def test_force_and_chip_are_told_only_on_demand(job: Job) -> None:
    sheet = _sheet(job)
    assert "force N" not in terminal_text(sheet)
    assert "force N" in terminal_text(sheet, figures=True)
    assert "force N" not in sheet_page(sheet, job)


def test_an_inch_job_is_shown_in_inches(tmp_path: Path) -> None:
    program = PROGRAM.replace("G21", "G20").replace("Z-3.", "Z-0.125").replace("X-20. Y3.", "X-1. Y0.1")
    program = program.replace("X100. F800.", "X4. F30.").split("T2 M6")[0] + "M30\n"
    (tmp_path / "plate.nc").write_text(
        program.replace("Z50.", "Z2.").replace("Z5.", "Z0.2").replace("F300", "F10")
    )
    inch = {"units": "inch", "low": "0, 0, -1", "high": "3, 2, 0", "first": "0.5", "second": "0.25"}
    (tmp_path / "plate.toml").write_text(JOB.format(**inch))
    sheet = _sheet(load_job(tmp_path / "plate.toml"))
    text = terminal_text(sheet, contacts=True, figures=True)
    assert "Z-0.1250" in text
    assert "to X3.0000 Y2.0000 Z0.0000" in text
    assert re.search(r"side cut .* X-\d\.\d{4} Y0\.1000 Z-0\.1250 +0\.1250 +0\.3500 ", text)  # deep, wide
    shown: Any = sheet
    clear = shown["first_touches"][0]["look"]["clear"]
    assert f"{clear / 25.4:.3f} inch clear or more" in " ".join(text.split())
    assert f" {shown['contacts'][0]['mean_chip'] / 25.4:.6f} " in text
    assert "chip mean inch" in sheet_page(sheet, load_job(tmp_path / "plate.toml"), figures=True)


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for key, value in attrs if key in ("src", "href")]


def test_the_page_needs_nothing_from_outside_and_has_a_drawing_for_each_tool(job: Job) -> None:
    page = _Page()
    page.feed(sheet_page(_sheet(job), job))
    assert page.links == []
    assert "script" not in page.tags
    assert page.tags.count("svg") == 3  # the set-up, and the first touch of two tools


def test_what_a_job_names_cannot_become_part_of_the_page(job: Job) -> None:
    import dataclasses

    tool = Tool(number=1, kind="flat end mill", diameter=12.0, flutes=3)
    odd = dataclasses.replace(
        job,
        tools=(tool, job.tools[1]),
        material=dataclasses.replace(job.material, name="<b>steel</b>"),
    )
    assert "<b>steel</b>" not in sheet_page(_sheet(odd), odd)


@pytest.mark.browser
def test_the_page_prints_on_two_a4_pages_at_most(job: Job, tmp_path: Path) -> None:
    (tmp_path / "sheet.html").write_text(sheet_page(_sheet(job), job), encoding="utf-8")
    command = [
        "chromium",
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={tmp_path / 'user'}",
    ]
    command += [f"--print-to-pdf={tmp_path / 'sheet.pdf'}", f"file://{tmp_path / 'sheet.html'}"]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    printed = (tmp_path / "sheet.pdf").read_bytes()
    assert 1 <= printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ") <= 2


def test_times_are_short() -> None:
    assert [clock_text(s) for s in (0.26, 59.9, 60.0, 3725.0)] == ["0.3 s", "59.9 s", "1:00", "62:05"]


def test_an_arc_that_dips_is_told_as_deep_as_it_goes(tmp_path: Path) -> None:
    """In the XZ plane from X20 to X40 at Z-2 about X30: its lowest place is Z-12, and no chord's."""
    (tmp_path / "dip.nc").write_text(
        "%\nG21 G90 G54\nT1 M6\nS9000 M3\nG0 X20 Y25\nG43 H1 Z2\nG1 Z-2 F200\nG18\nG2 X40 I10 K0 F500\nG17\n"
        "G0 Z50\nM30\n%\n"
    )
    (tmp_path / "dip.toml").write_text(
        'program = "dip.nc"\nunits = "mm"\n[stock]\nmin = [0, 0, -20]\nmax = [80, 50, 0]\n'
        '[[tools]]\nnumber = 1\nkind = "ball end mill"\ndiameter = 8\nflutes = 2\n'
    )
    sheet: Any = _sheet(load_job(tmp_path / "dip.toml"))
    told = (sheet["setup"]["lowest_z"], sheet["setup"]["travel"]["low"][2], sheet["tools"][0]["lowest_z"])
    assert told == pytest.approx((-12.0, -12.0, -12.0), abs=1e-6)


TAPPING = """%
G21 G90 G17 G40 G49 G80 G54
T1 M6
S500 M3
G0 X20 Y25
G43 H1 Z30
G0 Z20
G84 X20 Y25 Z-12 R6 F500
X60
G80
G0 Z50
M30
%
"""


def test_in_tapping_nothing_is_told_that_needs_a_hold_or_an_override(tmp_path: Path) -> None:
    """12 mm at 500 mm/min are 1.44 s at any override; the rungs end where the tapping begins, at Z6."""
    (tmp_path / "tap.nc").write_text(TAPPING)
    (tmp_path / "tap.toml").write_text(
        'program = "tap.nc"\nunits = "mm"\n[stock]\nmin = [0, 0, -20]\nmax = [80, 50, 0]\n'
        '[[tools]]\nnumber = 1\nkind = "tap"\ndiameter = 6\nflutes = 3\npitch = 1.0\n'
        "[machine]\nfeed_override = 10\nrapid_override = 25\n"
    )
    sheet: Any = _sheet(load_job(tmp_path / "tap.toml"))
    (touch,) = sheet["first_touches"]
    assert touch["hears"].startswith("tapping, single hits at 25 Hz, at once, for 1.")
    assert touch["hears"].endswith(" s at any override")
    assert touch["look"] is None
    assert touch["ladder"]
    assert all(rung["rapid"] and rung["shows"][2] >= 6.0 for rung in touch["ladder"])
    text = " ".join(terminal_text(sheet).split())
    assert "no place to hold while this tool is at work" in text
    near = TAPPING.replace("G43 H1 Z30\nG0 Z20", "G43 H1 Z6")
    (tmp_path / "tap.nc").write_text(near)
    job = load_job(tmp_path / "tap.toml")
    sheet = _sheet(job)
    assert sheet["first_touches"][0]["ladder"] == []
    assert "no place to hold: check height and length" in " ".join(terminal_text(sheet).split())
    assert "On the way there is no place to hold" in sheet_page(sheet, job)


def test_a_line_of_another_file_is_named_with_that_file(tmp_path: Path) -> None:
    """Line 4 of O2000.nc feeds, before line 5 it is clear; lines 4 and 5 of the main program have N words."""
    (tmp_path / "main.nc").write_text(
        "%\nO1000\nN10 G21 G90 G17 G54\nN20 T1 M6\nN30 S5000 M3\nN40 G0 X-20 Y10\nN50 G43 H1 Z5\n"
        "N60 M98 P2000\nN70 G0 Z40\nN80 M30\n%\n"
    )
    (tmp_path / "O2000.nc").write_text("%\nO2000\nG91 G0 Z-7\nG1 X120 F400\nG0 Z7\nG90\nM99\n%\n")
    (tmp_path / "main.toml").write_text(
        'program = "main.nc"\nunits = "mm"\n[stock]\nmin = [0, 0, -20]\nmax = [80, 50, 0]\n[[tools]]\n'
        'number = 1\nkind = "flat end mill"\ndiameter = 10\nflutes = 3\ncutting_length = 1\n'
    )
    text = " ".join(terminal_text(_sheet(load_job(tmp_path / "main.toml")), contacts=True).split())
    assert "! line 4: T1 cuts 2.00 mm deep, its cutting length is 1.00 mm (in O2000.nc)" in text
    assert "touches first in line 4 in O2000.nc" in text
    assert (
        "after contact 1 in line 4 in O2000.nc: single block, switch on while line 4 in O2000.nc runs; "
        in text
    )
    assert "slot at Z-2 4 in O2000.nc 1 " in text
    assert "Lowest Z of each tool: T1 -2.000 (G54, line 3 in O2000.nc)" in text
    assert "N20" not in text.split("touches first")[1]
