"""`run.json` and `events.tsv`: the run in files that other tools read."""

import json
import os
from collections.abc import Sequence
from contextlib import suppress
from importlib import resources
from pathlib import Path
from typing import Any

from listen.blocks import SourceState
from listen.record.lines import plain
from listen.record.run import Run, RunContact, RunHold, Stretch
from listen.states import Event

FORMAT = "cut-listen run 1"
DIGITS = 6  # of seconds: a microsecond is finer than a sample at any rate


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a format: "run-1", "decision-1" or "labels-1"."""
    text = resources.files("listen.record").joinpath("schemas", f"{name}.json").read_text("utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def run_values(run: Run) -> dict[str, Any]:
    """The content of `run.json`, version 1; times in seconds from the start of the recording."""
    rate = run.rate
    return {
        "format": FORMAT,
        "recording": {
            "sample_rate": rate,
            "duration_s": _s(run.duration, rate),
            "gaps": [
                {"from_s": _s(gap.start, rate), "until_s": _s(gap.stop, rate), "reason": gap.reason}
                for gap in run.gaps
            ],
            **_sources(run),
        },
        "events": _events(run.events, run.duration, rate, decided=True),
        "refined": _events(run.refined, run.duration, rate, decided=False),
        "contacts": [_contact(contact, rate) for contact in run.contacts],
        "holds": [_hold(hold, rate) for hold in run.holds],
        "looks": [
            {
                "at_s": _s(look.at, rate),
                "contact": look.contact,
                "text": look.text,
                "position": _position(look.place),
            }
            for look in run.looks
        ],
        "flags": [
            {"at_s": _s(flag.at, rate), "kind": flag.kind, "contact": flag.contact, "text": flag.text}
            for flag in run.flags
        ],
        "position": [
            {"at_s": _s(position.at, rate), "line": position.line, "rate": round(position.rate, 4)}
            for position in run.positions
        ],
    }


def _sources(run: Run) -> dict[str, Any]:
    """Clocks of the sources beside the sound, and when they were gone; nothing where there was none."""
    clocks = [
        {
            "source": clock.source,
            "offset_s": round(clock.offset_s, DIGITS),
            "drift": round(clock.drift, 8),
            "spread_s": round(clock.spread_s, DIGITS),
            "events": clock.n_events,
        }
        for clock in run.clocks
    ]
    gone = [
        {
            "source": one.source,
            "from_s": _s(one.at, run.rate),
            "until_s": _s(_back(run, one), run.rate),
            "reason": one.reason,
        }
        for one in run.sources
        if not one.listening
    ]
    return {name: rows for name, rows in (("clocks", clocks), ("source_gaps", gone)) if rows}


def _back(run: Run, gone: SourceState) -> int:
    """When a source that went was there again, or the end of the recording."""
    later = (s.at for s in run.sources if s.source == gone.source and s.listening and s.at >= gone.at)
    return min(later, default=max(gone.at, run.duration))


def stretches(events: Sequence[Event], duration: int) -> list[tuple[Event, int]]:
    """Each event with where its state ends: the next event, or the end of the recording."""
    ends = [*(event.at for event in events), duration][1:]
    return [(event, max(event.at, end)) for event, end in zip(events, ends, strict=True)]


def write_files(run: Run, folder: Path) -> None:
    """Write `events.tsv` and then `run.json`, each whole or not at all."""
    lines = ["onset\toffset\tevent_label"]
    lines += [
        f"{event.at / run.rate:.6f}\t{end / run.rate:.6f}\t{event.state}"
        for event, end in stretches(run.heard, run.duration)
    ]
    write_whole(folder / "events.tsv", "\n".join(lines) + "\n")
    write_whole(folder / "run.json", json.dumps(run_values(run), indent=1, allow_nan=False) + "\n")


def run_json_matches(run: Run) -> bool:
    """Whether `run.json` in the run's folder says what its decisions say."""
    try:
        held = json.loads((run.folder / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return bool(held == json.loads(json.dumps(run_values(run))))


def write_whole(path: Path, text: str) -> None:
    """Write a text file so that it is either there and whole, or as it was before.

    Raises
    ------
    OSError
        Where it cannot be written; it names `path`.
    """
    part = path.with_name(path.name + ".part")
    try:
        with part.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with suppress(OSError):  # where nothing may be written, nothing can be removed
            part.unlink()
        raise OSError(error.errno, error.strerror, str(path)) from error


def _s(samples: int, rate: int) -> float:
    return round(samples / rate, DIGITS)


def _events(events: Sequence[Event], duration: int, rate: int, *, decided: bool) -> list[dict[str, Any]]:
    rows = []
    for event, end in stretches(events, duration):
        row = {"state": str(event.state), "onset_s": _s(event.at, rate), "offset_s": _s(end, rate)}
        if decided:
            row["decided_s"] = _s(event.decided_at, rate)
        rows.append({**row, "probability": round(event.probability, 4)})
    return rows


def _stretch(stretch: Stretch | None, rate: int) -> dict[str, float] | None:
    if stretch is None:
        return None
    return {"onset_s": _s(stretch.onset, rate), "offset_s": _s(stretch.offset, rate)}


def _contact(contact: RunContact, rate: int) -> dict[str, Any]:
    live = contact.live
    return {
        "id": contact.id,
        "tool": contact.tool,
        "line": contact.line,
        "block": contact.block,
        "expected": _stretch(contact.expected, rate),
        "heard": _stretch(contact.heard, rate),
        "verdict": str(contact.verdict),
        "strength": str(contact.strength),
        "probability": round(contact.probability, 4),
        "reveals": contact.reveals,
        "early_by_mm": None if contact.early_by_mm is None else round(contact.early_by_mm, 3),
        "witness": contact.witness,
        "live": live and {"verdict": str(live.verdict), "called_s": _s(live.called_at, rate)},
    }


def _hold(hold: RunHold, rate: int) -> dict[str, Any]:
    return {
        "contact": hold.contact,
        "line": hold.line,
        "how": hold.how,
        "from_s": _s(hold.start, rate),
        "until_s": _s(hold.stop, rate),
        "travel_mm": plain(hold.travel_mm),
        "clear_mm": plain(hold.clear_mm),
        "time_to_press_s": plain(hold.time_to_press_s),
    }


def _position(place: tuple[float, float, float]) -> dict[str, float] | None:
    found = {axis: value for axis, value in zip("xyz", place, strict=True) if value == value}
    return found or None
