"""The docs lead somewhere, and name only commands that there are."""

import re
from pathlib import Path

import pytest

from listen.cli import FINE, main

pytestmark = pytest.mark.closed
ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted(
    [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *(ROOT / "recordings_synthetic").glob("*.md")]
)
LINK = re.compile(r"\]\(([^)#]+)(?:#[^)]*)?\)")
VERB = re.compile(r"cut-listen ((?:runs )?[a-z]+)\b")


@pytest.mark.parametrize("page", PAGES, ids=[str(page.relative_to(ROOT)) for page in PAGES])
def test_links_lead_somewhere(page: Path) -> None:
    links = [link for link in LINK.findall(page.read_text()) if not link.startswith("http")]
    gone = [link for link in links if not (page.parent / link).exists()]
    assert gone == []


def test_every_command_named_in_the_docs_exists(capsys: pytest.CaptureFixture[str]) -> None:
    named = {verb for page in PAGES for line in _code(page.read_text()) for verb in VERB.findall(line)}
    assert {"demo", "replay"} <= named
    for verb in sorted(named):
        assert main([*verb.split(), "--help"]) == FINE, verb
    capsys.readouterr()


def _code(text: str) -> list[str]:
    """Lines between fences, and what stands in backquotes."""
    parts = text.split("```")
    return [line for part in parts[1::2] for line in part.splitlines()] + re.findall(
        r"`([^`\n]+)`", " ".join(parts[::2])
    )
