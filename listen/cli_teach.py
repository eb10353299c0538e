"""What the verb `teach` does: adapt the ear to a shop, or score a model on labelled runs."""

import json as to_json
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from listen.cli_print import progress_bar
from listen.decide import save_model
from listen.ears import shipped_model
from listen.errors import InputError, ModelError
from listen.teach.adapt import Adapted, adapt_model, taught_card
from listen.teach.check import RunScore, check_model, pooled
from listen.teach.labels import LabelledRun, read_labelled_run
from listen.teach.score import EventScore

FINE = 0


def check(folders: Sequence[Path], *, model: Path | None, json: bool) -> int:
    """Score a model on labelled runs."""
    if not folders:
        raise InputError("a model is scored on labelled runs: name at least one run folder")
    chosen = shipped_model(model)
    runs = [read_labelled_run(folder) for folder in folders]
    with progress_bar("listening", quiet=json) as progress:
        scores = check_model(chosen, runs, progress=progress)
    if json:
        print(to_json.dumps({"model": chosen.name, "runs": [_row(score) for score in scores]}))
        return FINE
    print(f"model {chosen.name}, event F1 at 200 ms (right of heard, right of true)")
    whole = RunScore(
        name="all runs", live=pooled(s.live for s in scores), refined=pooled(s.refined for s in scores)
    )
    for score in (*scores, whole):
        print(f"  {score.name:24}  live {_said(score.live)}   second look {_said(score.refined)}")
    return FINE


def teach(folders: Sequence[Path], *, model: Path | None, out: Path, json: bool) -> int:
    """Adapt a model to labelled runs and write it where it gained."""
    if out.exists():
        raise ModelError(f"{out} must be a new folder, models are kept; choose another --out")
    start = shipped_model(model)
    runs = [read_labelled_run(folder) for folder in folders]
    with progress_bar("teaching", quiet=json) as progress:
        adapted = adapt_model(start, runs, progress=progress)
    if adapted.has_changed:
        _write(adapted, out, start=start.name, runs=runs)
    _print(adapted, out, start=start.name, json=json)
    return FINE


def forget(folder: Path) -> int:
    """Erase a taught model: its own files, and the folder where nothing else is in it."""
    card = folder / "card.json"
    if not card.is_file() or "taught" not in to_json.loads(card.read_text("utf-8")):
        raise ModelError(f"{folder} must be a model that `teach` wrote, it is none; nothing was erased")
    for name in ("arrays.npz", "card.json"):
        (folder / name).unlink(missing_ok=True)
    if not any(folder.iterdir()):
        folder.rmdir()
    print(f"{folder} is erased; the shipped model hears again where no other is named")
    return FINE


def _write(adapted: Adapted, out: Path, *, start: str, runs: Sequence[LabelledRun]) -> None:
    from dataclasses import replace

    card = taught_card(
        adapted, name=out.name, start=start, runs=[run.name for run in runs], day=date.today().isoformat()
    )
    save_model(replace(adapted.model, name=out.name, card=card), out)


def _print(adapted: Adapted, out: Path, *, start: str, json: bool) -> None:
    rows = {
        "live": (adapted.before.live_score.f1, adapted.chosen.live_score.f1),
        "second look": (adapted.before.refined_score.f1, adapted.chosen.refined_score.f1),
    }
    if json:
        scores = {name: {"before": before, "after": after} for name, (before, after) in rows.items()}
        print(to_json.dumps({"model": str(out) if adapted.has_changed else "", "start": start, **scores}))
        return
    print("event F1 at 200 ms, each run heard by a model that was taught without it")
    for name, (before, after) in rows.items():
        print(f"  {name:12} {before:.3f} before, {after:.3f} after")
    if adapted.has_changed:
        print(f"model: {out}; use it with --model {out}; {start} is kept as it was")
    else:
        print(f"{start} stays: of {len(adapted.tried)} ways to teach it none does better")


def _row(score: RunScore) -> dict[str, Any]:
    return {"run": score.name, "live": _counts(score.live), "second look": _counts(score.refined)}


def _counts(score: EventScore) -> dict[str, Any]:
    f1 = score.f1 if score.true + score.heard else None
    return {"f1": f1, "true": score.true, "heard": score.heard, "matched": score.matched}


def _said(score: EventScore) -> str:
    f1 = f"{score.f1:.3f}" if score.true + score.heard else "  -  "
    return f"{f1} ({score.matched} of {score.heard}, {score.matched} of {score.true})"
