"""How fast a page is in a real Chromium, and something plain beside it: the machine may be busy."""

from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Browser, CDPSession

from listen.show.page import one_file

WIDTH, HEIGHT = 1366, 768
WATCH = """new MutationObserver(() => {
  if (document.documentElement?.dataset.ready && !window.readyAt) window.readyAt = performance.now();
}).observe(document, {attributes: true, subtree: true});"""
BY_PROCESSOR = """const plainContext = HTMLCanvasElement.prototype.getContext;
HTMLCanvasElement.prototype.getContext = function (kind, options) {
  return plainContext.call(this, kind, {...options, willReadFrequently: true});
};"""  # every pixel is made in the page's own thread, none by a graphics process
REDRAW = """async (lengths) => {
  const {scope} = listenPage, pen = scope.canvas.getContext("2d"), found = [];
  for (const length of lengths) {
    scope.view = {from: 0, to: length};
    const spent = [];
    for (let i = 0; i < 25; i += 1) {
      const began = performance.now();
      scope.draw();
      pen.getImageData(0, 0, 1, 1); // until the pixels are there
      spent.push(performance.now() - began);
      await new Promise((done) => setTimeout(done, 2));
    }
    found.push(spent.sort((a, b) => a - b)[6]); // lower quartile: others use this machine, too
  }
  return found;
}"""
BESIDE = """async () => {
  const canvas = document.createElement("canvas"), small = document.createElement("canvas"), spent = [];
  [canvas.width, canvas.height, small.width, small.height] = [1366, 430, 512, 48];
  const pen = canvas.getContext("2d", {alpha: false});
  for (let i = 0; i < 25; i += 1) {
    const began = performance.now();
    pen.fillStyle = "#eee";
    pen.fillRect(0, 0, 1366, 430);
    for (let k = 0; k < 3; k += 1) pen.drawImage(small, k * 455, 200, 456, 150);
    pen.fillStyle = "#235";
    for (let x = 0; x < 1366; x += 1) pen.fillRect(x, 20 + (x % 7), 1, 40);
    pen.getImageData(0, 0, 1, 1);
    spent.push(performance.now() - began);
    await new Promise((done) => setTimeout(done, 2));
  }
  return spent.sort((a, b) => a - b)[6];
}"""
FRAMES = """(seconds) => new Promise((done) => {
  let count = 0;
  const began = performance.now();
  const look = () => {
    count += 1;
    const passed = (performance.now() - began) / 1000;
    if (passed < seconds) requestAnimationFrame(look); else done(count / passed);
  };
  requestAnimationFrame(look);
})"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Speeds:
    """What one page reached, and what something plain reached at the same time."""

    opens_s: float  # until everything works and the sound can be played; the best of some
    opens_processor_s: float  # of the page's own thread until then: not longer on a busy machine
    drawn_s: float  # until it is drawn
    plain_opens_s: float  # a page of as many bytes that does nothing
    redraws_ms: dict[str, float]  # by how much of the run is shown; lower quartiles
    plain_redraw_ms: float  # one ground, three pictures, 1366 thin bars
    frames_per_s: float  # while it plays
    plain_frames_per_s: float
    main_share: float  # of the page's own thread while it plays, in processor time


def page_speeds(chromium: Browser, path: Path, folder: Path, *, opens: int = 4) -> Speeds:
    """Open a page some times, in turn with a plain one as large; then redraw and play it."""
    plain = folder / "plain.html"
    plain.write_text(_plain_page(path.stat().st_size))
    times = [(_opened(chromium, path), _opened(chromium, plain)) for _ in range(opens)]
    redraws, beside = _redrawn(chromium, path)
    frames, plain_frames, share = _playing(chromium, path)
    return Speeds(
        opens_s=min(ours["ready"] for ours, _ in times) / 1000,
        opens_processor_s=min(ours["processor"] for ours, _ in times),
        drawn_s=min(ours["drawn"] for ours, _ in times) / 1000,
        plain_opens_s=min(other["ready"] for _, other in times) / 1000,
        redraws_ms=redraws,
        plain_redraw_ms=beside,
        frames_per_s=frames,
        plain_frames_per_s=plain_frames,
        main_share=share,
    )


def _plain_page(size: int) -> str:
    ready = 'addEventListener("DOMContentLoaded", () => { document.documentElement.dataset.ready = 1; });'
    held = bytes(round((size - 3000) * 3 / 4))
    return one_file(title="plain", body="", script=ready, style="", data={}, binaries={}, late={"held": held})


def _opened(chromium: Browser, path: Path) -> dict[str, float]:
    context = chromium.new_context(viewport={"width": WIDTH, "height": HEIGHT}, offline=True)
    page = context.new_page()
    page.add_init_script(WATCH)
    session = context.new_cdp_session(page)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})
    page.goto(path.as_uri(), wait_until="commit")
    page.wait_for_function("() => window.readyAt", timeout=60_000)
    found = {
        "processor": _metric(session, "ThreadTime"),
        "ready": page.evaluate("() => window.readyAt"),
        "drawn": page.evaluate("() => performance.getEntriesByName('drawn')[0]?.startTime ?? 0"),
    }
    context.close()
    return found


def _redrawn(chromium: Browser, path: Path) -> tuple[dict[str, float], float]:
    """Milliseconds of one drawing by what is shown of the run, and of a plain drawing."""
    context = chromium.new_context(viewport={"width": WIDTH, "height": HEIGHT}, offline=True)
    page = context.new_page()
    page.add_init_script(BY_PROCESSOR)
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]", timeout=60_000)
    whole_s = float(page.evaluate("() => listenPage.run.duration_s"))
    lengths = {"whole": whole_s, "half": whole_s / 2, "tenth": whole_s / 10, "5 s": 5.0, "50 ms": 0.05}
    redraws = page.evaluate(REDRAW, list(lengths.values()))
    beside = float(page.evaluate(BESIDE))
    context.close()
    return dict(zip(lengths, redraws, strict=True)), beside


def _playing(chromium: Browser, path: Path) -> tuple[float, float, float]:
    """Frames a second, those of an empty page, and the share of the main thread, over three seconds."""
    context = chromium.new_context(viewport={"width": WIDTH, "height": HEIGHT}, offline=True)
    page = context.new_page()
    plain = float(page.evaluate(FRAMES, 2.0))
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]", timeout=60_000)
    page.evaluate("() => listenPage.player.play(1)")
    page.wait_for_function("() => listenPage.player.second > 1.2", timeout=30_000)
    session = context.new_cdp_session(page)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})
    before, began = _metric(session, "ThreadTime"), _metric(session, "Timestamp")
    frames = float(page.evaluate(FRAMES, 3.0))
    spent, passed = _metric(session, "ThreadTime") - before, _metric(session, "Timestamp") - began
    page.goto("about:blank")
    plain = min(plain, float(page.evaluate(FRAMES, 2.0)))  # before and after: the machine may be busy
    context.close()
    return frames, plain, spent / passed


def _metric(session: CDPSession, name: str) -> float:
    told = session.send("Performance.getMetrics")["metrics"]
    return float(next(one["value"] for one in told if one["name"] == name))
