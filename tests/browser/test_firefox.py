"""The replay page in a real Firefox, from disk, no network: every thing that a person can do on it."""

import base64
import json
import re
import time
import zlib
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import jsonschema
import numpy as np
import pytest

from listen.record import Run, read_labels, schema
from tests.browser.firefox import FIREFOX, Firefox
from tests.sound_server.server import SoundServer

pytestmark = [
    pytest.mark.browser,
    pytest.mark.closed,
    pytest.mark.sound_server,
    pytest.mark.skipif(FIREFOX is None, reason="no Firefox here: apt-get install firefox-esr"),
]
END, HOME, RIGHT, SHIFT_RIGHT = "\ue010", "\ue011", "\ue014", "\ue008\ue014"
INK = """new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))).then(() => {
  const {canvas, rows, size} = listenPage.scope, row = rows.spectrum, k = size.ratio;
  const {data} = canvas.getContext("2d").getImageData(0, row.top * k, canvas.width, row.height * k);
  return data.reduce((sum, value) => sum + value, 0);
})"""
CLOCKS = """new Promise((done) => {
  const found = [], began = performance.now();
  const look = () => {
    const passed = (performance.now() - began) / 1000;
    found.push([passed, listenPage.player.audio.currentTime]);
    if (passed < 1.5) requestAnimationFrame(look); else done(found);
  };
  requestAnimationFrame(look);
})"""
APART = """new Promise((done) => {
  const found = [];
  const look = () => {
    found.push(Math.abs(listenPage.scope.playhead - listenPage.player.audio.currentTime));
    if (found.length < 40) requestAnimationFrame(look); else done(found);
  };
  requestAnimationFrame(look);
})"""


@pytest.fixture(scope="module")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Firefox]:
    """One browser for this file, with a real sound server to play to."""
    server = SoundServer(tmp_path_factory.mktemp("sound"))
    with Firefox(tmp_path_factory.mktemp("firefox"), server.environment) as browser:
        yield browser
    server.stop()


@pytest.fixture
def opened(firefox: Firefox, made_run: Run) -> Iterator[Firefox]:
    """The page opened anew; fails where it said anything on the console."""
    firefox.said.clear()
    firefox.open(made_run.folder / "timeline.html")
    yield firefox
    firefox.run("listenPage.player.pause()")
    assert firefox.said == []


def at_second(page: Firefox, second: float, lane: str) -> tuple[float, float]:
    """Place in the window of a second in a lane of the drawing."""
    x, y = page.run(
        f"""(() => {{
          const {{scope}} = listenPage, row = scope.rows[{lane!r}];
          scope.holder.scrollIntoView({{block: "center"}});
          const box = scope.holder.getBoundingClientRect();
          return [box.left + scope.x({second}), box.top + row.top + row.height / 2];
        }})()"""
    )
    return float(x), float(y)


def text(page: Firefox, selector: str) -> Any:
    """Text of an element."""
    return page.run(f"document.querySelector({selector!r}).textContent")


def pick(page: Firefox, nth: int) -> None:
    """Press "Play" of a row of the table of contacts."""
    page.click(f"#contact-rows tr:nth-child({nth}) button")


def test_it_opens_and_nothing_from_outside_gets_in(opened: Firefox) -> None:
    assert text(opened, "h1").startswith("3 expected, 1 heard as expected, 1 started early (N70)")
    assert text(opened, ".fixed") == "This screen cannot stop the machine. Watch the machine."
    tried = "fetch('https://example.invalid/').then(() => 'reached', (error) => 'refused')"
    assert opened.run(tried) == "refused"
    for _ in range(100):
        if not opened.said:
            opened.run("new Promise((done) => setTimeout(done, 20))")
    assert len(opened.said) == 1
    assert "connect-src" in opened.said[0]
    opened.said.clear()


def test_click_seeks_and_keys_move_and_zoom_to_fifty_milliseconds(opened: Firefox) -> None:
    opened.pointer(*at_second(opened, 7.5, "spectrum"))
    assert opened.run("listenPage.player.second") == pytest.approx(7.5, abs=0.02)
    assert "line 7" in text(opened, "#here")
    opened.run("document.getElementById('scope').focus()")
    for keys, second in ((HOME, 0.0), (RIGHT, 1.0), (END, 12.0)):
        opened.keys(keys)
        assert opened.run("listenPage.player.second") == pytest.approx(second)
    opened.keys("+" * 20)
    assert opened.run("listenPage.scope.view.to - listenPage.scope.view.from") == pytest.approx(0.05)
    opened.keys("0")
    assert opened.run("listenPage.scope.view") == {"from": 0, "to": 12}


def test_sound_and_play_head_stay_together(opened: Firefox) -> None:
    opened.click("#play")
    opened.wait_for("listenPage.player.audio.currentTime > 0.3")
    apart = opened.run(APART)
    assert sorted(apart)[-4] <= 1 / 30  # the sound may move on while one frame is drawn


@pytest.mark.parametrize("speed", [0.25, 4.0])
def test_speed(opened: Firefox, speed: float) -> None:
    opened.run(
        f"(() => {{ const s = document.getElementById('speed'); s.value = '{speed:g}';"
        " s.dispatchEvent(new Event('change')); })()"
    )
    opened.click("#play")
    opened.wait_for("listenPage.player.audio.currentTime > 0.2")
    seen = np.array(opened.run(CLOCKS))
    assert np.polyfit(seen[:, 0], seen[:, 1], 1)[0] == pytest.approx(speed, rel=0.15)


def test_loop_next_flag_and_first_flag(opened: Firefox) -> None:
    pick(opened, 1)
    opened.click("#loop")
    loop = opened.run("listenPage.player.loop")
    assert loop["from"] < 2.0 < 4.0 < loop["to"] < 5.0
    opened.run(f"listenPage.player.seek({loop['to'] - 0.1})")
    opened.wait_for(f"listenPage.player.second < {loop['from'] + 1.0}")
    opened.click("#loop")
    opened.run("(listenPage.player.pause(), listenPage.player.seek(0))")
    opened.click("#next-flag")
    assert opened.run("listenPage.player.second") == pytest.approx(7.5)
    assert "N70 began 5.0 mm before its place" in text(opened, "#said")
    opened.click("#play-first")
    opened.wait_for("listenPage.player.running && listenPage.player.second > 7.0")


def test_tooth_pass_lines_are_drawn_on_request(opened: Firefox) -> None:
    before = opened.run(INK)
    opened.click("#comb")
    assert opened.run(INK) != before
    opened.click("#comb")
    assert opened.run(INK) == before


def test_reference_cut_plays_at_matched_level(opened: Firefox) -> None:
    """The reference was made 6.0 dB louder, so it is turned down by a factor of 0.501."""
    pick(opened, 1)
    opened.click("#compare")
    opened.wait_for("listenPage.other.running && listenPage.other.audio.currentTime > 0.1")
    assert not opened.run("listenPage.player.running")
    assert opened.run("listenPage.other.audio.volume") == pytest.approx(0.501, abs=0.02)
    opened.click("#compare")
    assert opened.run("listenPage.player.running && !listenPage.other.running")


def test_labels_are_corrected_by_hand_and_saved(opened: Firefox) -> None:
    opened.click("#correct summary")
    start, end = at_second(opened, 7.5, "heard"), at_second(opened, 7.8, "heard")
    opened.pointer(*start, to=end)
    assert re.match(r"N70: now 7\.[78]\d\d to 10\.000 s", text(opened, "#fix-said"))
    for name, value in (("verdict", "as expected"), ("note", "burr on the edge")):
        opened.run(
            f"(() => {{ const e = document.getElementById('fix-{name}'); e.value = {value!r};"
            " e.dispatchEvent(new Event('change')); })()"
        )
    opened.run("document.getElementById('fix-by').value = 'ab'")
    opened.click("#fix-save")
    path = opened.saved / "labels.json"
    deadline = time.monotonic() + 10
    while not (path.is_file() and path.stat().st_size) and time.monotonic() < deadline:
        opened.run("new Promise((done) => setTimeout(done, 50))")
    jsonschema.validate(json.loads(path.read_text()), schema("labels-1"))
    one = read_labels(path).contacts[1]
    assert one.corrected is not None
    assert one.corrected.onset / 16000 == pytest.approx(7.8, abs=0.02)
    assert (one.corrected_verdict, one.note, one.by_hand) == ("as expected", "burr on the edge", True)


def test_the_record_prints_on_one_page(opened: Firefox) -> None:
    """PDF files name each page object as /Type /Page (ISO 32000-1, 7.7.3.3)."""
    printed = opened.ask(
        "browsingContext.print", context=opened.context, page={"width": 21.0, "height": 29.7}
    )
    assert n_pages(base64.b64decode(printed["data"])) == 1


def n_pages(pdf: bytes) -> int:
    """Page objects of a PDF file, also those in compressed object streams (ISO 32000-1, 7.5.7)."""
    held = [pdf]
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL):
        with suppress(zlib.error):
            held.append(zlib.decompress(packed))
    return sum(len(re.findall(rb"/Type\s*/Page\b(?!s)", part)) for part in held)


def test_the_tables_work_without_any_drawing(firefox: Firefox, made_run: Run) -> None:
    no_canvas = "() => { HTMLCanvasElement.prototype.getContext = () => null; }"
    added = firefox.ask("script.addPreloadScript", functionDeclaration=no_canvas)
    firefox.said.clear()
    firefox.open(made_run.folder / "timeline.html")
    pick(firefox, 2)
    firefox.wait_for("listenPage.player.second > 7.0")
    firefox.ask("script.removePreloadScript", script=added["script"])
    firefox.run("listenPage.player.pause()")
    assert firefox.said == []
