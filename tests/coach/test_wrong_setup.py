"""A wrong work zero: what it changes and what not, by hand."""

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from listen.cli import FAILED, FINE, main
from listen.coach.wrong_setup import (
    effects_of,
    louder_db,
    louder_everywhere_db,
    read_offset,
    summary_of,
    with_wrong_zero,
)
from listen.errors import InputError
from listen.job import Job, Mesh, Setup
from listen.job_file import load_job
from listen.plan import plan_job
from listen.record import read_run
from listen.timeline import Timeline

pytestmark = pytest.mark.closed
STEP = Path(__file__).parents[2] / "recordings_synthetic" / "step.toml"
DRILL = """G21 G90 G94 G54
T5 M6
S3000 M3
G0 X20 Y20
G43 H5 Z20
G0 Z5
G1 Z-6 F120
G0 Z20
M30
"""
DRILL_JOB = """program = "drill.nc"
[stock]
min = [0, 0, -20]
max = [70, 40, 0]
[[tools]]
number = 5
kind = "drill"
diameter = 6
flutes = 2
[machine]
feed_override = 10
"""


@pytest.fixture
def drill(tmp_path: Path) -> Job:
    (tmp_path / "drill.nc").write_text(DRILL)
    (tmp_path / "drill.toml").write_text(DRILL_JOB)
    return load_job(tmp_path / "drill.toml")


def both(job: Job, off: str) -> tuple[Timeline, Timeline]:
    return plan_job(job).timeline, plan_job(with_wrong_zero(job, read_offset(off))).timeline


def test_a_side_pass_too_deep_starts_on_time_and_is_louder() -> None:
    """By hand: 5 mm become 7 mm deep, force with it: 20·lg(7/5) = 2.92 dB; the walls stay."""
    right, wrong = both(load_job(STEP), "z -2")
    effects = effects_of(right, wrong)
    assert [one.sooner_s for one in effects] == pytest.approx([0.0] * 3, abs=1e-6)
    assert [one.louder_db for one in effects] == pytest.approx([2.92] * 3, abs=0.02)
    assert louder_everywhere_db(right, wrong) == pytest.approx(2.92, abs=0.02)
    assert "0 tell it by when they come" in summary_of(effects)


def test_a_hole_too_deep_starts_sooner(drill: Job) -> None:
    """By hand: 2 mm at a tenth of 120 mm/min are 10 s."""
    (effect,) = effects_of(*both(drill, "z -2"))
    assert effect.sooner_s == pytest.approx(10.0, abs=0.05)
    assert effect.tells
    assert "10.0" in effect.words


def test_a_zero_so_low_that_the_rapid_reaches_the_work_is_told_as_a_crash(drill: Job) -> None:
    """By hand: the rapid ends at Z5; with the zero 8 mm low the stock reaches up to Z8."""
    (effect,) = effects_of(*both(drill, "z -8"))
    assert "in the rapid of line 6: at the machine this is a crash" in effect.words


def test_a_zero_so_high_that_nothing_is_reached_gives_air(drill: Job) -> None:
    (effect,) = effects_of(*both(drill, "z +7"))
    assert effect.words.startswith("does not come")
    assert effect.tells


def test_what_neither_power_nor_depth_tell_is_not_claimed() -> None:
    contact = plan_job(load_job(STEP)).timeline.contacts[0]
    bare = replace(contact, power_w=math.nan, axial_depth_mm=math.nan)
    assert math.isnan(louder_db(bare, bare))


@pytest.mark.parametrize("text", ["", "z", "q 2", "z 0", "z nan", "z 80", "z two"])
def test_a_zero_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="written as 'z -2'"):
        read_offset(text)


def test_stock_from_a_file_is_refused() -> None:
    job = load_job(STEP)
    mesh = Setup(offset="G54", stock=Mesh(path=Path("blank.stl"), scale=1.0))
    with pytest.raises(InputError, match="stock as a box or cylinder"):
        with_wrong_zero(replace(job, setups=(mesh,)), (0.0, 0.0, -2.0))


def test_the_verb_writes_both_previews_and_the_page_that_compares_them(
    drill: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = str(tmp_path / "drill.toml")
    asked = [
        "preview",
        job,
        "--override",
        "100",
        "--off-by",
        "z -2",
        "--out",
        str(tmp_path / "made"),
        "--json",
    ]
    assert main(asked) == FINE
    told = json.loads(capsys.readouterr().out)
    assert [row["tells"] for row in told["contacts"]] == [True]
    assert told["contacts"][0]["words"].startswith("starts 1.00 s sooner")  # 2 mm at all of 120 mm/min
    for name in ("right/timeline.html", "wrong/timeline.html", "compare.html"):
        assert (tmp_path / "made" / name).stat().st_size > 10_000
    assert main(["preview", job, "--off-by", "q 2", "--out", str(tmp_path / "none")]) == FAILED
    assert not (tmp_path / "none").exists()


def test_both_previews_begin_at_one_place_in_the_program(drill: Job, tmp_path: Path) -> None:
    """2 mm at 120 mm/min are 1.00 s sooner on its clock too: each began 3 s before a contact of its own."""
    (tmp_path / "drill.toml").write_text(DRILL_JOB + "rapid_override = 25\n")
    made = tmp_path / "made"
    asked = ["--override", "100", "--off-by", "z -2", "--contacts", "1", "--out", str(made), "--json"]
    assert main(["preview", str(tmp_path / "drill.toml"), *asked]) == FINE
    right, wrong = (read_run(made / name).contacts[0].heard for name in ("right", "wrong"))
    assert right is not None
    assert wrong is not None
    assert (right.onset - wrong.onset) / 48000 == pytest.approx(1.0, abs=0.02)  # a turn of 3000 rpm
