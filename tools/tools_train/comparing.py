"""A freshly fitted ear beside the shipped one, on made sound that neither was fitted on."""

import functools
import json
import shutil
from pathlib import Path

from numpy.typing import NDArray
from tools_ear import clips, hearing

from listen.decide import Model, load_model
from listen.ears import shipped_model
from listen.measure import FEATURES, VERSION
from listen.shipped import models_folder
from listen.teach.score import EventScore, score_contacts

NOTHING = EventScore(true=0, heard=0, matched=0)


def add_card(folder: Path) -> None:
    """Give a fitted folder a card, with the shipped model's rates until its own are measured."""
    shipped = json.loads((models_folder() / shipped_model().name / "card.json").read_text(encoding="utf-8"))
    kept = {key: shipped[key] for key in ("format", "features", "features_version", "early_s", "rates")}
    card = {**kept, "name": folder.name, "note": "rates are those of the shipped model; not measured yet"}
    (folder / "card.json").write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")


def compare(folder: Path, *, n_clips: int = 6) -> None:
    """Print event scores of both, refined, at 12 and 6 dB."""
    models = {"shipped": shipped_model(), folder.name: load_model(folder, features=FEATURES, version=VERSION)}
    for snr_db in (12.0, 6.0):
        made = list(clips.at_ratio(snr_db, seed=40, n_clips=n_clips))
        found = {name: _score(model, made) for name, model in models.items()}
        apart = found[folder.name].f1 - found["shipped"].f1
        told = ", ".join(f"{name} {score.f1:.3f}" for name, score in found.items())
        print(f"event F1 at 200 ms, {snr_db:g} dB, {len(made)} clips: {told}; apart {apart:+.3f}", flush=True)


def _score(model: Model, made: list[clips.Clip]) -> EventScore:
    scores = [score_contacts(clip.contacts, hearing.hear(clip, model).refined, collar_s=0.2) for clip in made]
    return functools.reduce(EventScore.plus, scores, NOTHING)


def mean_of(one: Path, other: Path, out: Path, *, shares: dict[str, float]) -> None:
    """The networks of two models on the mean of their weights; `shares`: how much the other has, by network.

    Good only where one fit went on from the other, with its means and scales: weights of fits that
    began apart mean different things.
    """
    import numpy as np

    out.mkdir(parents=True, exist_ok=True)
    with np.load(one / "arrays.npz") as mine, np.load(other / "arrays.npz") as theirs:
        shares = {part: share for part, share in shares.items() if f"{part}.mean" in mine}
        scaling = [f"{part}.{name}" for part in shares for name in ("mean", "scale")]
        if not all(np.array_equal(mine[name], theirs[name]) for name in scaling):
            raise ValueError(f"{other} did not go on from {one}: their features are scaled otherwise")
        stored = {}
        for name in mine.files:
            share = shares[name.split(".", 1)[0]]
            stored[name] = ((1.0 - share) * mine[name] + share * theirs[name]).astype(mine[name].dtype)
    np.savez(out / "arrays.npz", allow_pickle=False, **stored)


def brought_to(network: dict[str, NDArray], mean: NDArray, scale: NDArray) -> dict[str, NDArray]:
    """The same network for features as (value - mean) * scale, whatever it was fitted for."""
    weight, bias = network["squeeze.weight"], network["squeeze.bias"]
    moved = {
        "squeeze.weight": weight * (network["scale"] / scale),
        "squeeze.bias": bias + weight @ ((mean - network["mean"]) * network["scale"]),
    }
    return {**network, **moved, "mean": mean, "scale": scale}


def join(parts: dict[str, Path], out: Path) -> None:
    """One model with the named networks, each from the model that has it."""
    import numpy as np

    stored = {}
    for part, folder in parts.items():
        with np.load(folder / "arrays.npz") as arrays:
            stored |= {name: arrays[name] for name in arrays.files if name.startswith(f"{part}.")}
    out.mkdir(parents=True, exist_ok=True)
    np.savez(out / "arrays.npz", allow_pickle=False, **stored)


def compress(folder: Path) -> None:
    """Store the fitted arrays compressed, as the shipped ones are."""
    import numpy as np

    with np.load(folder / "arrays.npz", allow_pickle=False) as arrays:
        stored = {name: arrays[name] for name in arrays.files}
    np.savez_compressed(folder / "small.npz", allow_pickle=False, **stored)
    shutil.move(folder / "small.npz", folder / "arrays.npz")
