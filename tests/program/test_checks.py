"""Each planted fault is named, with its line, and only it."""

from typing import Any

import pytest

from listen.job import Box, Job, KeepOut, Machine, Setup, Tool
from listen.program import check_program, program_facts, time_program
from listen.program.points import check_points
from listen.timeline import Caution
from tests.program.reading import job_with, read, told

pytestmark = pytest.mark.closed

GOOD = """%
O1000
G21 G17 G90 G40 G49 G80
T1 M6
G54 G90 S6000 M3
G0 X-10 Y10
G43 H1 Z5 M8
G1 Z-1 F300
X90 F800
G0 Z50
G91 G28 Z0
G90
T2 M6
G54 G90 S1500 M3
G0 X10 Y20
G43 H2 Z5
G81 X10 Y20 Z-8 R2 F150
X70
G80 G0 Z50
M9
M5
G91 G28 Z0
M30
%
"""
MILL = Tool(number=1, kind="flat end mill", diameter=12.0, flutes=3, stick_out=40.0, holder_diameter=40.0)
DRILL = Tool(number=2, kind="drill", diameter=8.0)
VICE = KeepOut(name="vice", box=Box(low=(-40.0, -40.0, -60.0), high=(120.0, 0.0, -12.0)))


def cautions(text: str, job: Job | None) -> tuple[Caution, ...]:
    program = read(text, job=job)
    path = time_program(program, Machine() if job is None else job.machine)
    return check_program(program, path, job)


def a_job(**more: Any) -> Job:
    return job_with(MILL, DRILL, keep_outs=(VICE,), machine=Machine(spindle_max_rpm=8000.0), **more)


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) >= 1
    return GOOD.replace(old, new, 1)


def test_a_good_program_raises_nothing() -> None:
    assert cautions(GOOD, a_job()) == ()


FAULTS = [
    ("G54 G90 S6000 M3", "G54 G90 S6000", "feed before the spindle turns", 8),
    ("G1 Z-1 F300", "G1 Z-1", "no feed", 8),
    ("G43 H1 Z5 M8", "Z5 M8", "no length offset", 7),
    ("G43 H1 Z5 M8", "G43 H2 Z5 M8", "length offset of another tool", 7),
    ("S6000", "S9000", "spindle too fast", 5),
    ("X90 F800", "X90 Y0 F800\nG2 X90 Y20.01 I0 J10", "arc error", 10),
    ("G1 Z-1 F300", "G1 Z-21 F300\nG0 Z5\nG1 Z-1", "below the underside", 8),
    ("G0 Z50\nG91 G28 Z0\nG90\nT2 M6", "T2 M6", "tool change inside the work", 10),
    ("G91 G28 Z0\nG90\nT2", "G90 G28 Z0\nG90\nT2", "G28 through a work place", 11),
    (
        "G90\nT2 M6\nG54 G90 S1500 M3\nG0 X10 Y20\nG43 H2 Z5\nG81 X10 Y20 Z-8 R2 F150\nX70\n",
        "T2 M6\nG54 S1500 M3\nG0 X10 Y20\nG43 H2 Z5\n",
        "G91 left on",
        14,
    ),
    ("G54 G90 S6000 M3", "G10 L2 P1 Z-1.5\nG54 G90 S6000 M3", "offsets rewritten", 5),
    ("G0 X-10 Y10", "G0 X-10 Y10\nG0 Z-13 Y-3", "rapid into a keep-out", 7),
    ("X90 F800", "Z-12.5\nY4 F800\nY10", "feed into a keep-out", 10),
    ("G81 X10 Y20 Z-8 R2 F150", "G84 X10 Y20 Z-8 R2 F1500", "hold may not be obeyed", 17),
    ("X90 F800", "M49\nX90 F800\nM48", "hold may not be obeyed", 10),
    ("X90 F800", "#3004=1\nX90 F800\n#3004=0", "hold may not be obeyed", 10),
    ("G21 G17 G90 G40 G49 G80", "G40", "modal state taken for granted", 6),
    ("M30\n%\n", "", "no program end", 22),
    ("X90 F800", "X90 F800\nG4 P500", "long dwell", 10),
    ("X90 F800", "X90 F800\nG82 X90 Y10 Z-1.5 R-1 P500 F90\nG80", "long dwell", 10),
]


@pytest.mark.parametrize(("old", "new", "kind", "line"), FAULTS)
def test_a_planted_fault_is_named_with_its_line_and_only_it(old: str, new: str, kind: str, line: int) -> None:
    found = cautions(changed(old, new), a_job())
    allowed = {kind, "no length offset"} if old == "G0 X-10 Y10" else {kind}
    assert {c.kind for c in found} <= allowed
    assert (kind, line) in [(c.kind, c.line) for c in found]
    assert all(c.text and c.remedy for c in found)


def test_length_offset_zero() -> None:
    found = cautions(changed("G43 H1 Z5 M8", "G43 H0 Z5 M8"), a_job())
    assert {c.kind for c in found} == {"length offset 0", "no length offset"}


def test_units_that_do_not_fit_the_stock() -> None:
    inch = changed("G21", "G20")
    assert "units" in {c.kind for c in cautions(inch, a_job())}
    small = (
        GOOD.replace("X-10 Y10", "X0 Y0.4")
        .replace("X90", "X3.1")
        .replace("Z-1 ", "Z-.04 ")
        .replace("X10 Y20", "X0.4 Y0.8")
        .replace("X70", "X2.8")
        .replace("Z-8 R2", "Z-.3 R.1")
    )
    assert [c.kind for c in cautions(small, a_job())] == ["units"]


def test_one_small_feature_is_no_program_in_the_other_unit() -> None:
    """A bore by a helix in the middle of the plate, 8 deep; the same where zero is in the middle."""
    bore = "G0 X{x} Y25\nG43 H1 Z5 M8\nG1 Z1 F300\nG3 X{x} Y25 Z-8 I-1 P5\nG1 X{x}\n"
    old = "G0 X-10 Y10\nG43 H1 Z5 M8\nG1 Z-1 F300\nX90 F800\n"
    drilled = "G0 X10 Y20\nG43 H2 Z5\nG81 X10 Y20 Z-8 R2 F150\nX70\nG80 G0 Z50\n"
    text = changed(old, bore.format(x=41)).replace(drilled, "")
    assert [c.kind for c in cautions(text, a_job())] == []
    middle = job_with(
        MILL, DRILL, setups=(Setup(offset="G54", stock=Box(low=(-40, -25, -20), high=(40, 25, 0))),)
    )
    assert "units" not in {c.kind for c in cautions(text.replace("X41 Y25", "X1 Y0"), middle)}


def test_tapping_feed_against_the_pitch() -> None:
    tap = Tool(number=2, kind="tap", diameter=6.0, pitch=1.0)
    text = changed("G81 X10 Y20 Z-8 R2 F150", "G84 X10 Y20 Z-8 R2 F1400")
    assert "tapping feed" in {c.kind for c in cautions(text, job_with(MILL, tap))}
    right = changed("G81 X10 Y20 Z-8 R2 F150", "G84 X10 Y20 Z-8 R2 F1500")
    assert "tapping feed" not in {c.kind for c in cautions(right, job_with(MILL, tap))}


def test_radius_offset_of_another_tool() -> None:
    text = changed("X90 F800", "G41 D7 X0 Y12 F800\nX90\nG40 Y30")
    found = cautions(text, a_job())
    assert ("radius offset of another tool", 9) in [(c.kind, c.line) for c in found]


def test_facts_that_are_always_shown() -> None:
    program = read(GOOD)
    facts = program_facts(program, time_program(program, Machine()))
    assert [(f.tool, f.z, f.line) for f in facts.lowest] == [(1, -1.0, 8), (2, -8.0, 17)]
    assert (facts.low, facts.high) == ((-10.0, 10.0, -8.0), (90.0, 20.0, 50.0))
    assert (facts.first_line, facts.last_line, facts.n_lines) == ("%", "%", 24)
    assert facts.n_bytes == len(GOOD)
    assert facts.ended_by == "M30"
    assert [(use.tool, use.line, use.taken_for_granted) for use in facts.restarts] == [
        (1, 4, ()),
        (2, 13, ()),
    ]
    edited = read(GOOD.replace("Z-1 ", "Z-2 "))
    assert edited.checksum != program.checksum


def test_a_tool_that_cannot_be_restarted_by_itself() -> None:
    text = changed("G54 G90 S1500 M3\nG0 X10 Y20\nG43 H2 Z5", "S1500 M3\nG0 X10 Y20\nG43 H2 Z5")
    uses = read(text).tool_uses
    assert uses[1].taken_for_granted == ("absolute or incremental (G90)", "work offset (G54 …)")


POINTED = "G21 G90 G17\nG0 X0. Y0. Z5.\nN40 G1 X20. Z-1. F300\nX30\nX40.5 Y2.0\nG4 X2\nX50. (R9)\n"


def test_a_length_without_its_point_among_others_that_have_one_is_named() -> None:
    """By hand: Z5. X20. Z-1. Y2.0 X50. have one; nothing, dwells and comments do not count.

    That many controls read it so: common practice, no source.
    """
    (found,) = check_points(POINTED.splitlines())
    assert (found.line, found.kind) == (4, "decimal point missing")
    assert found.text.startswith("X30 has no decimal point, while 5 other whole numbers have: many controls")
    two = check_points((POINTED + "Y-6\nX1. Y1. Z1.\n").splitlines())
    assert "X30 and 1 more have no decimal point, while 8 other" in two[0].text


@pytest.mark.parametrize(
    "text",
    [
        POINTED.replace(".", ""),  # a style without points
        POINTED.replace("X30\n", "X30.25\n"),
        POINTED.replace("X30\n", "X#100 Y[#2 + 30]\n"),
        "G1 X20.5 F30\nX30\nX40.25\nX50.75\nX60.125\nX7.5\n",  # whole numbers never have one
        POINTED.replace("X30\n", "X30.\n"),
    ],
)
def test_one_style_throughout_is_not_remarked_on(text: str) -> None:
    assert check_points(text.splitlines()) == []


def test_who_said_how_whole_numbers_are_read_is_not_told() -> None:
    said = job_with(MILL, DRILL, machine=Machine(dialect={"whole_numbers": "as written"}))
    kinds = [{caution.kind for caution in cautions(POINTED, job)} for job in (a_job(), said)]
    assert ["decimal point missing" in one for one in kinds] == [True, False]


@pytest.mark.parametrize(
    ("lines", "read_as", "line", "moves"),
    [
        ("G43 H1 Z20\nX5\nG1 Z1 F100\n", "G0", 1, ["rapid", "rapid", "feed"]),
        ("G0 X1 Z5\nG81 X2 Z-5 R2 F100\nG80\nX9\n", "G0", 4, ["rapid"]),
        ("G1 X1 Z5 F100\nG81 X2 Z-5 R2\nG80 X9\n", "G1", 3, ["feed"]),
        ("G1 X1 F100\nG2 X5 I2\nG80\nX9\n", "G1", 4, ["feed"]),
    ],
)
def test_axis_words_without_a_motion_are_read_as_many_controls_do_and_told(
    lines: str, read_as: str, line: int, moves: list[str]
) -> None:
    """At the start, and after G80, where NISTIR 6556 has an error (section 3.5.15, from memory)."""
    program = read(lines)
    (found,) = (caution for caution in program.cautions if caution.kind == "motion not named")
    assert found.line == line
    assert f"read as {read_as}" in found.text
    kinds = [kind for kind, _ in told(program)]
    assert (kinds if line == 1 else kinds[-1:]) == moves


def test_a_motion_that_is_in_force_raises_nothing_said() -> None:
    text = "G0 X1 Z5\nG81 X2 Z-5 R2 F100\nG80 G0 X9\nX8\n"
    assert "motion not named" not in [caution.kind for caution in read(text).cautions]
