"""Programs that nobody would write: whatever they do, the sheet is worked out and holds together."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from listen.expect import expect
from listen.expect.sheet import sheet_of
from listen.expect.sheet_page import sheet_page
from listen.expect.sheet_terminal import terminal_text
from listen.job import KINDS_OF_TOOL, Box, Cylinder, Job, KeepOut, Tool
from listen.program import check_program, time_program
from tests.expect.hand_path import BLOCK, hand_job
from tests.program.reading import read

pytestmark = pytest.mark.closed
ODD = ("bull nose end mill", "thread mill", "probe", "other")  # need more than a diameter
KINDS = tuple(kind for kind in KINDS_OF_TOOL if kind not in ODD)
ROUND = Cylinder(centre=(40.0, 25.0), diameter=60.0, low_z=-20.0, high_z=0.0)
RAISED = Box(
    low=(0.0, 0.0, 0.0), high=(80.0, 50.0, 20.0)
)  # zero underneath, where the program takes it on top
JAW = KeepOut(name="jaw", box=Box(low=(-20.0, -60.0, -60.0), high=(100.0, 0.0, -5.0)))


def _word(rng: np.random.Generator, letter: str, low: float, high: float) -> str:
    return f"{letter}{rng.uniform(low, high):.3f}"


def _line(rng: np.random.Generator) -> str:
    """One move or cycle anywhere in, over or beside the block, rapids through it among them."""
    across = _word(rng, "X", -30, 110) + _word(rng, "Y", -30, 80)
    hole = _word(rng, "X", 0, 80) + _word(rng, "Y", 0, 50) + _word(rng, "Z", -24, -1) + _word(rng, "R", 1, 3)
    lines = (
        f"G0 {_word(rng, 'Z', -25, 20)}",
        f"G0 {across} {_word(rng, 'Z', -10, 20)}",
        f"G1 {_word(rng, 'Z', -25, 5)}",
        f"G1 {across}",
        f"G1 {across} {_word(rng, 'Z', -10, 5)}",
        f"G91 G2 {_word(rng, 'I', 2, 20)} J0 X0 Y0 {_word(rng, 'Z', -3, 1)}\nG90",
        f"G99 G81 {hole}\n{_word(rng, 'X', 0, 80)}\nG80",
        f"G98 G83 {hole} {_word(rng, 'Q', 1, 5)}\nG80",
        f"G73 {hole} {_word(rng, 'Q', 1, 5)}\nG80",
        f"G18 G91 G3 {_word(rng, 'X', 1, 10)} Z0 {_word(rng, 'R', 6, 20)}\nG90 G17",
    )
    return lines[int(rng.integers(len(lines)))]


def _program(rng: np.random.Generator) -> tuple[str, Job]:
    tools, lines = [], ["%", "G21 G90 G17 G40 G49 G80 G54"]
    for number in (1, 2):
        kind = KINDS[int(rng.integers(len(KINDS)))]
        tools.append(Tool(number=number, kind=kind, diameter=round(float(rng.uniform(1, 30)), 3), flutes=2))
        lines += [f"T{number} M6", "S3000 M3", "G0 X-20 Y-20", f"G43 H{number} Z20", "F600"]
        lines += [_line(rng) for _ in range(6)] + ["G0 Z40"]
    stock = (BLOCK, ROUND, RAISED)[int(rng.integers(3))]
    job = replace(hand_job(*tools, stock=stock), keep_outs=(JAW,))
    return "\n".join([*lines, "M30", "%"]), job


@pytest.mark.parametrize("seed", [*range(18), 57, 62, 81])  # 11 and the last three once ended in tracebacks
def test_whatever_a_program_does_its_sheet_is_worked_out_and_holds_together(seed: int) -> None:
    """Contacts one after the other, inside the program, longer than their ramps; all is shown."""
    text, job = _program(np.random.default_rng([seed, 17]))
    program = read(text, job=job)
    path = time_program(program, job.machine)
    check_program(program, path, job)
    expected = expect(path, job)
    contacts = expected.timeline.contacts
    assert all(one.stop <= other.start + 1e-9 for one, other in itertools.pairwise(contacts))
    for contact in contacts:
        assert 0.0 <= contact.start < contact.stop <= expected.timeline.duration + 1e-9
        assert 0.0 <= contact.ramp_in + contact.ramp_out <= contact.stop - contact.start + 1e-9
        assert contact.axial_depth_mm <= 20.0 + 1e-6
        assert contact.radial_width_mm <= job.tools[contact.tool - 1].diameter + 1.0
    sheet = sheet_of(expected, path, job)
    terminal_text(sheet, contacts=True, figures=True)
    sheet_page(sheet, job, figures=True)
