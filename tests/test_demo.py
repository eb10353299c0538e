"""The demo from the command to the page in a real browser, network off."""

import json
from pathlib import Path

import pytest

from listen.cli import FINE, main
from listen.demo.demo import EARLY, NEVER, missed_faults
from listen.record import read_run
from tests.browser.conftest import ARGUMENTS, open_page

pytestmark = [pytest.mark.browser, pytest.mark.closed]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    out = tmp_path_factory.mktemp("demo") / "demo"
    return out, main(["demo", "--out", str(out)])


def test_exactly_the_planted_faults_are_found(demo: tuple[Path, int]) -> None:
    out, status = demo
    run = json.loads((out / "run" / "run.json").read_text())
    verdicts = {contact["block"]: contact["verdict"] for contact in run["contacts"]}
    odd = {block: verdict for block, verdict in verdicts.items() if verdict != "as expected"}
    assert odd == {EARLY: "started early", NEVER: "not heard"}
    by_block = {contact["block"]: contact["id"] for contact in run["contacts"]}
    flags = {(flag["contact"], flag["kind"]) for flag in run["flags"]}
    assert flags == {(by_block[EARLY], "started early"), (by_block[NEVER], "not heard")}
    assert len(run["flags"]) == 2
    assert len(verdicts) == 8
    assert status == FINE


def test_what_is_heard_lies_where_it_was_made(demo: tuple[Path, int]) -> None:
    """The rule of DCASE task 4 (DESED_task at commit c6bcb45): 0.2 s, an end also a fifth of the length."""
    out, _ = demo
    run = json.loads((out / "run" / "run.json").read_text())
    heard = {contact["id"]: contact["heard"] for contact in run["contacts"] if contact["heard"]}
    for made in json.loads((out / "truth.json").read_text())["contacts"]:
        assert heard[made["contact"]]["onset_s"] == pytest.approx(made["start_s"], abs=0.2)
        collar_s = max(0.2, 0.2 * (made["stop_s"] - made["start_s"]))
        assert heard[made["contact"]]["offset_s"] == pytest.approx(made["stop_s"], abs=collar_s)


def test_what_differs_from_the_planted_faults_is_said(demo: tuple[Path, int]) -> None:
    """Take one flag away, and the demo must say so."""
    from dataclasses import replace

    run = read_run(demo[0] / "run")
    assert missed_faults(run) == ""
    assert missed_faults(replace(run, flags=(*run.flags, replace(run.flags[0], kind="clipping")))) == ""
    assert missed_faults(replace(run, flags=run.flags[:1])).startswith("flags: ")
    assert missed_faults(replace(run, contacts=run.contacts[:3])) != ""


def test_the_page_opens_from_disk_with_the_network_off(demo: tuple[Path, int]) -> None:
    from playwright.sync_api import sync_playwright

    said: list[str] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        context = browser.new_context(offline=True)
        page = open_page(context, demo[0] / "run" / "timeline.html", said)
        text = page.inner_text("body")
        browser.close()
    assert said == []
    assert "8 expected" in text
    assert "cannot stop the machine" in text.lower()


def test_a_demo_does_not_touch_what_is_not_its_own(tmp_path: Path) -> None:
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / "letter.txt").write_text("dear")
    assert main(["demo", "--out", str(tmp_path / "demo")]) == 2
    assert (tmp_path / "demo" / "letter.txt").read_text() == "dear"


def test_a_job_of_the_demo_that_somebody_changed_is_not_lost(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bracket.nc").write_text("my own try")
    assert main(["demo", "--out", str(tmp_path)]) == 2
    assert "bracket.nc was changed since the demo wrote it" in capsys.readouterr().err
    assert (tmp_path / "bracket.nc").read_text() == "my own try"
