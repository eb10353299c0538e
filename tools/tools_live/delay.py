"""From sound to screen: a burst to its drawn frame, first contact to the word CONTACT.

When a sound was in the room is what a witness says that listens to the same sound server: a player
that starves for a moment is late from then on, which no microphone is.
"""

import io
import itertools
import math
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import Browser, Page
from scipy.signal import correlate

from listen.synth import EVALUATION_RANGES, draw_clip
from tests.sound_server.server import RATE, SoundServer
from tools.tools_live.room import LiveCommand, load_average, room
from tools.tools_live.soak import chromium

DRAWN_MS = 150.0
ENTRY_MS = 200.0
LATEST_MS = 1000.0  # a drawing later than this belongs to nothing that was played
PIECE = RATE // 100
BURST_EVERY = 150  # pieces
NEAR_S = 2.0
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
    """Both delays, with a real page."""
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
        f"{entries.size} of {n_contacts} shown within {LATEST_MS:.0f} ms (limit {ENTRY_MS:.0f})"
    )
    print(f"load average {load_average():.1f}")
    return 0 if frame_ms <= DRAWN_MS and entry_ms <= ENTRY_MS else 1


@contextmanager
def _watched(live: LiveCommand, browser: Browser) -> Iterator[Page]:
    """A page that notes when it draws; the run ends with it."""
    page = browser.new_page()
    page.add_init_script(f"({WATCH})()")
    page.goto(live.address)
    page.wait_for_selector("body[data-frames]", timeout=20_000)
    yield page
    page.close()
    live.end()


def _bursts(server: SoundServer, page: Page) -> NDArray[np.float64]:
    """A burst of noise of 150 ms every second and a half."""
    loud = np.arange(20 * RATE) // PIECE % BURST_EVERY >= BURST_EVERY - 15
    noise = 0.3 * np.random.default_rng(1).standard_normal(loud.size)
    starts = [PIECE * piece for piece in range(BURST_EVERY - 15, 20 * 100, BURST_EVERY)]
    return _after(_played(server, np.where(loud, noise, 0.0), starts), page.evaluate("window.rises"))


def _entries(
    server: SoundServer, browser: Browser, out: Path, samples: NDArray[np.float64], starts: list[int]
) -> tuple[NDArray[np.float64], int]:
    """Contacts of an invented machine that runs already when the listening begins."""
    with ThreadPoolExecutor(1) as pool:
        playing = pool.submit(_played, server, samples, starts)
        with _watched(LiveCommand(out, server), browser) as page:
            while not playing.done():
                page.wait_for_timeout(200)
            shown = page.evaluate("window.entries")
    return _after(playing.result(), shown), len(starts)


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


def _played(server: SoundServer, samples: NDArray[np.float64], starts: list[int]) -> list[float]:
    """Play in real time; when each start was in the room [ms since 1970]."""
    words = ["pacat", "--raw", "--format=s16le", f"--rate={RATE}", "--channels=1", "--latency-msec=10"]
    data = np.round(32767.0 * samples.clip(-1.0, 1.0)).astype("<i2")
    with (
        _Witness(server) as witness,
        subprocess.Popen(words, env=server.environment, stdin=subprocess.PIPE) as player,
    ):
        assert player.stdin is not None
        began = time.monotonic()
        for k in range(data.size // PIECE):
            player.stdin.write(data[k * PIECE : (k + 1) * PIECE].tobytes())
            player.stdin.flush()
            time.sleep(max(0.0, began + 0.01 * (k + 1) - time.monotonic()))
        player.stdin.close()
        player.wait(10)
        time.sleep(LATEST_MS / 1000.0)
    return [witness.heard_ms(data[start : start + RATE // 10]) for start in starts]


class _Witness:
    """Notes what the sound server gives, and when: the least that anybody who listens is behind."""

    def __init__(self, server: SoundServer) -> None:
        words = ["parec", "--raw", "--format=s16le", f"--rate={RATE}", "--channels=1", "--latency-msec=10"]
        self._process = subprocess.Popen(
            [*words, "-d", "mill.monitor"], env=server.environment, stdout=subprocess.PIPE
        )
        self._data: list[bytes] = []
        self._came: list[tuple[float, int]] = []  # [ms since 1970], samples until then
        self._thread = threading.Thread(target=self._note, daemon=True)

    def __enter__(self) -> "_Witness":
        self._thread.start()
        while not self._came:
            time.sleep(0.01)
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._thread.join()
        self._process.wait()

    def _note(self) -> None:
        source, n_bytes = self._process.stdout, 0
        assert isinstance(source, io.BufferedReader)
        while data := source.read1():
            n_bytes += len(data)
            self._data.append(data)
            self._came.append((1000.0 * time.time(), n_bytes // 2))

    def heard_ms(self, sound: NDArray[np.int16]) -> float:
        """When the first sample of a sound came [ms since 1970]."""
        heard = np.frombuffer(b"".join(self._data)[: 2 * self._came[-1][1]], dtype="<i2").astype(float)
        place = int(np.argmax(_alike(heard, sound.astype(float))))
        came = np.array(self._came)
        near = came[np.abs(came[:, 1] - place) < NEAR_S * RATE]
        return float((near[:, 0] - 1000.0 * near[:, 1] / RATE).min() + 1000.0 * place / RATE)


def _alike(heard: NDArray[np.float64], sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """How like a sound each stretch of what was heard is, 1 for the same, shape (n_heard - n_sound + 1,)."""
    energy = np.cumsum(np.concatenate([[0.0], np.square(heard)]))
    power = np.maximum(energy[sound.size :] - energy[: -sound.size], 1.0)
    product: NDArray[np.float64] = correlate(heard, sound, mode="valid", method="fft")
    return product / np.sqrt(power * np.dot(sound, sound))


def _after(sent: list[float], drawn: list[float]) -> NDArray[np.float64]:
    """How long after each it was first drawn [ms]; nothing where it was not."""
    waits = [min((at - one for at in drawn if one - 20 < at < one + LATEST_MS), default=None) for one in sent]
    return np.array([wait for wait in waits if wait is not None])
