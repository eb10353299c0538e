"""A sign stays with its number, however narrow the page: "Z-" at the end of a line misleads."""

from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page

from listen.expect.sheet import sheet_of
from listen.expect.sheet_page import sheet_page
from listen.job_file import load_job
from listen.plan import plan_job
from listen.record import Run
from listen.show import write_replay_page
from listen.show.page import bundle
from listen.told import Flag
from tests.browser.conftest import open_page

pytestmark = [pytest.mark.browser, pytest.mark.closed]

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings_synthetic"
PLACES = " ".join(f"then X-{i}.25 Y{i}.5 Z-{i}.125 and" for i in range(1, 9))
# Each signed number in the text of the page that stands on more than one line.
BROKEN = r"""() => {
  const found = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let all = 0;
  while (walk.nextNode()) {
    const node = walk.currentNode;
    if (node.parentElement.closest("script, style, svg")) continue;
    for (const match of node.data.matchAll(/[A-Z]?-\.?\d[\d.]*/g)) {
      const range = document.createRange();
      range.setStart(node, match.index);
      range.setEnd(node, match.index + match[0].length);
      const boxes = [...range.getClientRects()].filter((box) => box.width > 0);
      const tops = new Set(boxes.map((box) => Math.round(box.top)));
      all += tops.size > 0;
      if (tops.size > 1) found.push(match[0]);
    }
  }
  return [all, found];
}"""


def assert_none_broken(page: Page, *, least: int) -> None:
    """At widths from a phone's to a laptop's, a few pixels apart."""
    for width in range(340, 900, 13):
        page.set_viewport_size({"width": width, "height": 800})
        n_shown, broken = page.evaluate(BROKEN)
        assert n_shown >= least
        assert broken == [], f"{width} pixels wide"


def test_no_sign_is_parted_from_its_number_on_the_replay_page(
    context: BrowserContext, made_run: Run, tmp_path: Path
) -> None:
    flag = Flag(at=made_run.rate, kind="started early", contact=2, text=PLACES)
    write_replay_page(replace(made_run, flags=(flag,)), tmp_path / "timeline.html")
    page = open_page(context, tmp_path / "timeline.html", [])
    page.locator("#play-first").click()  # the text under the controls, too
    assert_none_broken(page, least=3 * 16)
    assert PLACES in page.locator("#first-text").inner_text()


def test_no_sign_is_parted_from_its_number_on_the_sheet(context: BrowserContext, tmp_path: Path) -> None:
    plan = plan_job(load_job(RECORDINGS / "step.toml"))
    sheet = sheet_of(plan.expected, plan.path, plan.job)
    sheet["warnings"] = [{"line": 3, "block": "N30", "kind": "made", "text": PLACES, "remedy": PLACES}]
    (tmp_path / "sheet.html").write_text(sheet_page(sheet, plan.job), encoding="utf-8")
    page = context.new_page()
    page.goto((tmp_path / "sheet.html").as_uri())
    assert_none_broken(page, least=2 * 16)


def test_text_with_a_sign_stays_one_piece_of_its_holder(context: BrowserContext) -> None:
    """A row laid out by its children, as a line of a listing, would set several pieces apart."""
    page = context.new_page()
    code = bundle("words.js") + "; return make('li', {}, 'N10 G1 Z-1.0 F900 X-.5')"
    count, text = page.evaluate(
        "(code) => { const li = new Function(code)(); return [li.childNodes.length, li.textContent]; }", code
    )
    assert (count, text) == (1, "N10 G1 Z-1.0 F900 X-.5")
