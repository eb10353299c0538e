"""Live at the machine with real faults: the page's delay, a witness, kills and a disk that fills."""

import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import sync_playwright
from websockets.sync.client import connect
from websockets.typing import Origin

from listen.hear.digital_silence import SILENT_S
from listen.record import read_run
from tests.hear.mtconnect_agent import Agent
from tests.sound_server.server import RATE, SoundServer
from tests.sound_server.test_live_command import address_of

pytestmark = [pytest.mark.sound_server, pytest.mark.closed]
WATCH_LEVEL = """() => {
  window.rises = [];
  let before = -200;
  const socket = new WebSocket(`ws://${location.host}/live`);
  socket.addEventListener("message", (event) => {
    const {now} = JSON.parse(event.data);
    if (!now) return;
    const level = now.level_db ?? -200;
    if (level > -40 && before <= -40) {
      requestAnimationFrame(() => window.rises.push(performance.timeOrigin + performance.now()));
    }
    before = level;
  });
}"""


def live(out: Path, *more: str) -> "subprocess.Popen[str]":
    command = [sys.executable, "-m", "listen.cli", "live", "--out", str(out), "--device", "pulse"]
    return subprocess.Popen(
        [*command, "--rate", str(RATE), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_until_heard(address: str) -> None:
    """Until the page says that the microphone gives sound: the run's time begins there."""
    host = address.removeprefix("http://").rstrip("/")
    with connect(f"ws://{host}/live", origin=Origin(f"http://{host}"), max_size=None) as socket:
        while not json.loads(socket.recv(timeout=15)).get("now", {}).get("listening"):
            pass


def ended(process: "subprocess.Popen[str]") -> str:
    process.send_signal(signal.SIGINT)
    said, complaint = process.communicate(timeout=30)
    assert process.returncode in (0, 1), complaint
    return said + complaint


def test_a_sound_in_the_room_is_drawn_within_150_ms(sound_server: SoundServer, tmp_path: Path) -> None:
    """Median over bursts; measured from when a burst leaves the player, its own delay included."""
    process = live(tmp_path / "run")
    address = address_of(process)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page()
        page.goto(address)
        page.wait_for_selector("body[data-frames]", timeout=10_000)
        page.evaluate(WATCH_LEVEL)
        player = subprocess.Popen(
            ["pacat", "--raw", "--format=s16le", f"--rate={RATE}", "--channels=1", "--latency-msec=10"],
            env=sound_server.environment,
            stdin=subprocess.PIPE,
        )
        assert player.stdin is not None
        sent = []
        quiet, loud = np.zeros(480, dtype="<i2"), np.full(480, 16000, dtype="<i2")
        began = time.monotonic()
        for k in range(800):  # 10 ms at a time, in real time; a burst every second
            player.stdin.write((loud if k % 100 >= 85 else quiet).tobytes())
            player.stdin.flush()
            if k % 100 == 85:
                sent.append(1000.0 * time.time())
            time.sleep(max(0.0, began + 0.01 * (k + 1) - time.monotonic()))
        player.stdin.close()
        player.wait(10)
        drawn = page.evaluate("window.rises")
        browser.close()
    ended(process)
    delays = [min(d for d in drawn if d > at) - at for at in sent if any(at < d < at + 950 for d in drawn)]
    print(f"sound to drawn frame: median {np.median(delays):.0f} ms of {len(delays)}")
    assert len(delays) >= 6
    assert np.median(delays) <= 150.0


def test_an_agent_s_hold_and_override_are_marks_of_the_run(sound_server: SoundServer, tmp_path: Path) -> None:
    agent = Agent()
    process = live(tmp_path / "run", "--mtconnect", agent.url)
    wait_until_heard(address_of(process))
    for item, value in (("exec", "ACTIVE"), ("ovr", "20"), ("load", "7"), ("exec", "FEED_HOLD")):
        time.sleep(0.7)
        agent.put(item, value)
    time.sleep(0.7)
    ended(process)
    agent.stop()
    run = read_run(tmp_path / "run")
    assert [str(mark.kind) for mark in run.marks] == ["cycle start", "feed override", "hold"]
    assert [sample.percent for sample in run.loads] == [7.0]
    gaps = np.diff([mark.at for mark in run.marks]) / run.rate
    np.testing.assert_allclose(gaps, [0.7, 1.4], rtol=0, atol=0.15)


def test_a_microphone_that_was_muted_for_a_while_is_told_when_the_run_has_ended(
    sound_server: SoundServer, tmp_path: Path
) -> None:
    player = sound_server.play(np.random.default_rng(1).normal(0.0, 0.05, 30 * RATE))
    process = live(tmp_path / "run")
    wait_until_heard(address_of(process))
    time.sleep(1.5)
    sound_server.mute(True)
    time.sleep(2.5)
    sound_server.mute(False)
    time.sleep(1.5)
    said = " ".join(ended(process).split())
    assert re.search(r"no sound for \d\.\d s: nothing but zeros came: the microphone was muted", said)
    player.kill()
    player.wait()
    (gap,) = read_run(tmp_path / "run").gaps
    assert (gap.stop - gap.start) / RATE == pytest.approx(2.5 - SILENT_S, abs=0.4)


def test_a_run_that_is_killed_opens_and_lost_at_most_a_second(
    sound_server: SoundServer, tmp_path: Path
) -> None:
    rng = random.Random(5)
    for k in range(3):
        out = tmp_path / f"run{k}"
        process = live(out)
        wait_until_heard(address_of(process))
        began = time.monotonic()
        time.sleep(1.5 + rng.random())
        process.kill()
        lasted = time.monotonic() - began
        process.communicate()
        run = read_run(out)
        assert not run.complete
        assert lasted - run.duration / run.rate <= 1.1


def test_a_disk_that_fills_stops_the_recording_and_says_so(sound_server: SoundServer, tmp_path: Path) -> None:
    """A file-size limit of the process stands for a full disk: the writes fail, nothing else does."""
    out = tmp_path / "run"
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000)); "
        "from listen.cli import main; sys.exit(main(sys.argv[1:]))"
    )
    noise = np.random.default_rng(1).normal(0.0, 0.1, 6 * RATE)
    command = [sys.executable, "-c", code, "live", "--out", str(out), "--device", "pulse"]
    process = subprocess.Popen(
        [*command, "--rate", str(RATE)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    address_of(process)
    sound_server.play(noise).wait(30)
    process.send_signal(signal.SIGINT)
    said, complaint = process.communicate(timeout=30)
    assert process.returncode in (0, 1), complaint
    assert re.search("recording (stopped at|was cut off)", said + complaint)
    run = read_run(out)
    assert run.duration > 0
    assert json.loads((out / "decisions.jsonl").read_text().splitlines()[0])["type"] == "header"
