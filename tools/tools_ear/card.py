"""The model card: measured scores into `card.json`, and the card as a page for people."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from listen.ears import shipped_model
from listen.shipped import models_folder
from tools_ear.calibration import KINDS

BAR = 20  # characters of a whole bar


def write_card(scores: dict[str, Any], rates: dict[str, float], note: str) -> None:
    """Put what was measured into the shipped model's card, and write its page anew."""
    folder = models_folder() / shipped_model().name
    path = folder / "card.json"
    card = json.loads(path.read_text(encoding="utf-8"))
    card |= {"scores": scores, "rates": rates, "rates_note": note}
    path.write_text(json.dumps(card, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    print(f"wrote {path} and {write_page(folder)}")


def write_page(folder: Path) -> Path:
    """Write `card.md` beside a model's `card.json`."""
    card = json.loads((folder / "card.json").read_text(encoding="utf-8"))
    path = folder / "card.md"
    path.write_text(page_of(card), encoding="utf-8")
    return path


def page_of(card: dict[str, Any]) -> str:
    """The card as a page of text with tables."""
    parts = [
        f"# {card['name']}",
        card.get("what", ""),
        "## Fitted on",
        _pairs(card.get("fitted_on", {})),
        "Commands:",
        _list(f"`{line}`" for line in card.get("how", [])),
        "## How often it errs",
        _pairs(card["rates"]),
        card.get("rates_note", ""),
        *_scores(card.get("scores", {})),
        "## What it cannot do",
        _list(card.get("cannot", [])),
        "Made sound is made sound: no score on it is a result on real cutting. "
        "`card.json` holds the same figures for programs; `tools/bench ear --card` measures them anew.",
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _scores(scores: dict[str, Any]) -> list[str]:
    """Sections of what was measured, those that the card has."""
    parts: list[str] = []
    for title, key in (
        ("Made sound that the fit never drew from", "made sound"),
        ("Air", "air"),
        ("Findings", "findings"),
        ("CPU seconds per second of 48 kHz sound", "cost"),
    ):
        rows = scores.get(key, {})
        flat = {name: value for name, value in rows.items() if not isinstance(value, dict)}
        nested = {name: value for name, value in rows.items() if isinstance(value, dict)}
        parts += [f"## {title}", _pairs(flat), _table(nested)] if rows else []
    believed = scores.get("belief", {})
    if believed:
        parts += ["## Is it right as often as it says?", SAID, *(_believed(k, believed[k]) for k in KINDS)]
    return parts


SAID = (
    "Entries and ends, by the probability that was said for them; came true means that a true change of the "
    "same kind lies within 200 ms. Brier score: mean square of probability less outcome, 0 is perfect."
)


def _believed(kind: str, row: dict[str, Any]) -> str:
    head = f"**{kind}**: {row['n']} events, Brier {row['brier']}, off by {row['off_by']} on the mean"
    lines = ["| said | came true | | n |", "|---|---|---|---|"]
    for said, came, n in row["curve"]:
        lines.append(f"| {said:.2f} | {came:.2f} | `{'█' * round(came * BAR):{BAR}}` | {n} |")
    return head + "\n\n" + "\n".join(lines)


def _pairs(values: dict[str, Any]) -> str:
    if not values:
        return ""
    return "\n".join(
        ["| | |", "|---|---|", *(f"| {name} | {_said(value)} |" for name, value in values.items())]
    )


def _table(rows: dict[str, dict[str, Any]]) -> str:
    """Rows that share their columns stand in one table; a row of rows is as many."""
    tables: dict[tuple[str, ...], list[str]] = {}
    for name, row in _single(rows):
        columns = tuple(row)
        head = [f"| | {' | '.join(columns)} |", "|---" * (len(columns) + 1) + "|"]
        cells = " | ".join(_said(value) for value in row.values())
        tables.setdefault(columns, head).append(f"| {name} | {cells} |")
    return "\n\n".join("\n".join(lines) for lines in tables.values())


def _single(rows: dict[str, dict[str, Any]]) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, row in rows.items():
        if all(isinstance(value, dict) for value in row.values()):
            yield from ((f"{name} at {key}", inner) for key, inner in row.items())
        else:
            yield name, row


def _said(value: Any) -> str:
    return ", ".join(str(item) for item in value) if isinstance(value, list) else str(value)


def _list(lines: Any) -> str:
    return "\n".join(f"- {line}" for line in lines)
