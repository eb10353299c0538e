"""Fit a two-sided network to what others that were fitted before believe, beside the truth.

Several networks on the mean are wrong more seldom than each alone; one that learns their beliefs has
much of that at a part of their cost.
"""

from pathlib import Path

import numpy as np
import torch

from tools_train import comparing, fitting

TWO_SIDED = ("second", "wider", "taught")


def fit_taught(
    shards: Path, teachers: list[Path], out: Path, *, minutes: float, seed: int, batch: int
) -> None:
    """Fit the network ``taught`` by all two-sided networks of some models, and write `arrays.npz`."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    store = fitting.Store(shards, device=device)
    mean, scale = store.normalise()
    teacher = Teachers(teachers, mean, scale)
    ear = fitting.fit_one(
        store, "taught", minutes=minutes, seed=seed, batch=batch, device=device, teacher=teacher
    )
    found = fitting.arrays_of(ear, *(_plain(values) for values in (mean, scale)))
    out.mkdir(parents=True, exist_ok=True)
    np.savez(out / "arrays.npz", **{f"taught.{name}": array for name, array in found.items()})
    print(f"wrote {out / 'arrays.npz'}", flush=True)


class Teachers:
    """The mean of what networks score, as shares of the states.

    Parameters
    ----------
    folders : list of Path
        Models.
    mean, scale : Tensor, shape (n_features,)
        Of the features that they will be given; theirs differ, and are brought to these.
    """

    def __init__(self, folders: list[Path], mean: torch.Tensor, scale: torch.Tensor) -> None:
        known = [fitting.part_of(folder, part) for folder in folders for part in TWO_SIDED]
        self._ears = [
            _ear(comparing.brought_to(one, _plain(mean), _plain(scale)), mean.device) for one in known if one
        ]

    def __call__(self, features: torch.Tensor) -> torch.Tensor:
        """Shares, shape (n_crops, n_frames, n_states)."""
        scores = torch.stack([ear(features) for ear in self._ears])
        return torch.softmax((scores - scores.mean(3, keepdim=True)).mean(0), dim=2)


def _ear(network: dict[str, np.ndarray], device: torch.device) -> fitting.Ear:
    units = network["forward0.w_state"].shape[1]
    recipe = fitting.Recipe(units=units, dropout=0.0, decay=0.0, noise=0.0)
    n_features = network["squeeze.weight"].shape[1]
    ear = fitting.Ear(n_features, recipe, heads=len(network["heads.bias"]), both_ways=True)
    ear.load_state_dict(fitting.state_of(network, str(device)))
    return ear.to(device).eval()


def _plain(values: torch.Tensor) -> np.ndarray:
    return values.cpu().numpy().astype(np.float32)
