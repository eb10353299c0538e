"""Worked examples of RS-274/NGC as printed in NISTIR 6556 (2000), by section of that report.

Section numbers in brackets are those of the project's list of references, part 7.
"""

import math

import numpy as np
import pytest

from listen.errors import ProgramError
from listen.job import Tool
from listen.program.timing import path_lengths
from tests.program.reading import ends, job_with, read, told

pytestmark = pytest.mark.reference


def test_g81_absolute_one_hole() -> None:
    """[7.30] NISTIR 6556, 3.5.16.3, first example."""
    program = read("G0 X1 Y2 Z3\nF100 G90 G81 G98 X4 Y5 Z1.5 R2.8\n")
    assert told(program)[1:] == [
        ("rapid", (4.0, 5.0, 3.0)),
        ("rapid", (4.0, 5.0, 2.8)),
        ("feed", (4.0, 5.0, 1.5)),
        ("rapid", (4.0, 5.0, 3.0)),
    ]
    assert set(program.moves["cycle"][1:]) == {81}


def test_g81_incremental_three_holes() -> None:
    """[7.31] NISTIR 6556, 3.5.16.3, second example: the old Z is below R, so R is the clear height."""
    program = read("G0 X1 Y2 Z3\nF100 G91 G81 G98 X4 Y5 Z-0.6 R1.8 L3\n")
    expected = [("rapid", (1.0, 2.0, 4.8))]
    for x, y in ((5.0, 7.0), (9.0, 12.0), (13.0, 17.0)):
        expected += [("rapid", (x, y, 4.8)), ("feed", (x, y, 4.2)), ("rapid", (x, y, 4.8))]
    assert told(program)[1:] == expected


CYCLE_TEST = """n0010 g20
n0020 g17 g43 h1 m3 s1234 f16
n0030 g81 x3 y4 r0.2 z-1.1
n0040 x1 y0 r0 g91 l3
n0050 y-2 r0.1
n0060 g82 g90 x4 y5 r0.2 z-1.1 p0.6
n0070 x2 z-3 p1
n0080 g83 x4 y5 r0.2 z-1.1 q0.21
n0090 g84 x4 y5 r0.2 z-1.1
n0100 g85 x4 y5 r0.2 z-1.1
n0110 g86 x4 y5 r0.2 z-1.1 p902.61
n0120 g89 x4 y5 r0.2 z-1.1 p1.2
n0130 g80 m2
"""


@pytest.mark.parametrize(("plane", "order"), [("g17", (0, 1, 2)), ("g18", (2, 0, 1)), ("g19", (1, 2, 0))])
def test_all_cycles_in_three_planes(plane: str, order: tuple[int, int, int]) -> None:
    """[7.32] In the manner of NISTIR 6556, 3.5.16, the cycle test: the same in each plane, axes turned."""
    letters = dict(zip("xyz", ("xyz"[i] for i in order), strict=True))
    text = "".join(letters.get(c, c) for c in CYCLE_TEST).replace("g17", plane)
    start = "g0 " + " ".join(f"{letters[c]}{v}" for c, v in (("x", 0), ("y", 0), ("z", 1))) + "\n"
    first = read("g20 g0 x0 y0 z1\n" + CYCLE_TEST.replace("g43 h1 ", ""))
    turned = read("g20 " + start + text.replace("g43 h1 ", ""))
    np.testing.assert_allclose(ends(turned)[:, list(order)], ends(first), rtol=0, atol=1e-9)
    np.testing.assert_array_equal(turned.moves["kind"], first.moves["kind"])
    pecks = first.moves[(first.moves["cycle"] == 83) & (first.moves["kind"] == 1)]
    assert len(pecks) == math.ceil(1.3 / 0.21)


def test_g92_shifts_and_shifts_again() -> None:
    """[7.33] NISTIR 6556, 3.5.18: at X4, G92 X7 gives -3, then G92 X9 gives -5 (parameter 5211)."""
    program = read("G0 X4 Y0 Z0\nG92 X7\n#1=#5211\nG92 X9\n#2=#5211\nG0 Z[#1] Y[#2]\n")
    assert ends(program)[-1].tolist() == pytest.approx([4.0, -5.0, -3.0], rel=0, abs=1e-12)


def test_g92_leaves_the_tool_where_it_is() -> None:
    """[7.33] By hand: after G92 X7 at X4, programmed X7 is work X4, and X8 is work X5."""
    program = read("G0 X4 Y0 Z0\nG92 X7\nG0 X8\nG92.1\nG0 X8\n")
    assert ends(program)[:, 0].tolist() == [4.0, 5.0, 8.0]


def test_g10_sets_an_origin() -> None:
    """[7.34] NISTIR 6556, 3.5.5: G10 L2 P1 x3.5 y17.2 sets G54's origin, Z is left."""
    program = read("G10 L2 P1 X3.5 Y17.2\n")
    assert program.origins["G54"][:2] == (3.5, 17.2)
    assert math.isnan(program.origins["G54"][2])


def test_cutter_compensation_entry() -> None:
    """[7.35] NISTIR 6556, appendix B, table 12: G1 X1 Y5, G41 G1 Y4, G3 X2 Y3 I1.

    With a tool of radius 0.4 the entry arc about (2, 4) has radius 0.6 for the centre, which
    comes from (1.4, 4) and ends at (2, 3.4).
    """
    job = job_with(Tool(number=1, kind="flat end mill", diameter=0.8))
    text = "T1 M6\nG1 X1 Y5 Z0 F100\nG41 D1 G1 Y4\nG3 X2 Y3 I1\nG1 X5\nG40 G0 Y0\n"
    moves = read(text, job=job).moves[1:]
    np.testing.assert_allclose(
        moves["end"][:, :2], np.array([[1, 5], [1.4, 4], [2, 3.4], [5, 3.4], [5, 0]]), rtol=0, atol=1e-12
    )
    np.testing.assert_allclose(moves["centre"][2][:2], [2.0, 4.0], rtol=0, atol=1e-12)
    assert moves["sweep"][2] == pytest.approx(math.pi / 2, rel=0, abs=1e-12)


def test_entry_arc_must_exceed_the_tool() -> None:
    """[7.35] The same with a tool of radius 1.2: it does not fit into the arc of radius 1."""
    job = job_with(Tool(number=1, kind="flat end mill", diameter=2.4))
    with pytest.raises(
        ProgramError, match=r"^part.nc line 4: the inner arc has radius 1\.0000 mm, the tool 1\.2000 mm"
    ):
        read("T1 M6\nG1 X1 Y5 F100\nG41 D1 G1 Y4\nG3 X2 Y3 I1\nG40 G0 Y0\n", job=job)


def test_arc_with_a_centre() -> None:
    """[7.22] NISTIR 6556, 3.5.3.2: at (7, 7), G17 G2 x10 y16 i3 j4 z9: centre (10, 11), radius 5."""
    moves = read("G0 X7 Y7 Z9\nG17 G2 x10 y16 i3 j4 z9 F100\n").moves
    np.testing.assert_allclose(moves["centre"][1][:2], [10.0, 11.0], rtol=0, atol=0)
    assert math.degrees(-moves["sweep"][1]) == pytest.approx(143.13, rel=0, abs=0.005)
    assert path_lengths(moves)[1] == pytest.approx(12.490, rel=0, abs=0.001)


def test_arc_with_a_radius() -> None:
    """[7.23] NISTIR 6556, 3.5.3.1: G17 G2 x10 y15 r20 z5: chord 18.028, sweep 53.58°, helix 18.70 across."""
    moves = read("G0 X0 Y0 Z5\nG17 G2 x10 y15 r20 z5 F100\n").moves
    assert math.degrees(-moves["sweep"][1]) == pytest.approx(53.58, rel=0, abs=0.005)
    assert path_lengths(moves)[1] == pytest.approx(18.70, rel=0, abs=0.005)
    long_way = read("G0 X0 Y0 Z5\nG2 x10 y15 r-20 F100\n").moves
    assert math.degrees(-long_way["sweep"][1]) == pytest.approx(360 - 53.58, rel=0, abs=0.005)


def test_whole_circle_and_the_same_with_a_radius() -> None:
    """[7.24] and [7.21]: a whole turn in centre form; with R the ends must differ."""
    assert read("G0 X5 Y0\nG3 X5 Y0 I-5 J0 F100\n").moves["sweep"][1] == pytest.approx(2 * math.pi)
    with pytest.raises(ProgramError, match="line 2: an arc with R needs another end"):
        read("G0 X5 Y0\nG3 X5 Y0 R5 F100\n")


def test_radii_that_differ() -> None:
    """[7.20] NISTIR 6556, 3.5.3.2 refuses 0.002 mm; here that is a caution, and a setting."""
    text = "G0 X0 Y0\nG2 X10.01 Y0 I5 J0 F100\n"
    assert "arc error" in [c.kind for c in read(text).cautions]
    with pytest.raises(ProgramError, match="line 2: the arc does not close"):
        read(text, arc_tolerance_mm=0.002)


def test_two_words_of_one_group() -> None:
    """[7.2] NISTIR 6556, 3.4."""
    with pytest.raises(ProgramError, match="line 1: G0 and G1 are of one group"):
        read("G0 G1 X1\n")
    with pytest.raises(ProgramError, match="line 1: G28 and G1 both want the axis words"):
        read("G28 G1 X1\n")


def test_order_of_execution() -> None:
    """[7.3] NISTIR 6556, 3.8: tool, spindle, coolant and dwell come before motion, the stop after it."""
    program = read("G0 X0\nM0 G1 X5 F100 S900 M3 M8 T2 M6\nG4 P2\n")
    assert [kind for kind, _ in told(program)] == [
        "rapid",
        "tool",
        "spindle",
        "feed",
        "wait",
        "dwell",
    ]
    feed = program.moves[3]
    assert (feed["tool"], feed["rpm"], feed["coolant"]) == (2, 900.0, True)


def test_inverse_time_needs_its_feed_on_every_line() -> None:
    """[7.4] NISTIR 6556, 3.5.19: F2.0 is half a minute, whatever the length; it does not stay."""
    moves = read("G0 X0\nG93 G1 X10 F2.0\nX40\n").moves
    assert moves["feed"].tolist() == [0.0, 20.0, 0.0]


def test_g53_only_with_g0_or_g1_and_for_one_line() -> None:
    """[7.6] NISTIR 6556, 3.5.11."""
    moves = read("G0 X1 Y2 Z3\nG53 G0 Z0\nX5\nZ4\n").moves
    assert math.isnan(moves["end"][1][2])
    np.testing.assert_allclose(moves["end"][2][:2], [5.0, 2.0], rtol=0, atol=0)
    assert math.isnan(moves["end"][2][2])
    assert moves["end"][3].tolist() == [5.0, 2.0, 4.0]
    with pytest.raises(ProgramError, match="G53 needs G0 or G1"):
        read("G0 X1\nG53 G80 Z0\n")


def test_g28_goes_to_a_work_place_first() -> None:
    """[7.7] NISTIR 6556, 3.5.8: through the programmed point, then home; without words one move only."""
    program = read("G0 X10 Y10 Z50\nG90 G28 Z0\nG91 G28 Z0\nG28\n")
    assert [kind for kind, _ in told(program)] == ["rapid", "rapid", "unknown", "unknown", "unknown"]
    assert ends(program)[1].tolist() == [10.0, 10.0, 0.0]


def test_dwell_in_its_forms() -> None:
    """[7.8] NISTIR 6556, 3.5.4: P in seconds; milliseconds and X, U as common controls have them."""
    assert read("G4 P1.5\n").moves["seconds"].tolist() == [1.5]
    assert read("G4 P1500\n", dwell_unit="ms").moves["seconds"].tolist() == [1.5]
    assert read("G4 X1.5\nG4 U0.5\n").moves["seconds"].tolist() == [1.5, 0.5]
    assert read("S600 M3\nG4 S5\n").moves["seconds"][-1] == 0.5


def test_blanks_case_and_comments() -> None:
    """[7.10] NISTIR 6556, 3.3: `g0x +0. 12 34y 7` is `g0 x0.1234 y7`."""
    spaced, plain = read("g0x +0. 12 34y 7\n"), read("g0 x0.1234 y7\n")
    np.testing.assert_array_equal(ends(spaced), ends(plain))
    assert ends(spaced)[0][:2].tolist() == [0.1234, 7.0]
    assert ends(read("g0 (to\tX5) x1 ; and Y2\n"))[0][0] == 1.0
    with pytest.raises(ProgramError, match="line 1: a comment is not closed"):
        read("G0 X1 (one (two) Y3\n")


def test_a_parameter_is_written_after_all_reads_of_its_line() -> None:
    """[7.10] NISTIR 6556, 3.3.2.2: after `#3=15`, `#3=6 G1 X#3` goes to 15, and #3 is 6."""
    program = read("#3=15\n#3=6 G1 X#3 F100\nX#3\n")
    assert ends(program)[:, 0].tolist() == [15.0, 6.0]


@pytest.mark.parametrize(
    ("expression", "value"),
    [
        ("1 + acos[0] - [#3 ** [4.0/2]]", 1 + 90 - 15.0**2),
        ("2.0 / 3 * 1.5 - 5.5 / 11.0", 0.5),
        ("fix[2.8]", 2.0),
        ("fix[-2.8]", -3.0),
        ("fup[2.8]", 3.0),
        ("fup[-2.8]", -2.0),
        ("atan[1]/[1]", 45.0),
        ("sin[30]", 0.5),
        ("round[2.5]", 3.0),
        ("7 mod 3", 1.0),
        ("1 or 0 and 0", 0.0),
        ("2 ** 3 * 2", 16.0),
    ],
)
def test_arithmetic(expression: str, value: float) -> None:
    """[7.10] NISTIR 6556, 3.3.2.3 and 3.3.2.4 (rounding, degrees, order); the first two are its examples."""
    program = read(f"#3=15\nG0 X[{expression}]\n")
    assert ends(program)[0][0] == pytest.approx(value, rel=0, abs=1e-9)


def test_m2_is_the_end() -> None:
    """[7.6] What stands after M2 is not run."""
    program = read("G0 X1\nM2\nG0 X5\n")
    assert len(program.moves) == 1
    assert program.ended_by == "M2"
