"""A subprogram in a file of its own: lines are marked in its own listing, and it is kept with the run."""

from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import BrowserContext

from listen.blocks import Block
from listen.followed import Position
from listen.job import Job
from listen.job_file import load_job
from listen.plan import plan_job
from listen.record import Run, RunWriter, read_run
from listen.show import write_replay_page
from listen.show.board import Board
from listen.show.run_page import run_page
from listen.spans import SpanKind
from listen.timeline import Elsewhere, Timeline
from tests.browser.conftest import open_page
from tests.follow.runs import spans_of

pytestmark = [pytest.mark.browser, pytest.mark.closed]

RATE = 8000
MAIN = (
    "%\nO1000\nN10 G21 G90 G17 G54\nN20 T1 M6\nN30 S5000 M3\nN40 G0 X-20 Y10\nN50 G43 H1 Z5\nN60 M98 P2000\n"
    "N70 G0 Z40\nN80 M30\n%\n"
)
CALLED = "%\nO2000\nG91 G0 Z-7\nG1 X120 F400\nG0 Z7\nG90\nM99\n%\n"
JOB = (
    'program = "main.nc"\nunits = "mm"\n[stock]\nmin = [0, 0, -20]\nmax = [80, 50, 0]\n[[tools]]\n'
    'number = 1\nkind = "flat end mill"\ndiameter = 10\nflutes = 3\n'
)
MARKED = """() => {
  const row = document.querySelector("#listing [aria-current]");
  const words = (name) => row.querySelector(name)?.textContent ?? "";
  return row ? [row.dataset.line, words("code"), words("em")] : null;
}"""


@pytest.fixture
def job(tmp_path: Path) -> Job:
    (tmp_path / "job").mkdir()
    for name, text in (("main.nc", MAIN), ("O2000.nc", CALLED), ("main.toml", JOB)):
        (tmp_path / "job" / name).write_text(text)
    return load_job(tmp_path / "job" / "main.toml")


def run_of(job: Job, timeline: Timeline, folder: Path) -> Run:
    """A run that the follower went along at full speed, and in which nothing was heard."""
    with RunWriter(folder, rate=RATE, live=False, sound="none", timeline=timeline, job=job) as writer:
        n_s = round(timeline.duration) + 2
        writer.push(Block(samples=np.zeros(RATE * n_s), start=0, rate=RATE))
        spans = timeline.spans
        for tick in range(10 * n_s):
            now = min(tick / 10, timeline.duration)
            index = int(np.searchsorted(spans.stop_s, now, side="right"))
            line = int(spans.line[min(index, len(spans) - 1)])
            writer.push(Position(at=tick * RATE // 10, program_time=now, line=line, spread=0.1, rate=1.0))
        return writer.finish()


def test_the_line_is_marked_in_the_file_that_it_is_in(
    context: BrowserContext, job: Job, tmp_path: Path
) -> None:
    """Line 4 of O2000.nc cuts; line 4 of the main program calls the tool."""
    timeline = plan_job(job).timeline
    (contact,) = timeline.contacts
    run = run_of(job, timeline, tmp_path / "run")
    write_replay_page(run, run.folder / "timeline.html")
    said: list[str] = []
    page = open_page(context, run.folder / "timeline.html", said)
    before = timeline.elsewhere[0].start
    page.evaluate("(second) => listenPage.player.seek(second)", (contact.start + contact.stop) / 2)
    page.wait_for_function("() => document.querySelector('#here').textContent.includes('O2000')")
    assert page.evaluate(MARKED) == ["4", "G1 X120 F400", "cannot tell"]
    assert "line 4 in O2000.nc" in page.locator("#here").inner_text()
    page.evaluate("(second) => listenPage.player.seek(second)", before - 0.5)
    page.wait_for_function("() => !document.querySelector('#here').textContent.includes('O2000')")
    assert page.evaluate(MARKED)[1].startswith("N")
    assert page.locator("#listing em").count() == 0  # the verdict belongs to the other file
    assert "line 5 in O2000.nc" in (page.locator("#hold-rows").text_content() or "")
    assert said == []


def test_the_run_folder_keeps_called_files_and_where_they_run(job: Job, tmp_path: Path) -> None:
    """So that it alone is enough to listen again: the copied job can be worked out."""
    timeline = plan_job(job).timeline
    run = run_of(job, timeline, tmp_path / "run")
    again = read_run(run.folder)
    assert again.timeline is not None
    assert again.timeline.elsewhere == timeline.elsewhere
    assert again.timeline.files == ("main.nc", "O2000.nc")
    copied = plan_job(load_job(run.folder / "job" / "job.toml"))
    assert copied.timeline.contacts == timeline.contacts
    assert list(run_page(again)["called"]) == ["O2000.nc"]


def test_where_another_file_runs_is_half_open_and_the_last_line_holds_on() -> None:
    """By hand: in B from 2 to 3 s and from 5 s to the end at 6 s."""
    plain = {"program": "A", "contacts": (), "duration": 6.0}
    parts = (Elsewhere(start=2.0, stop=3.0, file="B"), Elsewhere(start=5.0, stop=6.0, file="B"))
    timeline = Timeline(spans=spans_of([(SpanKind.FEED, 6.0, 1)]), elsewhere=parts, **plain)  # type: ignore[arg-type]
    times = (0.0, 1.99, 2.0, 2.99, 3.0, 4.9, 5.0, 6.0, 7.0)
    assert [timeline.file_at(at) for at in times] == ["", "", "B", "B", "", "", "B", "B", "B"]
    ended = Timeline(spans=spans_of([(SpanKind.FEED, 6.0, 1)]), elsewhere=parts[:1], **plain)  # type: ignore[arg-type]
    assert ended.file_at(6.0) == ""


def test_the_live_page_is_told_the_file(job: Job) -> None:
    plan = plan_job(job)
    board = Board(rate=RATE, timeline=plan.timeline, listing=plan.path.listing)
    told = []
    for at in (plan.timeline.elsewhere[0].start - 0.1, plan.timeline.contacts[0].start):
        board.tell(Position(at=0, program_time=at, line=4, spread=0.1, rate=1.0))
        told.append(board.now["file"])
    assert told == ["", "O2000.nc"]
