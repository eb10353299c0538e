"""What listening costs: hours at full speed, minutes in real time, many pages, a slow tablet."""

import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psutil
from playwright.sync_api import Browser, Page, sync_playwright

from listen.blocks import Block, Gap
from listen.ears import SoundEar, shipped_model
from listen.hear.capture import BLOCK_S
from listen.live_run import listen_live
from listen.record import RunWriter, read_run
from listen.session import Session
from listen.show.board import Board
from listen.show.server import LiveServer
from tests.sound_server.server import RATE
from tools.tools_live.room import LiveCommand, Watcher, load_average, made_sound, playing, room

MEGABYTE = 1e6
MOST_GROWTH_MB = 5.0
MOST_CPU = 0.05
MOST_MORE = 0.10
SETTLE_S = 20.0  # code is compiled and read in
SETTLED = 0.1  # share of a soak after which memory must be flat
KEEP_AGES = """() => {
  window.ages = [];
  const Plain = WebSocket;
  window.WebSocket = class extends Plain {
    constructor(...words) {
      super(...words);
      this.addEventListener("message", (event) => {
        const {now} = JSON.parse(event.data);
        const drawn = () => window.ages.push((performance.timeOrigin + performance.now()) / 1000 - now.t);
        if (now) requestAnimationFrame(drawn);
      });
    }
  };
}"""


class MadeMicrophone:
    """Sound as fast as it is taken, in blocks as the microphone gives them."""

    listening = True

    def __init__(self, seconds: float, *, seed: int) -> None:
        self._sound = made_sound(60.0, seed=seed)
        self._size = round(BLOCK_S * RATE)
        self._stop = round(seconds * RATE)
        self.place = 0

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        """The next block."""
        first = self.place % (self._sound.size // self._size * self._size)
        block = Block(samples=self._sound[first : first + self._size], start=self.place, rate=RATE)
        self.place = block.stop
        return (block,)

    def goes_on(self) -> bool:
        """False when all was given."""
        return self.place < self._stop


def hours(length: float, *, seed: int) -> int:
    """Memory over hours of sound at the highest speed of the chain, with one page open."""
    microphone = MadeMicrophone(length * 3600.0, seed=seed)
    seen: list[tuple[float, float]] = []
    began, used = time.monotonic(), time.process_time()
    with tempfile.TemporaryDirectory() as made, _page_of_board() as board:
        writer = RunWriter(Path(made) / "run", rate=RATE, live=True, sound="flac")
        session = Session(None, ear=SoundEar(shipped_model(), rate=RATE, keep=False), rate=RATE)

        def goes_on() -> bool:
            if microphone.place >= len(seen) * 300 * RATE:
                seen.append((microphone.place / RATE, psutil.Process().memory_info().rss / MEGABYTE))
            return microphone.goes_on()

        with writer:
            listen_live(microphone, session=session, writer=writer, screens=(board,), goes_on=goes_on)
            problem = writer.problem
    spent = time.process_time() - used
    print(
        f"{length:g} h of sound in {(time.monotonic() - began) / 60:.1f} min, "
        f"{spent / length / 3600:.4f} s of processor a second"
    )
    print(f"recording: {problem or 'no trouble'}")
    return _memory(seen, length * 3600.0)


@contextmanager
def _page_of_board() -> Iterator[Board]:
    board = Board(rate=RATE, keeps="decisions and sound")
    server = LiveServer(board)
    page = Watcher(server.address)
    try:
        yield board
    finally:
        page.close()
        server.stop()


def _memory(seen: list[tuple[float, float]], length_s: float) -> int:
    """Print memory over time; 1 where it grows."""
    settled = [megabytes for at, megabytes in seen if at >= SETTLED * length_s] or [seen[-1][1]]
    growth = max(settled[-3:]) - max(settled[:3])
    shown = seen[:: max(1, len(seen) // 12)]
    print("memory: " + ", ".join(f"{at / 60:.0f} min {megabytes:.0f} MB" for at, megabytes in shown))
    print(f"memory grew by {growth:+.1f} MB after the first {SETTLED:.0%} (limit {MOST_GROWTH_MB:g})")
    return 0 if growth <= MOST_GROWTH_MB else 1


def minutes(length: float, *, seed: int) -> int:
    """Real time, with a real page in a real browser: processor, memory, gaps."""
    with (
        room() as server,
        playing(server, made_sound(60.0, seed=seed)),
        tempfile.TemporaryDirectory() as made,
    ):
        live = LiveCommand(Path(made) / "run", server)
        with chromium() as browser:
            browser.new_page().goto(live.address)
            time.sleep(SETTLE_S)
            seen, share = _watch(live, length * 60.0)
        live.end()
        run = read_run(Path(made) / "run")
    lost = sum(gap.stop - gap.start for gap in run.gaps) / run.rate
    print(
        f"{length:g} min: {100 * share:.1f} % of one core with one page open (limit {100 * MOST_CPU:.0f} %)"
    )
    print(f"{len(run.gaps)} gaps, {lost:.2f} s in all; load average at the end {load_average():.1f}")
    for gap in run.gaps:
        print(f"  {(gap.stop - gap.start) / run.rate:.2f} s at {gap.start / run.rate:.0f} s: {gap.reason}")
    code = _memory(seen, length * 60.0)
    return code if share <= MOST_CPU and not run.gaps else 1


def _watch(live: LiveCommand, seconds: float) -> tuple[list[tuple[float, float]], float]:
    """Memory [MB] over time, and the share of one core."""
    seen = []
    before, began = live.used()[0], time.monotonic()
    while (passed := time.monotonic() - began) < seconds:
        time.sleep(min(10.0, max(0.1, seconds - passed)))
        seen.append((time.monotonic() - began, live.used()[1] / MEGABYTE))
    return seen, (live.used()[0] - before) / (time.monotonic() - began)


def pages(n: int, *, seed: int) -> int:
    """Processor with one page and with many, by turns; how far the last page is behind the first."""
    shares: dict[int, list[float]] = {1: [], n: []}
    behind = 0.0
    with (
        room() as server,
        playing(server, made_sound(20.0, seed=seed)),
        tempfile.TemporaryDirectory() as made,
    ):
        live = LiveCommand(Path(made) / "run", server)
        for count in (1, n, 1, n, 1, n):
            open_pages = [Watcher(live.address) for _ in range(count)]
            time.sleep(2.0)
            shares[count].append(_watch(live, 10.0)[1])
            places = [page.now["t"] for page in open_pages]
            behind = max(behind, max(places) - min(places))
            for page in open_pages:
                page.close()
        live.end()
    one, many = (float(np.median(shares[count])) for count in (1, n))
    print(
        f"1 page {100 * one:.1f} %, {n} pages {100 * many:.1f} % of one core: "
        f"{100 * (many - one):+.1f} (limit +{100 * MOST_MORE:.0f})"
    )
    print(f"the slowest of {n} pages was {1000 * behind:.0f} ms behind the first")
    return 0 if many - one <= MOST_MORE and behind < 0.3 else 1


def tablet(*, seed: int) -> int:
    """A page on a processor a quarter as fast, unfolded: the age of its frames, and whether they pile up."""
    with (
        room() as server,
        playing(server, made_sound(20.0, seed=seed)),
        tempfile.TemporaryDirectory() as made,
    ):
        live = LiveCommand(Path(made) / "run", server)
        with chromium() as browser:
            quick, slow = (_opened(browser, live.address, times=times) for times in (1, 4))
            time.sleep(20.0)
            ages = [np.array(page.evaluate("window.ages")) for page in (quick, slow)]
        live.end()
    least = min(age.min() for age in ages)
    for name, age in zip(("as it is", "4 x throttled"), ages, strict=True):
        late = 1000 * (age - least)
        print(
            f"{name}: {age.size / 20:.0f} frames a second, "
            f"age {np.median(late):.0f} ms, 95 % {np.quantile(late, 0.95):.0f} ms"
        )
    third = ages[1].size // 3
    piled = 1000 * float(np.median(ages[1][-third:]) - np.median(ages[1][:third]))
    print(f"4 x throttled, last third against first: {piled:+.0f} ms (backlog would grow; limit 100)")
    return 0 if piled < 100 and np.median(ages[1] - least) < 0.3 else 1


def _opened(browser: Browser, address: str, *, times: int) -> Page:
    context = browser.new_context(viewport={"width": 834, "height": 1112})
    page = context.new_page()
    page.add_init_script(f"({KEEP_AGES})()")
    context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": times})
    page.goto(address)
    page.wait_for_selector("body[data-frames]", timeout=20_000)
    if page.is_hidden("#hold"):
        page.click("#more")
    page.evaluate("window.ages.length = 0")
    return page


@contextmanager
def chromium() -> Iterator[Browser]:
    """A real browser without a window."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser
        browser.close()
