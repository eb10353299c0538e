"""The pages over several runs, in a real browser from disk."""

from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext

from listen.record import Run, read_run
from listen.show import write_compare_page, write_report_page
from listen.told import Flag
from tests.browser.conftest import open_page
from tests.record.made_run import made_sound, write_made_run
from tests.record.test_compare import RATE, boosted

pytestmark = [pytest.mark.browser, pytest.mark.closed]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> list[Run]:
    """Three invented runs; the last has 6 dB more about 3000 Hz in its second contact."""
    folder = tmp_path_factory.mktemp("several")
    made = [write_made_run(folder / name, rate=RATE, seed=seed) for name, seed in (("one", 1), ("two", 2))]
    sound = boosted(made_sound(RATE, seed=3), 3000.0, 6.0, 6.0)
    return [*made, write_made_run(folder / "three", rate=RATE, samples=sound)]


def test_compare_page_names_the_change_and_plays_both(
    context: BrowserContext, runs: list[Run], tmp_path: Path
) -> None:
    write_compare_page(runs[0], runs[2], tmp_path / "compare.html")
    said: list[str] = []
    page = open_page(context, tmp_path / "compare.html", said)
    assert page.locator("h1").inner_text() == "2 contacts compared, 1 change beyond the usual spread"
    assert "N70: louder by" in page.locator("#change-rows").inner_text()
    for which, name in enumerate(("first", "second")):
        page.get_by_role("button", name=f"Play N70, {name} run").first.click()
        page.wait_for_function(
            f"() => listenPlayers[{which}].running && listenPlayers[{which}].audio.currentTime > 0"
        )
        assert not page.evaluate(f"() => listenPlayers[{1 - which}].running")
    assert said == []


def test_compare_page_of_two_good_runs_says_nothing_changed(
    context: BrowserContext, runs: list[Run], tmp_path: Path
) -> None:
    write_compare_page(runs[0], runs[1], tmp_path / "compare.html", good=runs[:2])
    page = open_page(context, tmp_path / "compare.html", [])
    assert "nothing changed beyond the usual spread" in page.locator("h1").inner_text()
    assert "no permission" in page.locator("#change-rows").inner_text()


def test_report_page_shows_verdicts_and_drift(
    context: BrowserContext, runs: list[Run], tmp_path: Path
) -> None:
    dated = [
        replace(run, header=replace(run.header, started=f"2031-05-0{day}T08:00:00+00:00"))
        for day, run in enumerate(runs, start=1)
    ]
    chatter = Flag(at=8 * dated[2].rate, kind="chatter", contact=2, text="invented: a singing line")
    dated[2] = replace(dated[2], flags=(*dated[2].flags, chatter))
    write_report_page(dated, tmp_path / "report.html")
    said: list[str] = []
    page = open_page(context, tmp_path / "report.html", said)
    assert page.locator("h1").inner_text() == "3 runs, 9 contacts, 6 that were not as expected"
    row = page.locator("#tool-rows tr").inner_text().split("\t")
    assert row == ["T1", "9", "3", "3 started early, 3 not heard", "1 chatter"]
    cells = page.locator(".grid tbody tr").nth(1).locator("td.cell")
    assert cells.all_inner_texts() == ["early +", "early +", "early +"]
    assert page.locator(".grid td.cell", has_text="not heard").count() == 3
    assert "2031-05-02" in page.locator(".grid thead").inner_text()
    assert page.locator(".grid tbody tr").nth(0).locator("svg").count() == 1  # load drifts, no level told
    assert said == []


def test_a_cut_off_run_takes_part_in_the_report(
    context: BrowserContext, runs: list[Run], tmp_path: Path
) -> None:
    lines = (runs[0].folder / "decisions.jsonl").read_text().splitlines(keepends=True)
    (tmp_path / "cut").mkdir()
    for name in ("expected.json", "spans.npz"):
        (tmp_path / "cut" / name).write_bytes((runs[0].folder / name).read_bytes())
    (tmp_path / "cut" / "decisions.jsonl").write_text("".join(lines[:10]))
    write_report_page([runs[1], read_run(tmp_path / "cut")], tmp_path / "report.html")
    page = open_page(context, tmp_path / "report.html", [])
    assert "3 cannot tell" in page.locator("#tool-rows").inner_text()


def test_runs_of_one_day_are_told_apart_in_the_report(
    context: BrowserContext, runs: list[Run], tmp_path: Path
) -> None:
    starts = ("2031-05-01T08:00:00+00:00", "2031-05-01T14:30:00+00:00", "2031-05-02T08:00:00+00:00")
    dated = [
        replace(run, header=replace(run.header, started=at)) for run, at in zip(runs, starts, strict=True)
    ]
    write_report_page(dated, tmp_path / "report.html")
    heads = open_page(context, tmp_path / "report.html", []).locator(".grid thead th").all_inner_texts()
    assert heads[:2] == ["Contact line", "Load, first to last"]  # no run tells levels: no column of them
    assert heads[2:] == ["2031-05-01 08:00", "2031-05-01 14:30", "2031-05-02"]
