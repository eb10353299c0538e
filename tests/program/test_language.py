"""Jumps, loops, subprograms, shifts, and the same path written in other ways."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.job import Box, Machine, Setup, Tool
from listen.program import read_program, time_program
from listen.program.moves import Program
from listen.program.timing import path_lengths
from tests.program.reading import ends, job_with, read, told

pytestmark = pytest.mark.closed

START = "G21 G17 G90 G54\nG0 X0 Y0 Z5\n"


def same_moves(one: Program, two: Program, *, atol: float = 1e-6) -> None:
    np.testing.assert_allclose(ends(one), ends(two), rtol=0, atol=atol)
    for name in ("kind", "axis", "cycle"):
        np.testing.assert_array_equal(one.moves[name], two.moves[name])
    np.testing.assert_allclose(one.moves["centre"], two.moves["centre"], rtol=0, atol=atol)
    np.testing.assert_allclose(one.moves["sweep"], two.moves["sweep"], rtol=0, atol=1e-6)
    np.testing.assert_allclose(one.moves["feed"], two.moves["feed"], rtol=1e-9)


Pieces = list[tuple[int, float, float, float]]
PIECES = st.lists(
    st.tuples(
        st.integers(0, 3),
        st.integers(-4000, 4000).map(lambda n: n / 100),
        st.integers(-4000, 4000).map(lambda n: n / 100),
        st.integers(-500, 500).map(lambda n: n / 100),
    ),
    min_size=1,
    max_size=12,
)


def written(pieces: Pieces, *, inch: bool = False, incremental: bool = False, radius: bool = False) -> str:
    """The same pieces in one of the ways to write them: 10 decimals, so that inch loses nothing."""
    unit = 25.4 if inch else 1.0
    lines = ["G20" if inch else "G21", "G17 G90", f"G0 X0 Y0 Z{5 / unit:.10f}", f"F{300 / unit:.10f}"]
    lines += ["G91"] if incremental else []
    at = (0.0, 0.0, 5.0)
    for kind, x, y, z in pieces:
        chord = math.dist((x, y), at[:2])
        if kind >= 2 and chord < 0.5:
            kind = 1
        to = tuple(a - b for a, b in zip((x, y, z), at, strict=True)) if incremental else (x, y, z)
        words = [f"G{kind}", *(f"{a}{v / unit:.10f}" for a, v in zip("XYZ", to, strict=True))]
        if kind >= 2:  # a centre beside the middle of the chord, a quarter of it away to the left
            dx, dy = x - at[0], y - at[1]
            i, j = dx / 2 - dy / 4, dy / 2 + dx / 4
            r = math.hypot(i, j) * (1.0 if kind == 3 else -1.0)
            words += [f"R{r / unit:.10f}"] if radius else [f"I{i / unit:.10f}", f"J{j / unit:.10f}"]
        lines.append(" ".join(words))
        at = (x, y, z)
    return "\n".join(lines) + "\nM30\n"


@settings(max_examples=60, deadline=None, derandomize=True)
@given(pieces=PIECES)
def test_inch_incremental_and_radius_give_the_same_moves(pieces: Pieces) -> None:
    plain = read(written(pieces))
    same_moves(plain, read(written(pieces, inch=True)))
    same_moves(plain, read(written(pieces, incremental=True)))
    same_moves(plain, read(written(pieces, radius=True)), atol=1e-6)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(pieces=PIECES)
def test_with_and_without_a_subprogram_gives_the_same_moves(pieces: Pieces) -> None:
    text = written(pieces)
    lines = text.splitlines()
    called = "\n".join([*lines[:4], "M98 P50", "M30", "O50", *lines[4:-1], "M99"]) + "\n"
    same_moves(read(text), read(called))


@settings(max_examples=40, deadline=None, derandomize=True)
@given(pieces=PIECES, seed=st.integers(0, 100))
@pytest.mark.twin
def test_the_kernel_reads_as_the_long_way_does(pieces: Pieces, seed: int) -> None:
    """`plain_lines` against the reader itself, bit for bit, with other lines between."""
    rng = np.random.default_rng(seed)
    lines = ["G21 G17 G90 G54 G0 X0 Y0 Z5", "G1 F100 X1"]
    for i in range(300):
        _, x, y, z = pieces[i % len(pieces)]
        shape = int(rng.integers(0, 8))
        lines.append(
            [
                f"G1 X{x} Y{y} Z{z} F{100 + i}",
                f"N{i} g0x{x}y{y}",
                f"  X{x:.3f}",
                f"Y-.5 Z+{abs(z)}",
                "",
                f"G01X{int(x)}.",
                f"G91 X{x / 10} (c)",
                f"G90 S{i} M3 X{x}",
            ][shape]
        )
    text = "\n".join(lines) + "\nM30\n"
    fast, slow = read(text), read(text, fast=False)
    assert fast.moves.size == slow.moves.size
    for name in fast.moves.dtype.names or ():
        np.testing.assert_array_equal(fast.moves[name], slow.moves[name], err_msg=name)


def test_a_subprogram_in_its_own_file(tmp_path: Path) -> None:
    (tmp_path / "main.nc").write_text(START + "M98 P1234 L2\nG0 Z9\nM30\n")
    (tmp_path / "O1234.nc").write_text("O1234\nN7 G91 G0 X10\nG90\nM99\n")
    path = time_program(read_program(tmp_path / "main.nc"), Machine())
    assert path.spans.end[:, 0].tolist() == [0.0, 10.0, 20.0, 20.0]
    assert path.files == ("main.nc", "O1234.nc")
    assert [path.files[i] for i in path.file] == ["main.nc", "O1234.nc", "O1234.nc", "main.nc"]
    assert path.block_name(1) == "N7 in O1234.nc"


def test_loops_and_jumps_of_common_controls() -> None:
    text = START + (
        "#1=0\nWHILE [#1 LT 3] DO1\n#1=#1+1\n#2=0\nWHILE [#2 LT 2] DO2\n#2=#2+1\nG0 X[#1*10+#2]\nEND2\nEND1\n"
        "N5 #1=#1-1\nIF [#1 GT 1] GOTO 5\nIF [#1 EQ 1] THEN #1=7\nG0 X#1\nGOTO 9\nG0 X99\nN9 G0 X1\nM30\n"
    )
    assert ends(read(text))[1:, 0].tolist() == [11.0, 12.0, 21.0, 22.0, 31.0, 32.0, 7.0, 1.0]


def test_labelled_statements() -> None:
    text = START + (
        "o100 sub\nG0 X#1\no101 if [#2 GT 1]\nG0 Y1\n"
        "o101 elseif [#2 EQ 1]\nG0 Y2\no101 else\nG0 Y3\no101 endif\n"
        "o100 endsub\n"
        "o100 call [5] [2]\no100 call [6] [1]\no100 call [7] [0]\n"
        "#5=0\no102 while [#5 LT 2]\n#5=[#5+1]\nG0 Z#5\no102 endwhile\n"
        "o103 repeat [2]\nG91 G0 Z1\no103 endrepeat\nG90\n"
        "o104 do\n#5=[#5+1]\no104 while [#5 LT 9]\nG0 X#5\n"
        "o105 while [1]\n#5=[#5+1]\no106 if [#5 GT 11]\no105 break\no106 endif\no105 endwhile\nG0 X#5\n"
        "#<wall>=[2+3]\nG0 X#<wall>\nM2\n"
    )
    expected = [("X", 5), ("Y", 1), ("X", 6), ("Y", 2), ("X", 7), ("Y", 3), ("Z", 1), ("Z", 2), ("Z", 3)]
    expected += [("Z", 4), ("X", 9), ("X", 12), ("X", 5)]
    found = ends(read(text))[1:]
    assert [row["XYZ".index(a)] for row, (a, _) in zip(found, expected, strict=True)] == [
        v for _, v in expected
    ]


def test_m99_with_a_target_and_repeats_in_the_number() -> None:
    text = START + "M98 P30007\nN8 G0 Y9\nM30\nO7\nG91 G0 X1\nG90\nM99\n"
    assert ends(read(text))[1:, 0].tolist() == [1.0, 2.0, 3.0, 3.0]


def test_block_delete_and_optional_stop_are_switches() -> None:
    text = START + "/ G0 X5\nM1\nG0 X1\nM30\n"
    assert [k for k, _ in told(read(text))] == ["rapid", "rapid", "wait", "rapid"]
    switched = read(text, block_delete=True, optional_stop=False)
    assert [k for k, _ in told(switched)] == ["rapid", "rapid"]
    assert "block delete" in {note.kind for note in switched.notes}


def test_whole_numbers_in_thousandths() -> None:
    program = read("G21 G90 G0 X100 Y100. Z5000\nG1 X-2500 F100\n", whole_numbers="thousandths")
    assert ends(program).tolist() == [[0.1, 100.0, 5.0], [-2.5, 100.0, 5.0]]


def test_local_zero_rotation_scale_and_mirror() -> None:
    """By hand: each shift alone, and its end."""
    assert ends(read(START + "G52 X10\nG0 X1\nG52 X0\nG0 X1\n"))[1:, 0].tolist() == [11.0, 1.0]
    turned = ends(read(START + "G68 X0 Y0 R90\nG0 X10 Y0\nG69\nG0 X10 Y0\n"))[1:]
    np.testing.assert_allclose(turned[:, :2], np.array([[0, 10], [10, 0]]), rtol=0, atol=1e-12)
    scaled = ends(read(START + "G51 X1 Y1 Z0 P2\nG0 X2 Y3\nG50\nG0 X2 Y3\n"))[1:]
    np.testing.assert_allclose(scaled[:, :2], np.array([[3, 5], [2, 3]]), rtol=0, atol=1e-12)
    mirrored = read(START + "G51.1 X0\nG0 X5 Y0\nG2 X7 Y0 I1 J0 F9\nG50.1\n")
    np.testing.assert_allclose(ends(mirrored)[1:, 0], [-5.0, -7.0], rtol=0, atol=1e-12)
    assert mirrored.moves["sweep"][2] == pytest.approx(math.pi, rel=0, abs=1e-12)


def test_polar_coordinates() -> None:
    found = ends(read(START + "G16 G0 X10 Y30\nG15 G0 X1\n"))[1:]
    np.testing.assert_allclose(found[0, :2], [10 * math.cos(math.pi / 6), 5.0], rtol=0, atol=1e-12)


def test_another_offset_is_known_only_where_the_job_says_where_it_lies() -> None:
    text = START + "G55\nG91 G0 X1\nG90 G0 X3\n"
    assert math.isnan(ends(read(text))[1, 0])
    stock = Box(low=(0.0, 0.0, -5.0), high=(9.0, 9.0, 0.0))
    setups = (Setup(offset="G54", stock=stock), Setup(offset="G55", stock=stock, zero=(100.0, 0.0, 0.0)))
    program = read(text, job=job_with(Tool(number=1, kind="drill", diameter=3.0), setups=setups))
    assert ends(program)[1:, 0].tolist() == [-99.0, 3.0]
    assert [program.offset_names[i] for i in program.moves["offset"]] == ["G54", "G55", "G55"]


def test_a_wider_set_of_offsets() -> None:
    program = read(START + "G54.1 P12\nG0 X1 Y1 Z1\nG59.3 G0 X2 Y2 Z2\n")
    assert program.offset_names == ("G54", "G54.1 P12", "G59.3")


@pytest.mark.parametrize("line", ["G65 P9810 Z5", "G38.2 Z-5 F50", "G31 Z-5 F50", "G68.2 X0 Y0 Z0", "G37 Z1"])
def test_what_cannot_be_followed_is_not_judged_until_the_next_absolute_place(line: str) -> None:
    program = read(
        START
        + f"{line}\nG69\nG91 G0 X1\nG90 G0 X3\nG0 Y4 Z6\nM30\n".replace(
            "G69\n", "" if "68" not in line else "G69\n"
        )
    )
    path = time_program(program, Machine())
    assert "not judged" in {note.kind for note in program.notes}
    assert [k for k, _ in told(program)][1] == "unknown"
    assert np.isnan(path.spans.end[1]).all()
    assert path.spans.end[-1].tolist() == [3.0, 4.0, 6.0]


def test_moves_are_not_judged_while_a_rotary_axis_is_turned_away() -> None:
    """A0 is how the work was set up; at A90 nothing is known of the stock; back at A0 all is as before."""
    program = read(START + "G0 A0\nG1 X2 F100\nA90\nG1 X4\nA0\nG1 X6\nG91 A45\nX1\nM30\n")
    path = time_program(program, Machine())
    x = path.spans.end[:, 0]
    assert [k for k, _ in told(program)] == [
        "rapid",
        "feed",
        "unknown",
        "feed",
        "unknown",
        "feed",
        "unknown",
        "feed",
    ]
    np.testing.assert_array_equal(x[1:], [2.0, np.nan, np.nan, 4.0, 6.0, np.nan, np.nan])
    assert path.spans.begin[5, 0] == 4.0
    (note,) = [note for note in program.notes if note.kind == "not judged"]
    assert (note.line, note.text.split(":")[0][:13]) == (START.count("\n") + 3, "a rotary axis")


def test_the_angle_at_the_first_cut_is_that_of_the_set_up() -> None:
    """A fourth axis that stands at 90 all along turns nothing; it is said, for the stock must lie so."""
    program = read(START + "G0 A90\nG1 X2 F100\nG0 A90\nG1 X4\nM30\n")
    path = time_program(program, Machine())
    assert np.isfinite(path.spans.end[1:]).all()
    (note,) = program.notes
    assert (note.kind, note.text) == (
        "not checked",
        "A stands at 90 when the first cut begins: the stock is taken as it lies there",
    )


def test_an_axis_that_first_turns_after_a_cut_is_turned_away() -> None:
    path = time_program(read(START + "G1 X2 F100\nB30\nX4\nM30\n"), Machine())
    assert np.isnan(path.spans.end[-1]).all()


def test_whole_turns_bring_the_work_back_and_only_what_is_turned_is_named() -> None:
    """A360 is A0 again, and a tenth of a degree is not; B stands still all along."""
    program = read(START + "G0 A0 B5\nG1 X2 F100\nA360\nG1 X4\nA359.9\nG1 X6\nM30\n")
    path = time_program(program, Machine())
    np.testing.assert_array_equal(path.spans.end[2:, 0], [2.0, 4.0, np.nan, np.nan])
    assert [kind for kind, _ in told(program)][2:5] == ["unknown", "feed", "unknown"]
    (note,) = [note for note in program.notes if note.kind == "not judged"]
    assert note.line == START.count("\n") + 5
    assert note.text.startswith("a rotary axis (A) turns")


def test_an_axis_that_the_program_turns_to_where_it_stood_turns_nothing() -> None:
    """First named after a cut, at 0 where it stood: nothing waits and nothing is said."""
    program = read(START + "G1 X2 F100\nA0\nX4\nM30\n")
    assert [kind for kind, _ in told(program)] == ["rapid", "feed", "feed"]
    assert program.notes == ()


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("G52 X1", "G52"),
        ("G68 X0 Y0 R30", "G68"),
        ("G51 X0 Y0 P2", "G51"),
        ("G51.1 X0", "G51.1"),
        ("G92 X7", "G92"),
    ],
)
def test_what_moves_the_coordinates_is_said_for_the_control_may_show_others(line: str, word: str) -> None:
    (note,) = read(START + f"{line}\nG0 X1\nM30\n").notes
    assert (note.kind, note.line, note.text.split(" ")[0]) == ("not checked", 3, word)
    assert read(START + "G52 X0 Y0\nG0 X1\nM30\n").notes == ()


def test_dynamic_offset_is_not_judged_until_it_ends() -> None:
    program = read(START + "G43.4 H1\nG0 X5 Y5 Z5\nG1 X9 F100\nG49\nG0 X1 Y1 Z1\nM30\n")
    path = time_program(program, Machine())
    assert np.isnan(path.spans.end[1:4]).all()
    assert path.spans.end[-1].tolist() == [1.0, 1.0, 1.0]


def test_unknown_words_are_noted_once_each() -> None:
    program = read(START + "M88\nG5.1 Q1\nM88\nG0 X1 M88\nM30\n")
    texts = [note.text for note in program.notes]
    assert sum("M88" in text for text in texts) == 1
    assert sum("G5.1" in text for text in texts) == 1


def test_a_contour_with_compensation_is_longer_by_one_turn_of_the_tool() -> None:
    """By hand: round a 40 × 30 rectangle outside with radius 5: 140 mm, and corners that make 2π·5.

    One corner of the four is where the path begins and ends, so three quarters of the turn.
    """
    job = job_with(Tool(number=1, kind="flat end mill", diameter=10.0))
    text = START + "T1 M6\nG0 X-20 Y-20 Z-1\nG42 D1 G1 X0 Y0 F100\nX40\nY30\nX0\nY0\nG40 G0 X-20 Y-20\nM30\n"
    moves = read(text, job=job).moves
    cut = moves[(moves["kind"] == 1)][1:]
    assert path_lengths(cut).sum() == pytest.approx(140.0 + 2 * math.pi * 5 * 0.75, rel=0, abs=1e-9)
    assert cut["begin"][0][:2].tolist() == [0.0, -5.0]
    assert moves["end"][-1][:2].tolist() == [-20.0, -20.0]
    assert moves["begin"][-1][:2].tolist() == [-5.0, 0.0]


def test_inside_corners_are_cut_where_the_offset_paths_cross() -> None:
    """By hand: inside the same rectangle the path is 30 × 20."""
    job = job_with(Tool(number=1, kind="flat end mill", diameter=10.0))
    text = START + "T1 M6\nG0 X20 Y15 Z-1\nG41 D1 G1 X20 Y0 F100\nX40\nY30\nX0\nY0\nX20\nG40 G0 Y15\nM30\n"
    moves = read(text, job=job).moves
    cut = moves[(moves["kind"] == 1)][1:]
    np.testing.assert_allclose(
        cut["end"][:, :2], np.array([[35, 5], [35, 25], [5, 25], [5, 5], [20, 5]]), rtol=0, atol=1e-9
    )


def test_compensation_without_a_diameter_is_told() -> None:
    program = read(START + "G41 D1 G1 X5 F100\nX9\nG40 X0\nM30\n")
    assert any("does not give this tool's diameter" in note.text for note in program.notes)
    assert ends(program)[1:, 0].tolist() == [5.0, 9.0, 0.0]


def test_surface_speed_needs_the_diameter() -> None:
    """By hand: 100 m/min on 10 mm is 100000 / (π·10) = 3183.1 rpm."""
    job = job_with(Tool(number=1, kind="flat end mill", diameter=10.0))
    program = read("T1 M6\nG96 S100 M3\n" + START, job=job)
    assert program.moves["rpm"][-1] == pytest.approx(3183.1, rel=0, abs=0.05)


def test_high_speed_pecking_and_tapping() -> None:
    pecks = told(read(START + "G73 Z-5 R1 Q2 F100\n", peck_clearance_mm=0.5))[1:]
    assert [z for _, (_, _, z) in pecks] == [1.0, -1.0, -0.5, -3.0, -2.5, -5.0, 5.0]
    taps = read(START + "S500 M3\nG84 Z-5 R1 F500\n")
    assert [k for k, _ in told(taps)][2:] == ["rapid", "rigid", "spindle", "rigid", "spindle", "rapid"]
    assert taps.moves["rpm"].tolist()[3:] == [500.0, -500.0, -500.0, 500.0, 500.0]


def test_pecking_goes_back_to_just_above_the_last_depth() -> None:
    """[7.3 of the list] NISTIR 6556, 3.5.16.4: out to R, back in rapid to above the last depth."""
    pecks = told(read(START + "G83 Z-5 R1 Q3 F100\n", peck_clearance_mm=0.5))[1:]
    assert [(k, z) for k, (_, _, z) in pecks] == [
        ("rapid", 1.0),
        ("feed", -2.0),
        ("rapid", 1.0),
        ("rapid", -1.5),
        ("feed", -5.0),
        ("rapid", 5.0),
    ]


def test_g92_on_top_of_g52() -> None:
    """By hand: at work X14, G52 X10 reads 4; G92 X7 makes it 7, so programmed X8 is work X15."""
    assert ends(read(START + "G0 X14\nG52 X10\nG92 X7\nG0 X8\n"))[-1, 0] == 15.0


def test_another_length_makes_the_height_unknown_until_the_next_z() -> None:
    found = ends(read(START + "G43 H1\nG0 X1\nG0 Z5\nG49\nG0 X2\n"))[1:]
    assert [math.isnan(z) for z in found[:, 2]] == [True, False, True]


def test_a_feed_is_of_its_feed_mode() -> None:
    """NISTIR 6556, 3.5.19: another feed mode needs its own F."""
    assert read(START + "S100 M3 F200\nG1 X1\nG95 X2\nX3 F0.1\n").moves["feed"].tolist()[-3:] == [
        200.0,
        0.0,
        10.0,
    ]


def test_tool_change_forgets_the_height_unless_the_machine_keeps_it() -> None:
    text = START + "T1 M6\nG0 X1\n"
    assert math.isnan(ends(read(text))[-1, 2])
    assert ends(read(text, tool_change_keeps_place=True))[-1, 2] == 5.0


def test_cycles_of_boring() -> None:
    """Down and up as in the table of NISTIR 6556, 3.5.16: feed out, stop and rapid out, wait."""
    for code, expected in (
        (85, ["rapid", "feed", "feed", "rapid"]),
        (86, ["rapid", "feed", "dwell", "spindle", "rapid", "spindle"]),
        (88, ["rapid", "feed", "dwell", "spindle", "wait", "rapid", "spindle"]),
        (89, ["rapid", "feed", "dwell", "feed", "rapid"]),
    ):
        program = read(START + f"S500 M3\nG{code} Z-5 R1 P0.5 F100\n")
        assert [k for k, _ in told(program)][2:] == expected, code


def test_threading_and_rigid_tapping_by_pitch() -> None:
    """By hand: pitch 1.5 at 200 rpm is 300 mm/min. G33.1 from memory."""
    thread = read(START + "S200 M3\nG33 Z-5 K1.5\n").moves
    assert (thread["kind"][-1], thread["feed"][-1]) == (2, 300.0)
    tap = told(read(START + "S200 M3\nG33.1 Z-5 K1.5\n"))[2:]
    assert [(k, z) for k, (_, _, z) in tap] == [
        ("rigid", -5.0),
        ("spindle", -5.0),
        ("rigid", 5.0),
        ("spindle", 5.0),
    ]


def test_an_arc_from_an_unknown_height_is_not_judged_and_its_end_is_known() -> None:
    """After the tool change only the control knows Z; G18 G2 tells where the arc ends, not where it began."""
    before = "G90 G21 G18\nG0 X0 Y0 Z10\nT1 M6\nS900 M3\n"
    program = read(before + "G2 X10 Z5 R10 F500\nG1 X20\n")
    assert told(program)[-2:] == [("unknown", (10.0, 0.0, 5.0)), ("feed", (20.0, 0.0, 5.0))]
    (note,) = [note for note in program.notes if note.kind == "not judged"]
    assert (note.line, note.text) == (5, "an arc begins at a place that is not known: not followed")
    assert told(read(before + "G2 X10 Z5 R10 F500\nG1 X20\n", fast=False))[-2:] == told(program)[-2:]
