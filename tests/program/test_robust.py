"""Any bytes give moves or one error with its line; encodings and line ends do not matter."""

import random
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listen.errors import ProgramError
from listen.program.dialect import Dialect
from listen.program.reader import read_source_text
from listen.program.text import source_from
from tests.program.fuzz import any_program, try_program, try_repaired
from tests.program.reading import ends, read

pytestmark = pytest.mark.closed


@pytest.mark.parametrize("seed", range(8))
def test_broken_programs_are_read_or_refused(seed: int) -> None:
    """The fuzz of `tests/program/fuzz.py`, for a bounded time; by hand it runs longer."""
    rng = random.Random(1000 + seed)
    refused = sum(try_repaired(any_program(rng)) for _ in range(60))
    assert refused > 0


@settings(max_examples=150, deadline=None, derandomize=True)
@given(data=st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    try_program(data)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(text=st.text(alphabet="GXYZMNOF#[]()<>=+-*/. 0123456789IWHLEDTRPQS%\n", max_size=120))
def test_any_text_of_the_right_letters(text: str) -> None:
    try_program(text.encode())


TEXT = "%\nO1 (PLÄTTE)\nG21 G90\nG0 X1. Y2. Z5.\nG1 Z-1. F100\nM30\n%\n"


@pytest.mark.parametrize(
    "data",
    [
        TEXT.encode("utf-8"),
        TEXT.encode("utf-8-sig"),
        TEXT.encode("latin-1"),
        TEXT.encode("utf-16"),
        TEXT.replace("\n", "\r\n").encode(),
        TEXT.replace("\n", "\r").encode(),
        b"\0" * 40 + TEXT.encode() + b"\0" * 200,
        b"\x7f\x7f \n\n" + TEXT.encode(),
        TEXT.replace("%\n", "", 1).encode(),
        TEXT.lower().encode(),
        TEXT.replace("X1. Y2. Z5.", "X1.Y2.Z5.").encode(),
    ],
)
def test_encodings_line_ends_and_padding(data: bytes) -> None:
    program = read_source_text(source_from(data, name="part.nc"), dialect=Dialect())
    np.testing.assert_array_equal(ends(program), [[1.0, 2.0, 5.0], [1.0, 2.0, -1.0]])
    assert program.ended_by == "M30"


def test_lines_are_counted_as_in_the_file() -> None:
    with pytest.raises(ProgramError, match=r"^part\.nc line 4: word G7\.7"):
        read("\n%\nG0 X1\nG7.7\n")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("G0 X1\nGOTO 5\n", r"line 2: there is no line N5"),
        ("N5 G0 X1\nGOTO 5\n", r"line 2: this loop never ends"),
        ("#1=1\nWHILE [#1 GT 0] DO1\n#1=#1+1\nEND1\n", r"line \d: more than 500 lines were run"),
        ("M98 P1\nM30\nO1\nM98 P1\nM99\n", r"line 4: subprograms are nested more than 20 deep"),
        ("M98 P77\n", r"line 1: M98 calls O77, which is neither"),
        ("G0 X#500\n", r"line 1: #500 is not set in the program"),
        ("G0 X[1/0]\n", r"line 1: division by zero"),
        ("G0 X[" + "[" * 100 + "1" + "]" * 101 + "\n", r"line 1: word X: brackets are nested"),
        ("G91 G81 X1 Z-1 R1 L9999 F1\n", r"line 1: R and the depth count from a height"),
        ("G0 X0 Y0 Z0\nG83 Z-10 R1 Q0.001 F1\n", r"line 2: more than 300 moves"),
        ("G0 X1 X2\n", r"line 1: word X stands twice"),
        ("G0 X\n", r"line 1: word X has no number"),
        ("G1 X9 ,R3\n", r"line 1: a corner rounded or chamfered by ,R or ,C is not followed; write it"),
        ("0 BEGIN PGM\n", r"line 1: '0' begins no word; .* or no G-code\?"),
        ("G0 X1 G1 Y2\n", r"line 1: G0 and G1 are of one group"),
        ("G1 X5 I3 F100\n", r"line 1: word I has no meaning with G0 or G1"),
        ("G0 X1\nG2 X5 F100\n", r"line 2: G2 and G3 need I and J, or R"),
        ("WHILE [1] DO1\nEND2\n", r"line 2: END2 has no DO2"),
        ("G0 U5\n", r"line 1: word U moves another axis"),
        ("G1 F9 X1\nG5 X5 Y5 I1 J1\n", r"line 2: G5 with axis words is a curve"),
        ("o101 while O[1 LT 4]\n", r"line 1: while needs one \[expression\]"),
        ("o101 repeat\n", r"line 1: repeat needs one \[expression\]"),
        ("o101 if [1] G0 X5\n", r"line 1: if must stand alone"),
        ("M97 P10\n", r"line 1: M97 calls lines of this file"),
        ("G0 X1 hello\n", r"line 1: word H"),
    ],
)
def test_each_error_says_line_and_reason(text: str, message: str) -> None:
    with pytest.raises(ProgramError, match=message):
        read(text, max_blocks=500, max_moves=300)


@pytest.mark.parametrize(
    "line",
    ["X11111" * 600 + "_", "(" * 3900, "[" * 3900, "#" * 3900, "DO1" * 1300, "G0X" + "9" * 3900, "X" * 5000],
)
def test_long_lines_end_soon(line: str) -> None:
    """A pattern that tries all ways to split digits would not end before the sun does."""
    before = time.perf_counter()
    with pytest.raises(ProgramError, match=r"^part\.nc line 2: "):
        read(f"G0 X1\n{line}\nGOTO 5\n")
    assert time.perf_counter() - before < 2.0
