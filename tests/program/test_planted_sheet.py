"""The sheet of a program with one planted fault names it, with its line, and only it."""

from dataclasses import replace
from pathlib import Path

import pytest

from listen.job import Job
from listen.plan import plan_job
from listen.timeline import NOTE_KINDS
from tests.program.test_checks import FAULTS, GOOD, a_job, changed

pytestmark = pytest.mark.closed

WITH_STOCK = [
    ("G43 H1 Z5 M8\nG1 Z-1", "G43 H1 Z5 M8\nX40\nG0 Z-1\nG1 Z-1", "rapid into stock", 9),
    ("X90 F800\n", "X50 F800\nG0 X90\n", "rapid into stock", 10),
    (
        "G1 Z-1 F300\nX90 F800",
        "G1 Z-22 F300\nX90 F800",
        "below the underside",
        9,
    ),  # plunged beside the stock: met in the next line
]


def sheet_of(text: str, folder: Path) -> list[tuple[str, int | None]]:
    path = folder / "part.nc"
    path.write_text(text)
    plan = plan_job(replace(a_job(), programs=(path,)))
    return [(c.kind, c.line) for c in plan.timeline.cautions if c.kind not in NOTE_KINDS]


def test_of_several_programs_a_warning_names_its_own(tmp_path: Path) -> None:
    """Line 8 is in both; only the second feeds there with the spindle standing."""
    for name, text in (("one.nc", GOOD), ("two.nc", changed("G54 G90 S6000 M3", "G54 G90 S6000"))):
        (tmp_path / name).write_text(text)
    job = replace(a_job(), programs=(tmp_path / "one.nc", tmp_path / "two.nc"))
    found = [c for c in plan_job(job).timeline.cautions if c.kind == "feed before the spindle turns"]
    assert [(c.line, c.text) for c in found] == [(8, "T1 feeds while the spindle stands (in two.nc)")]
    assert "(in " not in " ".join(c.text for c in plan_job(a_job_of(tmp_path / "two.nc")).timeline.cautions)


def a_job_of(path: Path) -> Job:
    return replace(a_job(), programs=(path,))


def test_what_is_wrong_stands_before_what_is_not_checked_in_the_order_of_its_lines(tmp_path: Path) -> None:
    """Told by program, stock and holder in turn: a wrong H in line 7, a rapid in line 10, notes last."""
    path = tmp_path / "part.nc"
    path.write_text(changed("G43 H1 Z5 M8", "G43 H2 Z5 M8").replace("X90 F800\n", "X50 F800\nG0 X90\n"))
    cautions = plan_job(replace(a_job_of(path), keep_outs=())).timeline.cautions
    wrong = [c for c in cautions if c.kind not in NOTE_KINDS]
    assert [c.line for c in wrong] == [7, 10]
    assert list(cautions[: len(wrong)]) == wrong
    assert len(cautions) > len(wrong)


def test_a_good_program_raises_nothing(tmp_path: Path) -> None:
    assert sheet_of(GOOD, tmp_path) == []


@pytest.mark.parametrize(("old", "new", "kind", "line"), [*FAULTS, *WITH_STOCK])
def test_a_planted_fault_stands_on_the_sheet_alone(
    old: str, new: str, kind: str, line: int, tmp_path: Path
) -> None:
    found = sheet_of(changed(old, new), tmp_path)
    assert (kind, line) in found
    also = {"no length offset"} if old == "G0 X-10 Y10" else set()
    assert {k for k, _ in found} - also == {kind}
    assert [k for k, _ in found].count(kind) == 1
