"""The live page in a real browser, fed by a real server; nothing in between is stood in for."""

import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from listen.blocks import Block
from listen.followed import Position, Strength, Verdict, VerdictKind
from listen.job_file import load_job
from listen.marks import Mark, MarkKind
from listen.plan import plan_job
from listen.record.keep import Start
from listen.show.board import Board
from listen.show.server import LiveServer
from listen.states import Event, Finding, Learnt, Standing, State
from listen.told import Cue, Flag

pytestmark = pytest.mark.browser
RATE = 16000
RECORDINGS = Path(__file__).resolve().parents[2] / "recordings_synthetic"
ARGUMENTS = ["--no-sandbox", "--disable-gpu"]
LONG_FLAG = (
    "Started early: contact 1, T1, N40 (line 12). Heard at 0:08.2, expected at 0:10.4: 4.1 mm before its "
    "place. Hold. Check work offset, tool length and stock size."
)
LONG_APPROACH = (
    "First approach of T1, nothing to hear. Hold at Z 25.00, at most 25 % rapid, single block on. "
    "First touch at X -6.00 Y 2.00 Z -2.00."
)
LONG_CUE = "Contact before its line: early, or override raised."
WORDS = (
    (State.STEADY, "in the cut"),
    (State.EXIT, "exit"),
    (State.AIR, "air"),
    (State.ENTRY, "contact"),
    (State.STEADY, "chatter"),
)
CHATTER = Finding(
    kind="chatter", start=0, stop=10**9, decided_at=10**9, frequency_hz=900.0, level_db=9.0, probability=0.9
)
SIZES = """() => {
  const [page, word] = [document.documentElement, document.querySelector("#state")];
  const text = document.createRange();
  text.selectNodeContents(word);
  const cutOff = text.getBoundingClientRect().right > word.getBoundingClientRect().right + 0.5;
  return [page.scrollWidth, page.scrollHeight, cutOff, parseFloat(getComputedStyle(word).fontSize)];
}"""
WATCH = """async ([selector, words, ms]) => {
  const begin = performance.now();
  while (performance.now() - begin < ms) {
    if (document.querySelector(selector).textContent.includes(words)) return performance.now() - begin;
    await new Promise((done) => setTimeout(done, 5));
  }
  return -1;
}"""


class Feed:
    """Gives the board sound in real time until told to stop."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        rng = np.random.default_rng(1)
        began, heard = time.monotonic(), 0
        while not self._stop.wait(0.02):
            stop = round((time.monotonic() - began) * RATE)
            samples = rng.normal(0.0, 0.05, stop - heard)
            self.board.hear(Block(samples=samples, start=heard, rate=RATE))
            heard = stop

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield made
        made.close()


@pytest.fixture
def board() -> Iterator[Board]:
    made = Board(rate=RATE, keeps="decisions and sound")
    feed = Feed(made)
    yield made
    feed.stop()


@pytest.fixture
def server(board: Board) -> Iterator[LiveServer]:
    made = LiveServer(board)
    yield made
    made.stop()


@pytest.fixture
def page(browser: Browser, server: LiveServer) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 834, "height": 1112})
    made, said = context.new_page(), list[str]()
    made.on("console", lambda message: said.append(message.text))
    made.on("pageerror", lambda error: said.append(str(error)))
    made.goto(server.address)
    made.wait_for_selector("body[data-ear=on]", timeout=10_000)
    yield made
    context.close()
    assert not [text for text in said if "WebSocket" not in text]


def event(state: State, at_s: float, standing: Standing = Standing.CONFIRMED) -> Event:
    at = round(at_s * RATE)
    return Event(state=state, at=at, decided_at=at + 1, probability=0.9, standing=standing)


def test_states_show_in_words_at_once(page: Page, board: Board) -> None:
    assert page.inner_text("#state").lower() == "cannot tell yet"
    for state, standing, words in (
        (State.AIR, Standing.CONFIRMED, "air"),
        (State.ENTRY, Standing.PROVISIONAL, "contact"),
        (State.STEADY, Standing.CONFIRMED, "in the cut"),
        (State.EXIT, Standing.CONFIRMED, "exit"),
    ):
        board.tell(event(state, 0.5, standing))
        assert 0 <= page.evaluate(WATCH, ["#state", words, 500]) <= 300, words


def test_not_listening_shows_within_300_ms_and_goes_away_again(page: Page, board: Board) -> None:
    board.stand(listening=False, recording=True)
    assert 0 <= page.evaluate(WATCH, ["#ear-word", "NOT LISTENING", 1000]) <= 300
    board.stand(listening=True, recording=True)
    page.wait_for_selector("body[data-ear=on]", timeout=2000)


def test_a_server_that_dies_shows_within_300_ms_and_the_page_returns_by_itself(
    browser: Browser, board: Board
) -> None:
    server = LiveServer(board)
    context = browser.new_context()
    page = context.new_page()
    page.goto(server.address)
    page.wait_for_selector("body[data-ear=on]", timeout=10_000)
    port = int(server.address.rsplit(":", 1)[1].strip("/"))
    page.evaluate(
        """() => {
          window.seen = null;
          setInterval(() => {
            const off = document.body.dataset.ear === "off";
            if (off && window.seen === null) window.seen = performance.now();
          }, 5);
        }"""
    )
    before = page.evaluate("performance.now()")
    server.stop()
    stopped = page.evaluate("performance.now()")
    page.wait_for_selector("body[data-ear=off]", timeout=3000)
    assert before < page.evaluate("window.seen") <= stopped + 300
    again = LiveServer(board, port=port)
    page.wait_for_selector("body[data-ear=on]", timeout=10_000)
    context.close()
    again.stop()


def test_recording_that_stops_is_said(page: Page, board: Board) -> None:
    board.stand(listening=True, recording=False, trouble="recording stopped at 5.0 s: No space left")
    assert page.evaluate(WATCH, ["#ear-more", "recording stopped at 5.0 s", 1000]) >= 0


def test_a_number_and_its_unit_stay_on_one_line(page: Page, board: Board) -> None:
    """On a narrow screen "5.0" stood at the end of one line and "s to press" on the next."""
    text = "Hold now: 5.0 s to press, tool then 2 mm clear."
    board.tell(event(State.AIR, 0.1))
    board.tell(Cue(at=round(board.now["t"] * RATE), kind="hold now", contact=None, text=text))
    assert page.evaluate(WATCH, ["#cue", "5.0\u00a0s to press, tool then 2\u00a0mm clear", 3000]) >= 0


def test_flags_and_cues_stay_for_who_joins_late(browser: Browser, server: LiveServer, board: Board) -> None:
    board.tell(event(State.AIR, 0.1), event(State.ENTRY, 0.2), event(State.AIR, 0.4))
    board.tell(Flag(at=9000, kind="not heard", contact=None, text="Contact 3 was not heard: look"))
    board.tell(Cue(at=round(board.now["t"] * RATE), kind="hold now", contact=None, text="Hold now"))
    context = browser.new_context()
    page = context.new_page()
    page.goto(server.address)
    assert page.evaluate(WATCH, ["#flag-text", "Contact 3 was not heard", 3000]) >= 0
    assert page.evaluate(WATCH, ["#cue", "Hold now", 3000]) >= 0
    assert "contact begins" in (page.text_content("#table") or "")
    context.close()


def test_marks_made_with_the_keyboard_alone_reach_the_run(page: Page, board: Board) -> None:
    if page.is_hidden("#hold"):
        page.focus("#more")
        page.keyboard.press("Enter")
    page.focus("[data-mark=held]")
    page.keyboard.press("Enter")
    page.focus("[name=z]")
    page.keyboard.type("-1.25")
    page.keyboard.press("Enter")
    held, read = board.inbox.get(timeout=2.0), board.inbox.get(timeout=2.0)
    assert isinstance(held, Mark)
    assert isinstance(read, Mark)
    assert (held.kind, read.kind, read.place[2]) == (MarkKind.HOLD, MarkKind.POSITION, -1.25)
    board.tell(held)
    assert page.evaluate(WATCH, ["#said", "hold", 1000]) >= 0


@pytest.mark.parametrize(
    ("seconds", "digits", "text"),
    [(59.6, 0, "1:00"), (59.4, 0, "0:59"), (119.96, 1, "2:00.0"), (5, 2, "0:05.00")],
)
def test_no_clock_shows_sixty_seconds(page: Page, seconds: float, digits: int, text: str) -> None:
    found = page.evaluate(
        "async ([s, n]) => (await import('/static/words.js')).clockText(s, n)", [seconds, digits]
    )
    assert found == text


def test_a_muted_microphone_is_named_before_the_run(browser: Browser) -> None:
    board = Board(rate=RATE)
    board.ask(Start(kind="first cut", keep="sound"))
    board.wait((Block(samples=np.zeros(8000), start=0, rate=RATE),), listening=True)
    server = LiveServer(board)
    page = browser.new_page()
    page.goto(server.address)
    assert page.evaluate(WATCH, ["#ear-more", "nothing but zeros: is it muted?", 3000]) >= 0
    assert page.inner_text("#ear-word") == "NOT LISTENING"
    board.wait((Block(samples=np.full(1600, 0.01), start=8000, rate=RATE),), listening=True)
    board.on_change()
    assert page.evaluate(WATCH, ["#start-level", "gives -40 dB", 3000]) >= 0
    assert page.inner_text("#ear-word") == "LISTENING"
    page.close()
    server.stop()


def test_what_the_sheet_warns_of_is_shown_before_it_records_and_in_a_hold(browser: Browser) -> None:
    """While the machine moves it is out of the way: four things show then."""
    told = "N50 (line 7): T1 moves under H2; its own is H1; do not run this"
    board = Board(rate=RATE, warnings=(told,))
    server = LiveServer(board)
    page = browser.new_page()
    page.goto(server.address)
    board.ask(Start(kind="first cut", keep="small"))
    board.on_change()
    page.wait_for_selector("#start", state="visible", timeout=3000)
    assert page.locator(".warns li:visible").all_inner_texts() == [told]
    board.begin(Start(kind="first cut", keep="small"))
    page.wait_for_selector("#start", state="hidden", timeout=3000)
    if page.is_visible("#hold"):
        page.click("#more")
    assert page.locator(".warns li:visible").count() == 0
    page.click("#more")
    assert page.locator(".warns li:visible").all_inner_texts() == [told]
    page.close()
    server.stop()


def test_without_a_warning_there_is_no_box_for_it(page: Page) -> None:
    assert page.locator(".warns:visible").count() == 0


def test_an_inch_job_shows_and_takes_inches(browser: Browser) -> None:
    """The control shows inches: -2.54 mm is -0.1, and what is typed as 0.25 is 6.35 mm."""
    timeline = replace(plan_job(load_job(RECORDINGS / "step.toml")).timeline, shown_in="inch")
    board = Board(rate=RATE, timeline=timeline, keeps="decisions")
    feed, server = Feed(board), LiveServer(board)
    page = browser.new_page()
    page.goto(server.address)
    first = timeline.contacts[0]
    board.tell(
        Position(at=0, program_time=0.0, line=1, spread=0.1, rate=1.0, next_contact=first.id, witness="mark")
    )
    assert page.evaluate(WATCH, ["#next-what", f"Z {first.place[2] / 25.4:.4f} at touch", 3000]) >= 0
    assert page.evaluate(WATCH, ["#next-where", f"X\u00a0{first.place[0] / 25.4:.3f}", 1000]) >= 0
    if page.is_hidden("#hold"):
        page.click("#more")
    assert page.text_content("#z-unit") == "inch"
    page.fill("[name=z]", "0.25")
    page.keyboard.press("Enter")
    read = board.inbox.get(timeout=2.0)
    assert isinstance(read, Mark)
    assert read.place[2] == pytest.approx(6.35, rel=0, abs=1e-9)
    board.tell(read)
    assert page.evaluate(WATCH, ["#said", "Z 0.25", 1000]) >= 0
    page.close()
    server.stop()
    feed.stop()


@pytest.mark.parametrize(
    "size", [(1366, 768), (1920, 1080), (834, 1112), (768, 1024), (1112, 834), (1024, 768)]
)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_while_it_moves_all_fits_on_the_screen_and_letters_are_large(
    browser: Browser, server: LiveServer, board: Board, size: tuple[int, int], scheme: str
) -> None:
    """A tablet of 834 CSS pixels is about 160 mm wide (common practice, no source): 20 mm are 104 pixels."""
    board.tell(event(State.AIR, 0.1), event(State.ENTRY, 0.2), event(State.STEADY, 0.3))
    board.tell(Flag(at=9000, kind="started early", contact=None, text=LONG_FLAG))
    board.tell(Cue(at=0, kind="next rung", contact=None, text=LONG_APPROACH))
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(server.address)
    assert page.evaluate(WATCH, ["#state", "in the cut", 3000]) >= 0
    board.tell(Cue(at=round(board.now["t"] * RATE), kind="before its line", contact=None, text=LONG_CUE))
    assert page.evaluate(WATCH, ["#cue", LONG_CUE, 3000]) >= 0
    for state, word in WORDS:
        board.tell(event(state, 0.4), *([CHATTER] if word == "chatter" else []))
        assert page.evaluate(WATCH, ["#state", word, 3000]) >= 0
        wide, tall, cut_off, letters = page.evaluate(SIZES)
        assert wide <= size[0], word
        assert tall <= size[1], word
        assert not cut_off, word
        assert 0.72 * letters >= 104, word
    assert page.is_visible("#fixed")
    assert page.is_hidden("#hold")
    contrast = page.evaluate(CONTRAST)
    assert min(contrast) >= 4.5, contrast  # WCAG 2.2, 1.4.3 (AA)
    context.close()


@pytest.mark.parametrize("size", [(834, 1112), (768, 1024), (1112, 834), (1024, 768)])
def test_what_it_cannot_tell_is_as_large_on_a_tablet(
    browser: Browser, server: LiveServer, board: Board, size: tuple[int, int]
) -> None:
    """NOT LISTENING stands on top then, as large as the width allows, and old cues are gone."""
    board.tell(Mark(at=0, kind=MarkKind.CYCLE_START, source="operator"))
    page = browser.new_page(viewport={"width": size[0], "height": size[1]})
    page.goto(server.address)
    assert page.evaluate(WATCH, ["#state", "cannot tell yet", 3000]) >= 0
    page.wait_for_selector("#hold", state="hidden")
    _, tall, cut_off, letters = page.evaluate(SIZES)
    assert (tall <= size[1], cut_off, 0.72 * letters >= 104) == (True, False, True)
    board.tell(Cue(at=round(board.now["t"] * RATE), kind="before its line", contact=None, text=LONG_CUE))
    board.stand(listening=False, recording=True)
    assert page.evaluate(WATCH, ["#ear-word", "NOT LISTENING", 1000]) >= 0
    assert page.inner_text("#cue") == ""
    wide, tall, cut_off, _ = page.evaluate(SIZES)
    assert (wide <= size[0], tall <= size[1], cut_off) == (True, True, False)
    assert page.evaluate("document.querySelector('#ear-word').getBoundingClientRect().height") >= 100
    page.close()


def test_a_hold_shows_questions_and_the_newest_word_on_the_spindle(page: Page, board: Board) -> None:
    board.tell(Mark(at=0, kind=MarkKind.HOLD, source="operator"))
    for kind, text in (("spindle heard", "Spindle heard."), ("spindle not heard", "SPINDLE NOT HEARD.")):
        board.tell(Cue(at=round(board.now["t"] * RATE), kind=kind, contact=None, text=text))
        assert page.evaluate(WATCH, ["#spindle", text, 1000]) >= 0
    assert page.locator("#before input").count() == 5
    first_below = page.evaluate("document.querySelector('#before').getBoundingClientRect().bottom")
    assert first_below <= 1112, "the questions must be on the screen without scrolling"
    board.tell(event(State.ENTRY, 1.0))
    assert page.evaluate(WATCH, ["#spindle", "no word yet", 1000]) >= 0


def test_a_hold_says_how_far_the_ear_knows_this_runs_own_sound(page: Page, board: Board) -> None:
    board.tell(Mark(at=0, kind=MarkKind.HOLD, source="operator"))
    for part, words in ((0.0, "does not know"), (0.4, "begins to know"), (1.0, "The ear knows this run")):
        board.tell(Learnt(at=round(board.now["t"] * RATE), part=part))
        assert page.evaluate(WATCH, ["#learnt", words, 1000]) >= 0


def test_it_beeps_only_where_it_was_asked_to_and_the_run_is_told(page: Page, board: Board) -> None:
    def flag() -> None:
        board.tell(Flag(at=round(board.now["t"] * RATE), kind="x", contact=None, text="Look at the tool"))

    board.tell(Mark(at=0, kind=MarkKind.HOLD, source="operator"))
    assert not page.is_checked("#beep")
    flag()
    page.wait_for_timeout(400)
    assert board.inbox.empty()
    page.check("#beep")
    page.wait_for_timeout(300)
    flag()
    told = board.inbox.get(timeout=2.0)
    assert isinstance(told, Mark)
    assert (told.kind, told.value, told.source) == (MarkKind.BEEP, 0.4, "page")
    assert "No earphones at the machine" in page.inner_text("#beeping")


def test_nothing_old_is_shown_as_heard_while_it_does_not_listen(page: Page, board: Board) -> None:
    board.tell(event(State.STEADY, 0.5))
    assert page.evaluate(WATCH, ["#state", "in the cut", 1000]) >= 0
    board.stand(listening=False, recording=True)
    assert 0 <= page.evaluate(WATCH, ["#state", "cannot tell", 1000]) <= 300
    assert page.get_attribute("body", "data-state") == "none"


def test_no_time_is_counted_down_while_it_does_not_listen(browser: Browser) -> None:
    timeline = replace(plan_job(load_job(RECORDINGS / "step.toml")).timeline, rapid_override=100.0)
    board = Board(rate=RATE, timeline=timeline, keeps="decisions")
    feed, server = Feed(board), LiveServer(board)
    page = browser.new_page()
    page.goto(server.address)
    first = timeline.contacts[0]
    board.tell(
        Position(
            at=0,
            program_time=first.start - 9.0,
            line=1,
            spread=0.1,
            rate=1.0,
            next_contact=first.id,
            witness="mark",
        )
    )
    assert page.evaluate(WATCH, ["#next-what", "in about 9 s", 3000]) >= 0
    board.stand(listening=False, recording=True)
    assert page.evaluate(WATCH, ["#ear-word", "NOT LISTENING", 1000]) >= 0
    assert page.inner_text("#next-what").startswith(f"T{first.tool}, ")
    assert "in about" not in page.inner_text("#next-what")
    board.end("The run has ended.")
    assert page.evaluate(WATCH, ["#ear-more", "has ended", 1000]) >= 0
    assert page.inner_text("#next-what") == "–"
    page.close()
    server.stop()
    feed.stop()


def test_the_end_of_the_run_stays_on_the_page_when_the_server_is_gone(browser: Browser, board: Board) -> None:
    server = LiveServer(board)
    page = browser.new_page()
    page.goto(server.address)
    page.wait_for_selector("body[data-ear=on]", timeout=10_000)
    board.end("The run has ended. It is heard again now.")
    assert 0 <= page.evaluate(WATCH, ["#ear-more", "heard again now", 1000]) <= 300
    assert page.inner_text("#ear-word") == "NOT LISTENING"
    board.end("The run has ended. 1 flag, 1 found only when it was heard again.")
    server.stop()
    assert page.evaluate(WATCH, ["#ear-more", "found only when it was heard again", 2000]) >= 0
    page.wait_for_timeout(600)
    assert "found only when it was heard again" in page.inner_text("#ear-more")
    page.close()


def test_a_verdict_too_unsure_for_a_flag_is_told_in_a_hold(browser: Browser) -> None:
    timeline = plan_job(load_job(RECORDINGS / "step.toml")).timeline
    board = Board(rate=RATE, timeline=timeline, keeps="decisions")
    feed, server = Feed(board), LiveServer(board)
    page = browser.new_page()
    page.goto(server.address)
    first, second = timeline.contacts[:2]
    for contact, kind in ((first, VerdictKind.STARTED_EARLY), (second, VerdictKind.AS_EXPECTED)):
        board.tell(_verdict(contact.id, kind))
    board.tell(Mark(at=0, kind=MarkKind.HOLD, source="operator"))
    assert page.evaluate(WATCH, ["#doubts", f"{first.block} started early, by 1.2 mm", 3000]) >= 0
    assert second.block not in page.inner_text("#doubts").split(".")[0]
    board.tell(Flag(at=9000, kind="started early", contact=first.id, text="Started early"))
    page.wait_for_selector("#doubts", state="hidden", timeout=2000)
    page.close()
    server.stop()
    feed.stop()


def _verdict(contact: int, kind: VerdictKind) -> Verdict:
    return Verdict(
        contact=contact,
        kind=kind,
        probability=0.7,
        called_at=9000,
        expected_onset=5000,
        expected_offset=9000,
        heard_onset=4000,
        heard_offset=9000,
        early_by_mm=1.2 if kind is VerdictKind.STARTED_EARLY else None,
        witness="earlier contact",
        strength=Strength.AS_EXPECTED,
        reason="made up",
    )


def test_a_screen_reader_is_told_states_cues_and_flags(page: Page, board: Board) -> None:
    """WAI-ARIA 1.2: role status is polite, aria-live assertive interrupts; drawings are hidden from it."""
    board.tell(event(State.ENTRY, 0.5), Flag(at=9000, kind="x", contact=None, text="Look at the tool"))
    assert page.evaluate(WATCH, ["#state", "contact", 1000]) >= 0
    tree = page.locator("body").aria_snapshot()
    for told in ("status: contact", "Look at the tool", "LISTENING", "Watch the machine", "Last flag"):
        assert told.lower() in tree.lower(), tree
    lives = {name: page.get_attribute(f"#{name}", "aria-live") for name in ("ear", "cue", "flag")}
    assert lives == {"ear": "polite", "cue": "assertive", "flag": "assertive"}
    if page.is_hidden("#hold"):
        page.click("#more")
    nameless = page.evaluate(
        """() => [...document.querySelectorAll("button, input, select")].filter((one) =>
          one.offsetParent && !one.textContent.trim() && !one.labels?.length && !one.ariaLabel).length"""
    )
    assert nameless == 0
    assert page.evaluate("[...document.querySelectorAll('canvas')].every((one) => one.ariaHidden === 'true')")


def test_all_that_can_be_pressed_is_reached_with_the_keyboard_and_seen(page: Page) -> None:
    if page.is_hidden("#hold"):
        page.click("#more")
    wanted = page.evaluate(
        "[...document.querySelectorAll('button, input')].filter((one) => one.offsetParent).length"
    )
    page.evaluate("document.activeElement.blur()")
    reached, outlined = set(), 0
    for _ in range(wanted + 6):
        page.keyboard.press("Tab")
        place, outline = page.evaluate(
            """() => { const here = document.activeElement;
              return [[...document.querySelectorAll("button, input")].indexOf(here),
                      getComputedStyle(here).outlineStyle]; }"""
        )
        reached.add(place)
        outlined += outline == "solid"
    assert len(reached - {-1}) == wanted
    assert outlined >= wanted


@pytest.mark.parametrize(("motion", "seconds"), [("reduce", 0.0), ("no-preference", 1.6)])
def test_a_flag_changes_the_page_slowly_and_without_motion_on_request(
    browser: Browser, server: LiveServer, motion: str, seconds: float
) -> None:
    context = browser.new_context(reduced_motion=motion)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(server.address)
    lasts = page.evaluate("parseFloat(getComputedStyle(document.body).transitionDuration) || 0")
    assert lasts == seconds
    context.close()


CONTRAST = """() => {
  const luminance = (text) => {
    const parts = text.match(/[\\d.]+/g).slice(0, 3).map((part) => {
      const value = Number(part) / 255;
      return value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2];
  };
  const behind = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = getComputedStyle(at).backgroundColor;
      if (!colour.endsWith(", 0)")) return colour;
    }
    return "rgb(255, 255, 255)";
  };
  const names = ["fixed", "ear-word", "ear-more", "state", "cue", "next-what", "next-where", "flag-text"];
  return [...names, "more"].map((name) => {
    const element = document.getElementById(name);
    const [a, b] = [getComputedStyle(element).color, behind(element)].map(luminance);
    return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  });
}"""
