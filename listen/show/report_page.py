"""One page over many runs: verdicts per contact over time, drift, flags by tool."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from listen.followed import VerdictKind
from listen.record import Run, RunContact
from listen.record.run_json import write_whole
from listen.record.words import run_sentence
from listen.show.page import bundle, one_file, static_text


def write_report_page(runs: Sequence[Run], path: Path) -> None:
    """Write the report over runs, oldest first; programs are told apart."""
    ordered = sorted(runs, key=lambda run: (run.header.started, run.folder.name))
    data = {
        "n_runs": len(ordered),
        "programs": [_program(name, ordered) for name in sorted({run.header.program for run in ordered})],
        "tools": _flags_by_tool(ordered),
    }
    page = one_file(
        title="Report over runs",
        body=static_text("report.html"),
        script=bundle("report.js"),
        style=static_text("look.css"),
        data=data,
        binaries={},
    )
    write_whole(path, page)


def _days(runs: Sequence[Run]) -> list[str]:
    """When each run began: the day, with the time of day where two runs share one; "" where not known."""
    days = Counter(run.header.started[:10] for run in runs)
    return [
        run.header.started[: 16 if days[run.header.started[:10]] > 1 else 10].replace("T", " ")
        for run in runs
    ]


def _program(name: str, runs: Sequence[Run]) -> dict[str, Any]:
    own = [run for run in runs if run.header.program == name]
    contacts: dict[tuple[int, str], None] = {}
    for run in own:
        contacts.update({(row.id, row.block): None for row in run.contacts if row.block is not None})
    return {
        "program": name or "without a job",
        "runs": [
            {"name": run.folder.name, "date": day, "sentence": run_sentence(run)}
            for run, day in zip(own, _days(own), strict=True)
        ],
        "contacts": [_contact(key, own) for key in sorted(contacts)],
    }


def _contact(key: tuple[int, str], runs: Sequence[Run]) -> dict[str, Any]:
    rows = [next((row for row in run.contacts if (row.id, row.block) == key), None) for run in runs]
    return {
        "label": key[1],
        "verdicts": [str(row.verdict) if row else "" for row in rows],
        "strengths": [str(row.strength) if row else "" for row in rows],
        "level_db": [_level(run, row) for run, row in zip(runs, rows, strict=True)],
        "load": [_load(run, row) for run, row in zip(runs, rows, strict=True)],
    }


def _level(run: Run, row: RunContact | None) -> float | None:
    """Level of the contact over the air before it [dB], as the ear told it; None where it did not."""
    if row is None or row.heard is None:
        return None
    heard = row.heard
    near = [one for one in run.sounds if one.start < heard.offset and heard.onset < one.stop]
    if not near or near[0].level_db != near[0].level_db:
        return None
    return round(near[0].level_db, 2)


def _load(run: Run, row: RunContact | None) -> float | None:
    """Mean load of the contact, None where it was not heard or no load was logged."""
    if row is None or row.heard is None:
        return None
    values = [one.percent for one in run.loads if row.heard.onset <= one.at < row.heard.offset]
    return round(sum(values) / len(values), 2) if values else None


def _flags_by_tool(runs: Sequence[Run]) -> list[dict[str, Any]]:
    """For each tool how many contacts, of which verdict, and what else was flagged while it cut."""
    verdicts: dict[int, Counter[str]] = {}
    flags: dict[int, Counter[str]] = {}
    for run in runs:
        tools = {row.id: row.tool for row in run.contacts if row.tool is not None}
        for row in run.contacts:
            if row.tool is not None:
                verdicts.setdefault(row.tool, Counter())[str(row.verdict)] += 1
        for flag in run.flags:
            if flag.contact in tools and flag.kind not in set(VerdictKind):
                flags.setdefault(tools[flag.contact], Counter())[flag.kind] += 1
    return [
        {
            "tool": tool,
            "n_contacts": found.total(),
            "n_as_expected": found[VerdictKind.AS_EXPECTED],
            "others": [[word, n] for word, n in found.most_common() if word != VerdictKind.AS_EXPECTED],
            "flags": [[word, n] for word, n in flags.get(tool, Counter()).most_common()],
        }
        for tool, found in sorted(verdicts.items())
    ]
