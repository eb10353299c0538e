"""The replay page in a real browser, opened from disk, network off, strict security policy."""

import json
import re
from pathlib import Path

import jsonschema
import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from listen.record import Run, read_labels, schema
from listen.show import write_replay_page
from tests.browser.conftest import open_page
from tests.record.made_run import write_made_run

pytestmark = [pytest.mark.browser, pytest.mark.closed]

SENTENCE = "3 expected, 1 heard as expected, 1 started early (N70), 1 not heard (N80), 0 cannot tell"
APART = """() => new Promise((done) => {
  const found = [];
  const look = () => {
    found.push(Math.abs(listenPage.scope.playhead - listenPage.player.audio.currentTime));
    if (found.length < 40) requestAnimationFrame(look); else done(found);
  };
  requestAnimationFrame(look);
})"""
MOVED = """() => new Promise((done) => {
  const {audio} = listenPage.player, began = performance.now(), from = audio.currentTime;
  setTimeout(() => done([audio.currentTime - from, (performance.now() - began) / 1000]), 900);
})"""
JUMPS = """() => new Promise((done) => {
  let jumps = 0, last = -1, most = 0;
  const began = performance.now();
  const look = () => {
    const now = listenPage.player.second;
    if (now < last) jumps += 1;
    last = now;
    most = Math.max(most, now);
    if (performance.now() - began < 2500) requestAnimationFrame(look); else done([jumps, most]);
  };
  look();
})"""
INK = """() => {
  const {canvas, rows, size} = listenPage.scope, k = size.ratio, row = rows.spectrum;
  const copy = document.createElement("canvas"), pen = copy.getContext("2d", {willReadFrequently: true});
  [copy.width, copy.height] = [canvas.width, row.height * k];
  pen.drawImage(canvas, 0, -row.top * k);
  const {data} = pen.getImageData(0, 0, copy.width, copy.height);
  return data.reduce((sum, value) => sum + value, 0);
}"""
CLIPPED = """() => [...document.querySelectorAll("h1, h2, button, .fixed, #first-text, summary, label")]
  .filter((e) => e.offsetParent && e.clientWidth && e.scrollWidth > e.clientWidth + 1)
  .map((e) => e.outerHTML)"""
SIZES = {"laptop": (1366, 768), "tablet": (820, 1180), "tablet lying": (1180, 820), "phone": (390, 844)}


def place(page: Page) -> float:
    """Where the page says it is [s]."""
    return float(page.locator("#scope").get_attribute("aria-valuenow") or "nan")


def at_second(page: Page, second: float, lane: str) -> tuple[float, float]:
    """Screen coordinates of a second in a lane of the drawing."""
    x, y = page.evaluate(
        """([second, lane]) => {
          const {scope} = listenPage, box = scope.holder.getBoundingClientRect(), row = scope.rows[lane];
          return [box.left + scope.x(second), box.top + row.top + row.height / 2];
        }""",
        [second, lane],
    )
    return float(x), float(y)


def settled(page: Page) -> None:
    """Wait for two frames of the screen."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def test_the_page_opens_with_the_sentence_first(opened: Page) -> None:
    heading = opened.locator("h1").inner_text()
    assert (
        heading == "3 expected, 1 heard as expected, 1 started early (N70), 1 not heard (N80), 0 cannot tell"
    )
    fixed = opened.locator(".fixed").inner_text()
    assert fixed == "This screen cannot stop the machine. Watch the machine."


def test_the_tables_say_it_all_in_words(opened: Page) -> None:
    row = opened.locator("#contact-rows tr").nth(1).inner_text()
    for words in ("N70", "T1", "0:08.00 to 0:10.00", "0:07.50 to 0:10.00", "started early", "5.0 mm before"):
        assert words in row
    assert opened.locator("#flag-rows tr").count() == 2
    opened.locator("#holds summary").click()
    opened.locator("#hold-rows tr").first.wait_for()  # laid out a frame after it unfolds
    assert "N60 (line 6)\tfeed hold" in opened.locator("#hold-rows").inner_text()
    assert opened.locator("#untold").is_hidden()  # nothing that cannot be told
    assert "step measured 1.02" in opened.locator("#look-rows").inner_text()


def test_text_from_a_program_is_never_markup(opened: Page) -> None:
    listing = opened.locator("#listing").inner_text()
    assert "<b>BRACKET</b> </script><script>" in listing
    assert "broken" not in opened.title()


def test_the_policy_keeps_out_what_the_page_did_not_bring(context: BrowserContext, made_run: Run) -> None:
    said: list[str] = []
    page = open_page(context, made_run.folder / "timeline.html", said)
    page.evaluate(
        """() => { const s = document.createElement("script"); s.textContent = "window.intruder = 1";
        document.body.append(s); const i = new Image(); i.src = "https://example.invalid/x.png"; }"""
    )
    page.wait_for_timeout(200)
    assert page.evaluate("() => window.intruder === undefined")
    assert any("script-src" in text for text in said)
    assert any("img-src" in text for text in said)
    with pytest.raises(Exception, match="Failed to fetch"):
        page.evaluate("() => fetch('https://example.invalid/')")


def test_click_goes_there(opened: Page) -> None:
    opened.mouse.click(*at_second(opened, 7.5, "spectrum"))
    assert place(opened) == pytest.approx(7.5, abs=0.02)
    assert "line 7" in opened.locator("#here").inner_text()
    assert "entry" in opened.locator("#here").inner_text()
    assert opened.locator("#listing li[aria-current]").inner_text().split()[1] == "N70"
    assert "Y 30.0" in opened.locator("#place").inner_text()


def test_keys_move_and_zoom_from_whole_run_to_fifty_milliseconds(opened: Page) -> None:
    opened.locator("#scope").focus()
    for key, second in (("ArrowRight", 1.0), ("Shift+ArrowRight", 1.1), ("End", 12.0), ("Home", 0.0)):
        opened.keyboard.press(key)
        assert place(opened) == pytest.approx(second, abs=1e-6)
    for _ in range(20):
        opened.keyboard.press("+")
    settled(opened)
    length = opened.evaluate("() => listenPage.scope.view.to - listenPage.scope.view.from")
    assert length == pytest.approx(0.05, abs=1e-9)
    opened.keyboard.press("0")
    settled(opened)
    view = opened.evaluate("() => listenPage.scope.view")
    assert view == {"from": 0, "to": 12}


def test_wheel_zooms_about_the_pointer_and_drag_moves(opened: Page) -> None:
    opened.mouse.move(*at_second(opened, 8.0, "spectrum"))
    opened.mouse.wheel(0, -600)
    settled(opened)
    view = opened.evaluate("() => listenPage.scope.view")
    assert view["to"] - view["from"] < 4.0
    assert opened.evaluate(
        "(x) => listenPage.scope.second(x)", at_second(opened, 8.0, "spectrum")[0] - 16
    ) == pytest.approx(8.0, abs=0.1)
    x, y = at_second(opened, 8.0, "spectrum")
    opened.mouse.move(x, y)
    opened.mouse.down()
    opened.mouse.move(x + 200, y, steps=5)
    opened.mouse.up()
    settled(opened)
    assert opened.evaluate("() => listenPage.scope.view.from") < view["from"]
    assert place(opened) == 0.0  # a drag is no click


def test_sound_and_play_head_stay_together(opened: Page) -> None:
    """Over a second of playing, the drawn place and the sound's own clock differ by less than a frame."""
    opened.locator("#play").click()
    opened.wait_for_function("() => listenPage.player.audio.currentTime > 0.3")
    apart = opened.evaluate(APART)
    opened.locator("#play").click()
    assert opened.locator("#play").inner_text() == "Play"
    assert sorted(apart)[-4] <= 1 / 30  # the sound may move on while one frame is drawn


@pytest.mark.parametrize("speed", ["0.25", "0.5", "1", "2", "4"])
def test_speed(opened: Page, speed: str) -> None:
    opened.locator("#speed").select_option(speed)
    opened.locator("#play").click()
    opened.wait_for_function("() => listenPage.player.audio.currentTime > 0.05")
    moved, passed = opened.evaluate(MOVED)
    assert moved / passed == pytest.approx(float(speed), rel=0.15)


def test_loop_stays_in_its_contact(opened: Page) -> None:
    opened.locator("#speed").select_option("4")
    opened.locator("#contact-rows tr").nth(0).locator("button").click()
    opened.locator("#loop").click()
    assert opened.locator("#loop").get_attribute("aria-pressed") == "true"
    loop = opened.evaluate("() => listenPage.player.loop")
    assert loop["from"] < 2.0 < 4.0 < loop["to"] < 5.0
    jumps = opened.evaluate(JUMPS)
    assert jumps[0] >= 2
    assert jumps[1] <= loop["to"] + 0.3


def test_next_flag_goes_from_one_to_the_next_and_round(opened: Page) -> None:
    opened.locator("#next-flag").click()
    assert place(opened) == pytest.approx(7.5)
    assert "N70 began 5.0 mm before its place" in opened.locator("#said").inner_text()
    opened.keyboard.press("Tab")
    opened.locator("#scope").focus()
    opened.keyboard.press("n")
    assert place(opened) == pytest.approx(10.8)
    opened.keyboard.press("n")
    assert place(opened) == pytest.approx(7.5)


def test_first_flag_plays_beside_its_preview(opened: Page) -> None:
    assert "started early" in opened.locator("#first-text").inner_text()
    opened.locator("#play-first").click()
    opened.wait_for_function("() => listenPage.player.second > 7.0 && listenPage.player.running")


def test_tooth_pass_lines_are_drawn_on_request(opened: Page) -> None:
    before = opened.evaluate(INK)
    opened.locator("#comb").click()
    settled(opened)
    assert opened.evaluate(INK) != before
    opened.locator("#comb").click()
    settled(opened)
    assert opened.evaluate(INK) == before


def test_reference_cut_plays_at_matched_level(opened: Page) -> None:
    """The reference was made 6.0 dB louder, so it is turned down by 6.0 dB: a factor of 0.501."""
    opened.locator("#contact-rows tr").nth(0).locator("button").click()
    opened.locator("#compare").click()
    assert opened.locator("#compare").get_attribute("aria-pressed") == "true"
    assert not opened.evaluate("() => listenPage.player.running")
    volume = opened.evaluate("() => listenPage.other.audio.volume")
    assert volume == pytest.approx(0.501, abs=0.02)
    opened.wait_for_function("() => listenPage.other.running && listenPage.other.audio.currentTime > 0.1")
    opened.locator("#compare").click()
    assert opened.evaluate("() => listenPage.player.running && !listenPage.other.running")


def test_labels_are_corrected_by_hand_and_saved(opened: Page, tmp_path: Path) -> None:
    opened.locator("#correct summary").click()
    opened.locator("#scope").scroll_into_view_if_needed()
    opened.mouse.move(*at_second(opened, 7.5, "heard"))
    opened.mouse.down()
    opened.mouse.move(*at_second(opened, 7.8, "heard"), steps=4)
    opened.mouse.up()
    assert "N70: now 7.8" in opened.locator("#fix-said").inner_text()
    opened.locator("#fix-to").fill("9.9")
    opened.locator("#fix-to").press("Tab")
    opened.locator("#fix-verdict").select_option("as expected")
    opened.locator("#fix-note").fill("burr on the edge")
    opened.locator("#fix-note").press("Tab")
    opened.locator("#fix-by").fill("ab")
    with opened.expect_download() as download:
        opened.locator("#fix-save").click()
    path = tmp_path / "labels.json"
    download.value.save_as(path)
    jsonschema.validate(json.loads(path.read_text()), schema("labels-1"))
    labels = read_labels(path)
    one = labels.contacts[1]
    assert labels.by == "ab"
    assert one.heard is not None
    assert one.corrected is not None
    assert one.heard.onset == 7.5 * 16000
    assert one.corrected.onset / 16000 == pytest.approx(7.8, abs=0.02)
    assert one.corrected.offset == 9.9 * 16000
    assert (one.corrected_verdict, one.note, one.by_hand) == ("as expected", "burr on the edge", True)
    assert not labels.contacts[0].by_hand


def test_why_is_said_of_what_is_not_as_expected_alone(opened: Page) -> None:
    """Of the others heard and expected stand in columns of their own: each row was said twice."""
    rows = opened.locator("#contact-rows tr")
    said = {
        row.locator("td.verdict").inner_text().split("\n")[0]: row.locator(".why").count()
        for row in rows.all()
    }
    assert said.pop("as expected") == 0
    assert set(said.values()) == {1}


def test_nonsense_times_are_refused_with_a_reason(opened: Page) -> None:
    opened.locator("#correct summary").click()
    opened.locator("#fix-from").fill("99")
    opened.locator("#fix-from").press("Tab")
    assert "Times must be in order and within 0 and 12.000 s" in opened.locator("#fix-said").inner_text()


def test_the_record_prints_on_one_page(opened: Page) -> None:
    """PDF files name each page object as /Type /Page (ISO 32000-1, 7.7.3.3)."""
    opened.locator("#record-initials").fill("cd")
    printed = opened.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 1
    opened.emulate_media(media="print")
    assert not opened.locator(".board").is_visible()
    assert opened.locator("#record-heard").is_visible()
    assert opened.locator("#record-looks").is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_nothing_is_wider_than_the_screen(chromium: Browser, made_run: Run, scheme: str, size: str) -> None:
    width, height = SIZES[size]
    context = chromium.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
        offline=True,
    )
    page = open_page(context, made_run.folder / "timeline.html", [])
    assert page.evaluate("() => document.scrollingElement.scrollWidth") <= width
    clipped = page.evaluate(CLIPPED)
    assert clipped == []
    context.close()


def test_the_tables_work_without_any_drawing(context: BrowserContext, made_run: Run) -> None:
    context.add_init_script("HTMLCanvasElement.prototype.getContext = () => null;")
    said: list[str] = []
    page = open_page(context, made_run.folder / "timeline.html", said)
    page.locator("#contact-rows tr").nth(1).locator("button").click()
    page.wait_for_function("() => listenPage.player.second > 7.0")
    assert said == []


def test_a_run_without_sound_and_job_still_opens(context: BrowserContext, tmp_path: Path) -> None:
    from listen.blocks import Block
    from listen.record import RunWriter
    from tests.record.made_run import RATE, made_sound

    with RunWriter(tmp_path / "run", rate=RATE, live=False, sound="none") as writer:
        writer.push(Block(samples=made_sound(), start=0, rate=RATE))
        run = writer.finish()
    write_replay_page(run, tmp_path / "run" / "timeline.html")
    said: list[str] = []
    page = open_page(context, tmp_path / "run" / "timeline.html", said)
    assert "no contact heard in 12.0 s" in page.locator("h1").inner_text()
    page.locator("#play").click()
    page.wait_for_function("() => listenPage.player.second > 0.2")
    assert said == []


def test_a_run_that_was_cut_off_says_so(context: BrowserContext, tmp_path: Path) -> None:
    run = write_made_run(tmp_path / "run")
    lines = (run.folder / "decisions.jsonl").read_text().splitlines(keepends=True)
    (run.folder / "decisions.jsonl").write_text("".join(lines[:-1]))
    from listen.record import read_run

    write_replay_page(read_run(run.folder), run.folder / "timeline.html")
    page = open_page(context, run.folder / "timeline.html", [])
    assert "This run is not whole" in page.locator("#trouble").inner_text()
