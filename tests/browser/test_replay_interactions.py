"""What hands and keys do on the replay page, in a real browser: each way to one thing for itself."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from listen.coach.preview import PreviewSettings, make_preview
from listen.job_file import load_job
from listen.plan import plan_job
from listen.record import Run, read_labels
from listen.show import write_replay_page
from tests.browser.conftest import open_page
from tests.browser.test_replay_page import at_second, place, settled

pytestmark = [pytest.mark.browser, pytest.mark.closed]
JOB = Path(__file__).parents[1] / "jobs" / "two_passes.toml"
LANES = ("ruler", "flags", "expected", "heard", "spectrum", "load", "rate")
COLOURS = """(lane) => {
  const {canvas, rows, size} = listenPage.scope, k = size.ratio, row = rows[lane];
  const pen = canvas.getContext("2d");
  const {data} = pen.getImageData(0, row.top * k, canvas.width, row.height * k);
  const seen = new Set();
  for (let i = 0; i < data.length; i += 4) seen.add(`${data[i]},${data[i + 1]},${data[i + 2]}`);
  return seen.size;
}"""
TOOL_INK = """() => {
  const {over} = listenPage.plan, copy = document.createElement("canvas");
  [copy.width, copy.height] = [over.width, over.height];
  const pen = copy.getContext("2d", {willReadFrequently: true});
  pen.drawImage(over, 0, 0);
  const {data} = pen.getImageData(0, 0, over.width, over.height);
  let [sum, x, y] = [0, 0, 0];
  for (let i = 3; i < data.length; i += 4) {
    if (!data[i]) continue;
    sum += 1; x += ((i - 3) / 4) % over.width; y += Math.floor((i - 3) / 4 / over.width);
  }
  return [sum, x / sum, y / sum];
}"""
LENGTH = "() => listenPage.scope.view.to - listenPage.scope.view.from"


@pytest.mark.parametrize("lane", LANES)
def test_every_lane_is_drawn_and_takes_a_click(opened: Page, lane: str) -> None:
    """Paper and ink at least: one colour would be an empty lane."""
    assert opened.evaluate("() => listenPage.lanes") == list(LANES)
    assert opened.evaluate(COLOURS, lane) >= 3
    opened.evaluate("() => document.getElementById('scope').scrollIntoView({block: 'end'})")
    opened.mouse.click(*at_second(opened, 3.0, lane))
    assert place(opened) == pytest.approx(3.0, abs=0.02)


def test_buttons_and_double_click_zoom(opened: Page) -> None:
    for button, length in (("#closer", 6.0), ("#closer", 3.0), ("#wider", 6.0), ("#whole", 12.0)):
        opened.locator(button).click()
        settled(opened)
        assert opened.evaluate(LENGTH) == pytest.approx(length)
    opened.locator("#closer").click()
    opened.mouse.dblclick(*at_second(opened, 2.0, "spectrum"))
    settled(opened)
    assert opened.evaluate(LENGTH) == pytest.approx(12.0)


def test_two_fingers_spread_to_twice_the_distance_show_half(chromium: Browser, made_run: Run) -> None:
    context = chromium.new_context(viewport={"width": 820, "height": 1180}, has_touch=True, offline=True)
    page = open_page(context, made_run.folder / "timeline.html", [])
    page.locator("#scope").scroll_into_view_if_needed()
    (left, y), (right, _) = at_second(page, 4.0, "spectrum"), at_second(page, 8.0, "spectrum")
    wire, half = context.new_cdp_session(page), (right - left) / 2.0

    def fingers(kind: str, *across: float) -> None:
        points = [{"x": x, "y": y, "id": i} for i, x in enumerate(across)]
        wire.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    fingers("touchStart", left, right)
    for share in (0.5, 1.0):
        fingers("touchMove", left - share * half, right + share * half)
    fingers("touchEnd")
    settled(page)
    assert page.evaluate(LENGTH) == pytest.approx(6.0, rel=0.05)
    assert page.evaluate("() => listenPage.scope.second(listenPage.scope.x(6.0))") == pytest.approx(6.0)
    context.close()


def test_space_plays_and_pauses_and_l_loops(opened: Page) -> None:
    opened.locator("#scope").focus()
    opened.keyboard.press("Space")
    opened.wait_for_function("() => listenPage.player.running && listenPage.player.second > 0.1")
    opened.keyboard.press("Space")
    opened.wait_for_function("() => !listenPage.player.running")
    opened.mouse.click(*at_second(opened, 3.0, "spectrum"))
    opened.keyboard.press("l")
    assert "Looping N50" in opened.locator("#said").inner_text()
    opened.keyboard.press("l")
    assert opened.evaluate("() => listenPage.player.loop") is None
    opened.locator("#correct summary").click()
    opened.locator("#fix-note").focus()
    opened.keyboard.type("n l 0 +")
    assert place(opened) == pytest.approx(3.0, abs=0.02)
    assert opened.evaluate("() => listenPage.player.loop") is None


def test_listing_and_tool_go_along_while_it_plays(opened: Page) -> None:
    """From 6 s on the tool goes back along Y = 30 from X = 50: leftwards, and above the first cut.

    It begins at X = 47, which the way back has passed long before it is looked at again.
    """
    opened.mouse.click(*at_second(opened, 4.8, "spectrum"))
    ink, x_first, y_first = opened.evaluate(TOOL_INK)
    assert ink > 20
    opened.locator("#speed").select_option("4")
    opened.locator("#play").click()
    row = "() => document.querySelector('#listing li[aria-current]').dataset.line"
    opened.wait_for_function(f"() => ({row})() === '5'")
    opened.wait_for_function(f"() => ({row})() === '7'")
    opened.wait_for_function("() => listenPage.player.second > 8.5")
    opened.locator("#play").click()
    _, x_last, y_last = opened.evaluate(TOOL_INK)
    assert y_last < y_first - 20
    assert x_last < x_first - 20
    assert "Y 30.0" in opened.locator("#place").inner_text()
    shown, holder = opened.locator("#listing li[aria-current]"), opened.locator("#listing")
    row_box, box = shown.bounding_box(), holder.bounding_box()
    assert row_box is not None
    assert box is not None
    assert box["y"] <= row_box["y"] <= box["y"] + box["height"] - row_box["height"] + 1


def test_flags_and_contacts_are_played_from_the_tables_by_keys(opened: Page) -> None:
    opened.keyboard.press("Tab")
    assert opened.evaluate("() => document.activeElement.className") == "skip"
    opened.keyboard.press("Enter")
    opened.locator("#flag-rows tr").nth(1).locator("button").focus()
    assert opened.evaluate("() => document.activeElement.getAttribute('aria-label')") == (
        "Play not heard at 0:11.8"
    )
    opened.keyboard.press("Enter")
    opened.wait_for_function("() => listenPage.player.running && listenPage.player.second > 10.3")
    assert "N80 was expected at 10.8 s" in opened.locator("#said").inner_text()
    assert opened.locator("#contact-rows tr[aria-selected=true]").get_attribute("data-contact") == "3"


def test_a_contact_is_added_called_not_heard_and_put_back(opened: Page, tmp_path: Path) -> None:
    opened.locator("#correct summary").click()
    said = opened.locator("#fix-said")
    opened.locator("#fix-contact").select_option("2")
    opened.locator("#fix-verdict").select_option("not heard")
    assert opened.locator("#fix-from").input_value() == ""
    opened.locator("#fix-undo").click()
    assert "as heard" in said.inner_text()
    assert opened.locator("#fix-from").input_value() == "7.500"
    opened.evaluate("() => listenPage.player.seek(5.0)")
    opened.locator("#fix-add").click()
    assert "added at 0:05.00" in said.inner_text()
    with opened.expect_download() as download:
        opened.locator("#fix-save").click()
    download.value.save_as(tmp_path / "labels.json")
    labels = read_labels(tmp_path / "labels.json")
    added = [one for one in labels.contacts if one.by_hand]
    assert len(added) == 1
    assert added[0].heard is None
    assert added[0].corrected is not None
    assert (added[0].corrected.onset, added[0].corrected.offset) == (5 * 16000, 6 * 16000)
    second = next(one for one in labels.contacts if one.id == 2)
    assert second.heard == second.corrected


def test_leaving_with_unsaved_corrections_asks_first(opened: Page) -> None:
    opened.locator("#correct summary").click()
    opened.locator("#fix-note").fill("burr")
    opened.locator("#fix-note").press("Tab")
    asked: list[str] = []

    def answer(dialog: object) -> None:
        asked.append(dialog.type)  # type: ignore[attr-defined]
        dialog.accept()  # type: ignore[attr-defined]

    opened.on("dialog", answer)
    opened.reload()
    opened.wait_for_selector("html[data-ready]")
    assert asked == ["beforeunload"]
    opened.reload()
    opened.wait_for_selector("html[data-ready]")
    assert asked == ["beforeunload"]


def test_the_record_keeps_heard_and_seen_apart_and_takes_measures(opened: Page) -> None:
    opened.evaluate("() => { window.print = () => { window.printed = true; }; }")
    for name, text in (("feature", "slot 1"), ("nominal", "10.00"), ("offset changed", "none")):
        opened.get_by_label(f"{name}, row 1").fill(text)
    opened.get_by_label("measured, row 1").fill("10.02")
    opened.locator("#record-notes").fill("first part good")
    opened.locator("#record-initials").fill("cd")
    opened.locator("#print").click()
    assert opened.evaluate("() => window.printed")
    opened.emulate_media(media="print")
    for name in ("feature", "nominal", "measured", "offset changed"):
        assert opened.get_by_label(f"{name}, row 1").is_visible()
    heard, seen = (opened.locator(name).inner_text() for name in ("#record-heard", "#record-looks"))
    assert "started early" in heard
    assert "step measured" not in heard
    assert "step measured 1.02" in seen
    assert "N70" not in seen
    for hidden in ("#print", ".controls", "#correct", "#listing"):
        assert not opened.locator(hidden).is_visible()


def test_on_a_phone_what_a_flag_says_is_read_without_moving_sideways(
    chromium: Browser, made_run: Run
) -> None:
    context = chromium.new_context(viewport={"width": 390, "height": 844}, offline=True)
    page = open_page(context, made_run.folder / "timeline.html", [])
    assert page.locator("#flag-rows td.words").count() > 0
    table = page.locator("#flags .wide")
    table.scroll_into_view_if_needed()  # what is out of sight is not laid out
    page.wait_for_function("document.querySelector('#flag-rows td.words').clientWidth > 0")
    assert table.evaluate("table => table.scrollWidth - table.clientWidth") == 0
    context.close()


def test_a_preview_says_that_it_was_made_and_makes_no_record(context: BrowserContext, tmp_path: Path) -> None:
    timeline = plan_job(load_job(JOB)).timeline
    make_preview(timeline, tmp_path / "made", settings=PreviewSettings(), write_page=write_replay_page)
    said: list[str] = []
    page = open_page(context, tmp_path / "made" / "timeline.html", said)
    assert page.locator("h1").inner_text() == "preview, made and not heard: 2 contacts"
    assert page.evaluate("() => listenPage.scope.laneNames.heard") == "made"
    heads = page.locator("#contacts thead").inner_text()
    assert "Made" in heads
    assert "How it was made" in heads
    for judged in ("Verdict", "How sure", "Called live"):
        assert judged not in heads
    assert "sure" not in page.locator("#contact-rows").inner_text().split()
    for hidden in ("#correct", "#record", "#flags", "#next-flag", "#flag-key"):
        assert not page.locator(hidden).is_visible()
    page.emulate_media(media="print")
    assert not page.locator("#record").is_visible()
    assert said == []
