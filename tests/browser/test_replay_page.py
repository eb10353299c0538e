"""The replay page in a real browser, opened from disk, network off, strict security policy."""

import pytest
from playwright.sync_api import Page

pytestmark = [pytest.mark.browser, pytest.mark.closed]


def test_the_page_opens_with_the_sentence_first(opened: Page) -> None:
    heading = opened.locator("h1").inner_text()
    assert (
        heading == "3 expected, 1 heard as expected, 1 started early (N70), 1 not heard (N80), 0 cannot tell"
    )
    fixed = opened.locator(".fixed").inner_text()
    assert fixed == "This screen cannot stop the machine. Watch the machine."


def test_the_tables_say_it_all_in_words(opened: Page) -> None:
    row = opened.locator("#contact-rows tr").nth(1).inner_text()
    for words in ("N70", "T1", "0:08.00 to 0:10.00", "0:07.50 to 0:10.00", "started early", "5.0 mm before"):
        assert words in row
    assert opened.locator("#flag-rows tr").count() == 2
