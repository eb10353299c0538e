"""Load of the sheet against measured load, on a page that fetches nothing."""

import re
from pathlib import Path

import numpy as np
import pytest

from listen.job_file import load_job
from listen.plan import plan_job
from listen.replay_run import replay_recording
from listen.show.load_page import LoadPoint, load_points, residuals, write_load_page, write_run_load_page
from listen.synth import Script
from listen.synth.load import LoadVoice, load_of_program, make_load
from listen.synth.script import map_time

pytestmark = pytest.mark.closed
JOB = Path(__file__).parents[1] / "hear" / "eight_passes.toml"
POINTS = tuple(
    LoadPoint(name=f"{i}, <N{i}0>", expected=e, measured=m)
    for i, (e, m) in enumerate([(10.0, 5.0), (20.0, 10.0), (40.0, 20.0), (20.0, 18.0), (20.0, 1.0)], start=1)
)


def test_one_factor_is_fitted_and_what_stands_out_is_remarked(tmp_path: Path) -> None:
    """By hand: the ratios are 0.5, 0.5, 0.5, 0.9, 0.05; the median is 0.5."""
    np.testing.assert_allclose(residuals(POINTS), [0, 0, 0, 80, -90], atol=1e-9)
    page = tmp_path / "load.html"
    write_load_page(POINTS, page, title="A & B", expected_unit="%", measured_unit="A")
    text = page.read_text(encoding="utf-8")
    assert "A &amp; B" in text
    assert "4, &lt;N40&gt;" in text
    assert text.count("overload") == 1
    assert text.count("little or nothing cut") == 1
    assert text.count("<td>higher</td>") == text.count("<td>lower</td>") == 1
    assert text.count("<circle") == 10
    assert "<title>4, &lt;N40&gt;: 18</title>" in text  # a dot says which one it is
    marks = re.findall(r'text-anchor="(\w+)">(-?[\d.]+)</text>', text)
    assert [value for anchor, value in marks if anchor == "middle"][:5] == ["0", "5", "10", "15", "20"]
    assert "<script" not in text
    assert not re.search(r'(src|href)="', text)


def test_a_run_with_job_and_load_log_gets_its_page(tmp_path: Path) -> None:
    """A made log of the eight passes; all passes are alike, so no residual stands out."""
    timeline = plan_job(load_job(JOB)).timeline
    script = Script(start_delay_s=3.0, tail_s=3.0)
    stretches = load_of_program(timeline, map_time(timeline, script), rise=12.0)
    loads = make_load(np.random.default_rng(1), stretches, LoadVoice(hz=5.0), rate=8000)
    log = tmp_path / "log.csv"
    rows = "\n".join(f"{one.at / 8000:.3f},{one.percent:.3f}" for one in loads)
    log.write_text(f"time_s,load_percent\n{rows}\n", encoding="utf-8")
    run = replay_recording(
        Path("-"), out=tmp_path / "run", job=JOB, load=log, write_page=lambda run, page: None
    )
    points = load_points(run)
    assert len(points) == 8
    assert np.abs(residuals(points)).max() < 25.0
    assert write_run_load_page(run, tmp_path) == tmp_path / "load.html"
