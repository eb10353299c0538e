"""Before a run: kind and what is kept are asked for on a real page; wrong input is one line."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, sync_playwright

from listen.record import read_header, read_run
from tests.sound_server.server import RATE, SoundServer
from tests.sound_server.test_live_command import JOB, address_of
from tests.sound_server.test_live_faults import ended, live

pytestmark = [pytest.mark.sound_server, pytest.mark.closed]


def launched(playwright: "object") -> Browser:
    browser: Browser = playwright.chromium.launch(  # type: ignore[attr-defined]
        executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
    )
    return browser


def test_kind_and_what_is_kept_are_chosen_on_the_page(sound_server: SoundServer, tmp_path: Path) -> None:
    out = tmp_path / "run"
    process = live(out, str(JOB), "--ask")
    address = address_of(process)
    with sync_playwright() as playwright:
        browser = launched(playwright)
        page = browser.new_page()
        page.goto(address)
        page.wait_for_selector("#start:not([hidden])", timeout=10_000)
        assert page.is_checked("[name=kind][value='first cut']")  # the job's own kind
        assert page.is_checked("[name=keep][value=sound]")
        assert not out.exists()  # nothing is recorded before the answer
        page.focus("[name=kind][value='first cut']")
        page.keyboard.press("ArrowUp")  # the keyboard alone will do
        page.check("[name=keep][value=features]")
        page.keyboard.press("Enter")
        page.wait_for_selector("#start", state="hidden", timeout=5_000)
        page.wait_for_selector("#ear-more:has-text('nothing but zeros: is it muted?')", timeout=10_000)
        hum = sound_server.play(0.01 * np.random.default_rng(1).standard_normal(4 * RATE))
        page.wait_for_selector("#ear-more:has-text('measured levels, no sound')", timeout=10_000)
        page.wait_for_timeout(1000)
        hum.kill()
        hum.wait()
        browser.close()
    said = ended(process)
    assert "Raised dry run. This records decisions and measured levels, no sound" in said
    run = read_run(out)
    assert run.header.kind == "raised dry run"
    assert run.sound_path is None
    assert 0.5 <= run.duration / run.rate <= 10.0


def test_the_same_is_typed_in_the_terminal(sound_server: SoundServer, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "listen.cli", "live", str(JOB), "--out", str(tmp_path / "run")]
    done = subprocess.run(
        [*command, "--device", "pulse", "--rate", str(RATE), "--ask", "--seconds", "1.5"],
        input="repeat\n9\n4\n",
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode in (0, 1), done.stderr
    assert "one of 1 to 4, please" in done.stdout
    assert "Repeat. This records decisions only" in done.stdout
    assert read_header(tmp_path / "run").kind == "repeat"
    assert not list((tmp_path / "run").glob("sound*"))


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["gone.toml"], "gone.toml"),
        ([str(JOB), "--device", "attic"], "attic"),
        ([str(JOB), "--kind", "first cutt"], "did you mean 'first cut'"),
        (["--kind", "repeat"], "needs a job"),
        ([str(JOB), "--keep", "voices"], "one of sound, small, features, decisions, got 'voices'"),
        ([str(JOB), "--out", "/proc/run"], "/proc"),
        ([str(JOB), "--channel", "40"], "channel 40"),
        ([str(JOB), "--rate", "100"], "100"),
        ([str(JOB), "--port", "70000"], "70000"),
        ([str(JOB), "--mqtt", "nowhere"], "host:port/topic"),
    ],
)
def test_wrong_input_is_one_line_and_leaves_nothing(
    sound_server: SoundServer, tmp_path: Path, words: list[str], complaint: str
) -> None:
    command = [sys.executable, "-m", "listen.cli", "live", "--seconds", "1", *words]
    if "--device" not in words:
        command += ["--device", "pulse"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False, timeout=60)
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert complaint in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.glob("run*")) == []
