"""The look of the pages: contrast in both themes, one file, nothing from outside."""

import re

import pytest

from listen.show.contract import FIXED_LINE
from listen.show.page import bundle, one_file, static_text

SHEETS = {"light": 0, "dark": 1}
ON_PAPER = ("ink", "soft", "expect", "hear", "flag")


def colours(scheme: int) -> dict[str, str]:
    """The custom properties of a theme, from the style sheet itself."""
    blocks = re.findall(r":root \{([^}]*)\}", static_text("look.css"))
    return dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6})", blocks[scheme]))


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it ("relative luminance", note 1)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it ("contrast ratio")."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.reference
def test_contrast_of_black_on_white_is_21() -> None:
    """WCAG 2.2: contrast ratios range from 1 to 21."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # well known, from memory


@pytest.mark.reference
@pytest.mark.parametrize("scheme", SHEETS.values(), ids=SHEETS.keys())
def test_text_has_the_contrast_of_level_aa(scheme: int) -> None:
    """WCAG 2.2, success criterion 1.4.3: at least 4.5 : 1 for text, 1.4.11: 3 : 1 for graphics."""
    theme = colours(scheme)
    for name in ON_PAPER:
        for ground in ("paper", "raised", "wash"):
            assert contrast(theme[name], theme[ground]) >= 4.5, (name, ground)
    assert contrast(theme["ink"], theme["press"]) >= 4.5
    assert contrast(theme["paper"], theme["ink"]) >= 4.5
    assert contrast(theme["paper"], theme["flag"]) >= 4.5


@pytest.mark.closed
def test_one_file_asks_nothing_of_the_outside() -> None:
    script = bundle("replay.js")
    assert not re.search(r"^\s*(import|export)\b", script, re.MULTILINE)
    page = one_file(
        title="<&>",
        body="",
        script=script,
        style=static_text("look.css"),
        data={"text": "</script>"},
        binaries={},
    )
    assert "</script>" not in page.split('id="data">')[1].split("</script>")[0]
    assert "<title>&lt;&amp;&gt;</title>" in page
    assert "default-src 'none'" in page
    assert not re.search(r"(src|href)=\"?https?:", page)
    assert "http" not in script


@pytest.mark.closed
def test_the_fixed_line_is_said_alike_everywhere() -> None:
    assert FIXED_LINE in static_text("replay.html")
    assert FIXED_LINE in static_text("words.js")
