"""A program of the first kind: read, timed, checked."""

from pathlib import Path

import numpy as np
import pytest

from listen.errors import ProgramError
from listen.job import Machine
from listen.program import read_program, time_program
from listen.spans import SpanKind

pytestmark = pytest.mark.closed

BRACKET = """%
O1000 (BRACKET)
N10 G21 G17 G90 G40 G49 G80
N20 T1 M6
N30 G54 S6000 M3
N40 G0 X-10. Y10. M8
N50 G43 H1 Z5.
N60 G1 Z-1. F300
N70 X90 F800
N80 G2 X90 Y20 I0 J5
G1X-10
G0 Z50 M9
G4 P1.5
M30
%
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "part.nc"
    path.write_text(text)
    return path


def test_places_kinds_and_words_in_force(tmp_path: Path) -> None:
    path = time_program(read_program(write(tmp_path, BRACKET)), Machine())
    kinds = [SpanKind(kind).name for kind in path.spans.kind]
    assert kinds == [
        *("TOOL_CHANGE", "SPINDLE", "RAPID", "RAPID"),
        *("FEED", "FEED", "FEED", "FEED", "RAPID", "DWELL"),
    ]
    np.testing.assert_allclose(path.spans.end[5], [90.0, 10.0, -1.0], rtol=0, atol=0)
    assert path.block_name(5) == "N70"
    assert path.block_name(7) == "line 11"
    assert path.feed_mm_per_min[5] == 800.0
    assert path.spindle_rpm[5] == 6000.0
    assert path.coolant[5]
    assert path.length_offset[5] == 1
    assert path.spans.sweep[6] == pytest.approx(-np.pi, rel=0, abs=1e-12)
    np.testing.assert_allclose(path.spans.centre[6], [90.0, 15.0, -1.0], rtol=0, atol=1e-12)


def test_an_arc_that_does_not_close_is_refused_with_its_line(tmp_path: Path) -> None:
    text = "G0 X0 Y0\nG2 X10 Y0 I4 J0 F100\n"
    with pytest.raises(ProgramError, match=r"^part\.nc line 2: the arc does not close"):
        read_program(write(tmp_path, text))


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (
            "G2 X1 Y0 I.4 J0",
            r"radius is 0\.40000 inch at the start and 0\.60000 inch at the end, 0\.20000 inch",
        ),
        ("G2 X1 Y0 R.4", r"R of 0\.40000 inch is too small: the arc's ends are 1\.00000 inch apart"),
        ("G81 X1 Y1 Z-.1 R-.5", r"R \(-0\.50000 inch\) lies below the depth \(-0\.10000 inch\)"),
    ],
)
def test_an_inch_program_is_refused_in_inches(line: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(ProgramError, match=told):
        read_program(write(tmp_path, f"G20\nG0 X0 Y0 Z1\n{line} F10\n"))


def test_a_word_that_could_move_the_tool_is_refused_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(ProgramError, match=r"^part\.nc line 2: word G5\.2"):
        read_program(write(tmp_path, "G0 X0\nG5.2 X1\n"))
