"""A run without a job: tables that would be empty say why, and where to look."""

from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import BrowserContext

from listen.blocks import Block
from listen.record import RunWriter
from listen.show import write_replay_page
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
