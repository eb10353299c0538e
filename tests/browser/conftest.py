"""A real Chromium, with the network off."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from listen.record import Run
from listen.show import write_replay_page
from tests.record.made_run import write_made_run

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required"]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One browser a file; while it lives an event loop runs in this thread, which other tests cannot have."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def made_run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The invented run, with its page beside it, and a louder run as its reference."""
    folder = tmp_path_factory.mktemp("runs")
    run = write_made_run(folder / "made run", rate=16000, sound="opus")
    reference = write_made_run(folder / "reference", rate=16000, seed=2, louder_db=6.0)
    write_replay_page(run, run.folder / "timeline.html", reference=reference)
    return run


@pytest.fixture
def context(chromium: Browser) -> Iterator[BrowserContext]:
    """A fresh context that cannot reach any network."""
    context = chromium.new_context(viewport={"width": 1366, "height": 768}, offline=True)
    yield context
    context.close()


@pytest.fixture
def opened(context: BrowserContext, made_run: Run) -> Iterator[Page]:
    """The page opened from disk; fails where anything was said on the console or asked of a network."""
    said: list[str] = []
    yield open_page(context, made_run.folder / "timeline.html", said)
    assert said == []


def open_page(context: BrowserContext, path: Path, said: list[str]) -> Page:
    """Open a page from disk, and note all that it says on the console or asks of a network."""
    page = context.new_page()
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: said.append(request.url) if request.url.startswith("http") else None)
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]", timeout=10_000)
    return page
