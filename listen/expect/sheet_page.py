"""The first-run sheet as one page: opens with the network off, prints on A4, has room to write."""

import re
from collections.abc import Iterable
from html import escape

from listen.expect.drawing import first_touch, plan
from listen.expect.sheet import Sheet
from listen.expect.sheet_programs import program_lines
from listen.expect.sheet_words import (
    FIXED,
    HOW_TO_READ,
    RULES_FIRST,
    UNCHECKED,
    Shown,
    clock_text,
    coming,
    figure_cells,
    figure_heads,
    first_where,
    look_text,
    setup_facts,
    tool_cells,
    wrong_and_unchecked,
)
from listen.job import Job

_SIGNED = re.compile(r"(?<![\w-])[^\W\d_]?-\.?\d[\d.]*")
_STYLE = """
@page { size: A4; margin: 12mm }
:root { color-scheme: light }
body { font: 10.5pt/1.35 system-ui, sans-serif; color: #000; background: #fff;
  max-width: 186mm; margin: 0 auto; padding: 4mm }
h1 { font-size: 15pt; margin: 0 }
h2 { font-size: 12pt; margin: 4mm 0 1mm; border-bottom: 0.4mm solid #000 }
p { margin: 1mm 0 }
.fixed { font-weight: bold; border: 0.6mm solid #000; padding: 1mm 2mm; margin: 2mm 0 }
.warnings li, .unchecked li { margin-bottom: 1mm }
.warnings b::before { content: "! " }
.unchecked { font-size: 8.5pt; margin: 0 }
.unchecked b::before { content: "? " }
table {
  border-collapse: collapse; width: 100%; margin: 1mm 0;
  break-inside: avoid-page; font-variant-numeric: tabular-nums }
th, td { text-align: left; padding: 0.4mm 1.5mm; border-bottom: 0.2mm solid #888;
  vertical-align: top; font-size: 9.5pt }
th { font-weight: 600 }
td.n, th.n { text-align: right }
.pair { display: flex; gap: 4mm; align-items: flex-start }
.pair > svg { flex: none }
.pair > div { flex: 1 }
.signed { white-space: nowrap }
.words { font-size: 8.5pt }
.files { font-size: 8.5pt; overflow-wrap: anywhere }
.touch { break-inside: avoid-page }
.shows { font-size: 15pt; font-weight: bold; font-variant-numeric: tabular-nums }
svg { border: 0.2mm solid #888; background: #fff }
svg text { font-family: system-ui, sans-serif; fill: #000 }
.stock { fill: #ddd; stroke: #000 }
.kept { fill: none; stroke: #000; stroke-dasharray: 2 1 }
.tool { fill: #fff; stroke: #000 }
.zero { fill: none; stroke: #000 }
circle.touch { fill: #000 }
.write { border-bottom: 0.3mm solid #000; display: inline-block; min-width: 24mm; height: 5mm }
@media screen and (max-width: 600px) {
  .pair { display: block }
  table { display: block; overflow-x: auto }
}
"""


def sheet_page(sheet: Sheet, job: Job, *, figures: bool = False) -> str:
    """The whole page as text of an HTML file.

    Parameters
    ----------
    sheet : Sheet
    job : Job
        For the shapes of its tools.
    figures : bool
        Add chip, force, power and load of each contact.
    """
    shown = Shown(sheet)
    title = f"First-run sheet: {sheet['program']}"
    parts = [
        f"<h1>{_text(title)}</h1><p>{_text(sheet['kind'])}, feed override {sheet['feed_override']:g} %, "
        f"rapid override {sheet['rapid_override']:g} % at the start</p>",
        f'<p class="fixed">{_text(FIXED)}</p>',
        _warnings(sheet, shown),
        _setup(sheet, shown, job),
        *(_touch(touch, sheet, shown, job) for touch in sheet["first_touches"]),
        _passes(sheet, shown),
    ]
    if figures:
        parts.append(_figures(sheet, shown))
    parts.append(_to_write())
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>\n"
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


def _text(text: str) -> str:
    """Text as markup; no line breaks between a sign and its number, where a browser would break "Z-4.2"."""
    return _SIGNED.sub(r'<span class="signed">\g<0></span>', escape(text))


def _table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    head = "".join(f"<th>{_text(h)}</th>" for h in heads)
    body = "".join("<tr>" + "".join(f"<td>{_text(c)}</td>" for c in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _warnings(sheet: Sheet, shown: Shown) -> str:
    wrong, unchecked = wrong_and_unchecked(sheet)
    none = "" if wrong else "None found; that is not a permission. "
    more = f"<p>{none}<b>{UNCHECKED}:</b></p>" if unchecked else f"<p>{none}</p>"
    return (
        f"<h2>Warnings</h2>{_cautions('warnings', wrong, shown)}{more}"
        f"{_cautions('unchecked', unchecked, shown)}"
    )


def _cautions(name: str, cautions: list[Sheet], shown: Shown) -> str:
    items = "".join(
        f"<li><b>{_text(shown.of_warning(one) + one['text'])}</b><br>{_text(one['remedy'])}</li>"
        for one in cautions
    )
    return f'<ul class="{name}">{items}</ul>' if items else ""


def _setup(sheet: Sheet, shown: Shown, job: Job) -> str:
    heads = ("T", "H", "D", "kind", f"⌀ {shown.unit}", "flutes", "lowest Z", "chip from")
    rows = []
    for tool in sheet["tools"]:
        *before, _, lowest, least = tool_cells(tool, shown)
        rows.append((*before, lowest, least, "", ""))
    lines = "".join(f"<p>{_text(fact)}</p>" for fact in setup_facts(sheet, shown))
    stocks = sheet["setup"]["stock"]
    plans = "".join(plan(sheet, stock, job.keep_outs_under(stock["offset"]) or ()) for stock in stocks)
    programs = sheet["setup"]["programs"]
    files = "<br>".join(_text(row) for item in programs for row in program_lines(item, shown))
    return (
        f'<h2>Is this my set-up?</h2><div class="pair"><div>{plans}</div><div>{lines}</div></div>'
        f'<p class="files">{files}</p>{_table((*heads, "length, measured", "initials"), rows)}'
    )


def _touch(touch: Sheet, sheet: Sheet, shown: Shown, job: Job) -> str:
    tool = job.tool(touch["tool"])
    assert tool is not None
    stock = next(s for s in sheet["setup"]["stock"] if s["offset"] == touch["offset"])
    drawn = first_touch(touch, stock, tool, f"Z{shown.length(touch['shows'][2])}")
    ladder = _table(
        (f"left, {shown.unit}", "position shown", "to go in block", "move", "override at most", "read"),
        [
            (
                shown.length(r["left"], 2),
                shown.moving(r["shows"], touch["shows"]),
                shown.moving(r["to_go"], (0.0, 0.0, 0.0)),
                "rapid" if r["rapid"] else "feed",
                f"{r['highest_override']:.0f} %" if r["highest_override"] is not None else "too near",
                "spindle stopped, compare gap:" if r["compare"] else "",
            )
            for r in touch["ladder"]
        ],
    )
    if not touch["ladder"]:
        ladder = "<p>On the way there is no place to hold: check height and length before this block.</p>"
    return (
        f'<section class="touch"><h2>T{tool.number} {_text(tool.kind)} ⌀{shown.length(tool.diameter)}: '
        f"first touch {_text(first_where(touch, sheet))}</h2>"
        f'<div class="pair">{drawn}<div><p>The control shows ({_text(touch["offset"])}, {coming(touch)})</p>'
        f'<p class="shows">{_text(shown.place(touch["shows"]))}</p>'
        f"<p>You will hear: {_text(touch['hears'])}; {_text(touch['audible'])}</p>"
        f"<p>Look {_text(look_text(touch['look'], shown))}</p></div></div>{ladder}</section>"
    )


def _passes(sheet: Sheet, shown: Shown) -> str:
    rows = [
        (
            str(p["id"]),
            str(p["tool"]),
            p["name"],
            shown.stretch(*p["blocks"]),
            str(len(p["contacts"])),
            clock_text(p["start_s"]),
            clock_text(p["stop_s"]),
            p["audible"],
            "",
        )
        for p in sheet["passes"]
    ]
    times = ", ".join(f"{t['override']} %: {clock_text(t['seconds'])}" for t in sheet["times"])
    heads = ("pass", "T", "what", "lines", "contacts", "from", "to", "heard", "seen in the look")
    return (
        f"<h2>Passes</h2>{_table(heads, rows)}<p>Time at an override of {_text(times)}</p>"
        f'<p class="words">{_text(" ".join(HOW_TO_READ))}</p>'
    )


def _figures(sheet: Sheet, shown: Shown) -> str:
    rows = [
        (str(c["id"]), c["block"].removeprefix("line "), c["way"], *figure_cells(c, shown))
        for c in sheet["contacts"]
    ]
    return f"<h2>Figures</h2>{_table(('#', 'line', 'way', *figure_heads(shown)), rows)}"


def _to_write() -> str:
    line = '<span class="write"></span>'
    return (
        f"<h2>Signed</h2><p>Zero checked {line} Lengths checked {line} Clamps checked {line}</p>"
        f"<p>{_text(RULES_FIRST)} Date {line} Initials {line}</p>"
    )
