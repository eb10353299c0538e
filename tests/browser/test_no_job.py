"""A run without a job: what was heard is listed, played and corrected; empty tables say why."""

from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import BrowserContext

from listen.blocks import Block
from listen.record import RunWriter, Stretch, read_labels
from listen.show import write_replay_page
from listen.states import Event, State
from tests.browser.conftest import open_page

pytestmark = [pytest.mark.browser, pytest.mark.closed]


def test_empty_tables_of_contacts_say_why(context: BrowserContext, tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", rate=8000, live=False, sound="none") as writer:
        writer.push(Block(samples=np.zeros(16000), start=0, rate=8000))
        run = writer.finish()
    page = tmp_path / "page.html"
    write_replay_page(run, page)
    said: list[str] = []
    opened = open_page(context, page, said)
    for rows in ("#contact-rows", "#record-heard"):
        assert "no contact was expected" in (opened.text_content(rows) or "")
    assert said == []


def test_what_was_heard_is_listed_and_corrected_without_a_job(
    context: BrowserContext, tmp_path: Path
) -> None:
    """Two contacts of a recording that nobody has a program of; the first one began later."""
    edges = [(State.ENTRY, 0.5, 0.99), (State.AIR, 0.9, 0.9), (State.ENTRY, 1.2, 0.7), (State.AIR, 1.5, 0.9)]
    with RunWriter(tmp_path / "run", rate=8000, live=False, sound="flac") as writer:
        writer.push(Block(samples=np.full(16000, 0.01), start=0, rate=8000))
        for state, at_s, probability in edges:
            at = round(at_s * 8000)
            writer.push(Event(state=state, at=at, decided_at=at + 800, probability=probability))
        run = writer.finish()
    write_replay_page(run, tmp_path / "page.html")
    said: list[str] = []
    page = open_page(context, tmp_path / "page.html", said)
    rows = [row.inner_text().split("\t") for row in page.locator("#contact-rows tr").all()]
    told = [[cell.strip() for cell in row if cell.strip() not in ("Play", "\u2013", "")] for row in rows]
    assert told == [
        ["contact 1", "heard", "sure", "0:00.50 to 0:00.90"],
        ["contact 2", "heard", "likely", "0:01.20 to 0:01.50"],
    ]
    page.click("#correct summary")
    page.fill("#fix-from", "0.6")
    page.fill("#fix-by", "AB")
    with page.expect_download() as download:
        page.click("#fix-save")
    labels = read_labels(Path(download.value.path()))
    assert [(one.id, one.by_hand, one.corrected) for one in labels.contacts] == [
        (1, True, Stretch(onset=4800, offset=7200)),
        (2, False, Stretch(onset=9600, offset=12000)),
    ]
    assert said == []
