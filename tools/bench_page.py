"""The replay page of half an hour in a real Chromium and Firefox: size, opening, redrawing, playing."""

import argparse
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from listen.show import write_replay_page
from tests.browser.conftest import ARGUMENTS
from tests.browser.firefox import FIREFOX, Firefox
from tests.browser.speeds import FRAMES, REDRAW, Speeds, page_speeds
from tests.record.long_run import write_long_run
from tests.sound_server.server import SoundServer

OPENS_S, REDRAW_MS, MAIN_SHARE, PAGE_MB = 1.0, 5.0, 0.25, 20.0


def main(arguments: list[str]) -> int:
    """Print the figures; 1 where a limit is missed."""
    parser = argparse.ArgumentParser(prog="tools/bench page")
    parser.add_argument("--minutes", type=float, default=30.0)
    minutes = parser.parse_args(arguments).minutes
    with tempfile.TemporaryDirectory() as made, sync_playwright() as playwright:
        run = write_long_run(Path(made) / "run", minutes=minutes)
        path = run.folder / "timeline.html"
        began = time.process_time()
        write_replay_page(run, path)
        print(f"written in {time.process_time() - began:.1f} s processor")
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        size_mb = path.stat().st_size / 1e6
        speeds = page_speeds(chromium, path, Path(made), opens=6)
        print(f"Chromium {chromium.version}, {minutes:g} min, {len(run.contacts)} contacts")
        chromium.close()
        if FIREFOX:
            in_firefox(path, Path(made))
    print(f"page {size_mb:.1f} MB (limit {PAGE_MB:g})")
    return max(int(size_mb > PAGE_MB), tell(speeds))


def in_firefox(path: Path, folder: Path) -> None:
    """Print what Firefox reaches; clock times only, so on a busy machine more than it needs."""
    server = SoundServer(_made(folder / "sound"))
    with Firefox(folder / "firefox", server.environment) as firefox:
        opens = []
        for _ in range(4):
            firefox.open(path)
            opens.append(firefox.run("performance.getEntriesByName('ready')[0].startTime") / 1000)
        redraws = firefox.run(f"({REDRAW})([listenPage.run.duration_s, 60, 0.05])")
        firefox.run("listenPage.player.play(1)")
        firefox.wait_for("listenPage.player.second > 1.2")
        frames = firefox.run(f"({FRAMES})(3)")
    server.stop()
    print(
        f"Firefox: opens in {min(opens):.2f} s clock, redraws whole {redraws[0]:.1f}, "
        f"a minute {redraws[1]:.1f}, 50 ms {redraws[2]:.1f} ms, plays at {frames:.0f} frames/s"
    )


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def tell(speeds: Speeds) -> int:
    """Print what was measured; 1 where a limit is missed."""
    redraws = ", ".join(f"{name} {ms:.1f}" for name, ms in speeds.redraws_ms.items())
    print(
        f"opens in {speeds.opens_processor_s:.2f} s processor (limit {OPENS_S:g}), {speeds.opens_s:.2f} s "
        f"clock, {speeds.drawn_s:.2f} s until drawn; a page as large that does nothing "
        f"{speeds.plain_opens_s:.2f} s"
    )
    print(f"redraws in ms: {redraws} (limit {REDRAW_MS:g}); beside it {speeds.plain_redraw_ms:.1f}")
    print(
        f"plays at {speeds.frames_per_s:.0f} frames/s, an empty page at {speeds.plain_frames_per_s:.0f}; "
        f"main thread {100 * speeds.main_share:.0f} % (limit {100 * MAIN_SHARE:.0f})"
    )
    missed = speeds.opens_processor_s > OPENS_S or max(speeds.redraws_ms.values()) > REDRAW_MS
    return int(missed or speeds.main_share > MAIN_SHARE)
