"""From sound to screen: a burst to its drawn frame, first contact to the word CONTACT."""

import itertools
import math
import subprocess
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import Browser, Page

from listen.synth import EVALUATION_RANGES, draw_clip
from tests.sound_server.server import RATE, SoundServer
from tools.tools_live.room import LiveCommand, load_average, room
from tools.tools_live.soak import chromium

DRAWN_MS = 150.0
ENTRY_MS = 200.0
PIECE = RATE // 100
SETTLED_S = 12.0  # until the command listens and has heard some air
WATCH = """() => {
  window.rises = [];
  window.entries = [];
  let [level, state] = [-200, null];
  const Plain = WebSocket;
  window.WebSocket = class extends Plain {
    constructor(...words) {
      super(...words);
      this.addEventListener("message", (event) => {
        const {now} = JSON.parse(event.data);
        if (!now) return;
        const clock = () => performance.timeOrigin + performance.now();
        const drawn = (list) => requestAnimationFrame(() => list.push(clock()));
        if ((now.level_db ?? -200) > -40 && level <= -40) drawn(window.rises);
        if (now.state === "entry" && state !== "entry") drawn(window.entries);
        [level, state] = [now.level_db ?? -200, now.state];
      });
    }
  };
}"""


def delays(*, seed: int) -> int:
    """Both delays, with a real page; the player's own delay is in them."""
    with room() as server, tempfile.TemporaryDirectory() as made, chromium() as browser:
        with _watched(LiveCommand(Path(made) / "bursts", server), browser) as page:
            time.sleep(5.0)
            drawn = _bursts(server, page)
        shown = [
            _entries(server, browser, Path(made) / f"run{k}", *clip)
            for k, clip in enumerate(_clips(seed, n=2))
        ]
    entries, n_contacts = np.concatenate([waits for waits, _ in shown]), sum(n for _, n in shown)
    frame_ms, entry_ms = (float(np.median(times)) if times.size else math.inf for times in (drawn, entries))
    print(f"sound to drawn frame: median {frame_ms:.0f} ms of {drawn.size} (limit {DRAWN_MS:.0f})")
    print(
        f"first contact to CONTACT on the page: median {entry_ms:.0f} ms, "
        f"{entries.size} of {n_contacts} shown within half a second (limit {ENTRY_MS:.0f})"
    )
    print(f"load average {load_average():.1f}")
    return 0 if frame_ms <= DRAWN_MS and entry_ms <= ENTRY_MS else 1


@contextmanager
def _watched(live: LiveCommand, browser: Browser) -> Iterator[Page]:
    """A page that notes when it draws; the run ends with it."""
    page = browser.new_page()
    page.add_init_script(f"({WATCH})()")
    page.goto(live.address)
    page.wait_for_selector("body[data-ear=on]", timeout=20_000)
    yield page
    page.close()
    live.end()


def _bursts(server: SoundServer, page: Page) -> NDArray[np.float64]:
    """A burst of 150 ms every half second."""
    loud = (np.arange(10 * RATE) // PIECE) % 50 >= 35
    began = _play(server, np.where(loud, 0.5, 0.0))
    sent = [began + 10.0 * piece for piece in range(35, 1000, 50)]
    return _after(sent, page.evaluate("window.rises"))


def _entries(
    server: SoundServer, browser: Browser, out: Path, samples: NDArray[np.float64], starts: list[int]
) -> tuple[NDArray[np.float64], int]:
    """Contacts of an invented machine that runs already when the listening begins."""
    with ThreadPoolExecutor(1) as pool:
        playing = pool.submit(_play, server, samples)
        with _watched(LiveCommand(out, server), browser) as page:
            while not playing.done():
                page.wait_for_timeout(200)
            shown = page.evaluate("window.entries")
    sent = [playing.result() + 1000.0 * start / RATE for start in starts]
    return _after(sent, shown), len(sent)


def _clips(seed: int, *, n: int) -> Iterator[tuple[NDArray[np.float64], list[int]]]:
    """Clips of a minute with four contacts or more that stand 12 dB over the air before them."""
    found = 0
    for k in itertools.count(seed):
        made = draw_clip(np.random.default_rng(k), ranges=EVALUATION_RANGES, rate=RATE, duration_s=60.0)
        ends = [0, *(contact.stop for contact in made.truth.contacts)]
        starts = [
            contact.start
            for before, contact in zip(ends, made.truth.contacts, strict=False)
            if contact.snr_db >= 12.0
            and contact.start - before > RATE // 2
            and contact.start > SETTLED_S * RATE
        ]
        if len(starts) >= 4:
            yield made.samples, starts
            found += 1
        if found == n:
            return


def _play(server: SoundServer, samples: NDArray[np.float64]) -> float:
    """Play in real time, a piece when it is due; when the first was sent [ms since 1970]."""
    words = ["pacat", "--raw", "--format=s16le", f"--rate={RATE}", "--channels=1", "--latency-msec=10"]
    data = np.round(32767.0 * samples.clip(-1.0, 1.0)).astype("<i2")
    with subprocess.Popen(words, env=server.environment, stdin=subprocess.PIPE) as player:
        assert player.stdin is not None
        began, began_ms = time.monotonic(), 1000.0 * time.time()
        for k in range(data.size // PIECE):
            player.stdin.write(data[k * PIECE : (k + 1) * PIECE].tobytes())
            player.stdin.flush()
            time.sleep(max(0.0, began + 0.01 * (k + 1) - time.monotonic()))
        player.stdin.close()
    time.sleep(0.6)
    return began_ms


def _after(sent: list[float], drawn: list[float]) -> NDArray[np.float64]:
    """The first drawing within half a second of each."""
    waits = [min((at - one for at in drawn if one - 20 < at < one + 500), default=None) for one in sent]
    return np.array([wait for wait in waits if wait is not None])
