"""Fit the live network and those that look both ways with PyTorch, and write them as plain arrays."""

import copy
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

N_BANDS, N_REFERENCES = 20, 4  # as listen.measure has them: the first columns, one memory after another
DELAYS = (0, 30, 100)  # frames: contact now, 300 ms ago, 1 s ago
STATE_DELAY = 30
N_LIVE = len(DELAYS) + 4
SHORT_SHARE, SHORT_ONTO = 0.35, 0.1  # of the time, and where a fit goes on: more steps in a minute of these
CROPS = {  # frames, and how often
    "first": ((800, 1500, 3000), (0.4, 0.4, 0.2)),
    "then": ((1500, 3000, 6000, 12000), (0.38, 0.42, 0.16, 0.04)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """How one network is fitted.

    Attributes
    ----------
    units : int
        Of each layer, each way.
    dropout, decay : float
        Share of values left out; decay of the weights.
    noise : float
        Of `disturb`, as a share of its usual sizes.
    squeeze : int
        Values that the features are squeezed to.
    taught : float
        Share of what other networks believe in what this one is to learn; the rest is the truth.
    """

    units: int
    dropout: float
    decay: float
    noise: float
    squeeze: int = 64
    taught: float = 0.0


RECIPES = {
    "live": Recipe(units=96, dropout=0.2, decay=3e-2, noise=1.2),
    "second": Recipe(units=48, dropout=0.2, decay=2e-2, noise=1.0),
    "wider": Recipe(units=64, dropout=0.35, decay=3e-2, noise=2.0),
    "taught": Recipe(units=64, dropout=0.35, decay=3e-2, noise=2.0, taught=0.5),
}
ALONE = [part for part, recipe in RECIPES.items() if not recipe.taught]  # need no fitted networks
Teacher = Callable[[torch.Tensor], torch.Tensor]


class Ear(nn.Module):
    """Squeeze, layers of gated recurrent units, read-outs."""

    def __init__(self, n_features: int, recipe: Recipe, *, heads: int, both_ways: bool) -> None:
        super().__init__()
        self.squeeze = nn.Linear(n_features, recipe.squeeze)
        self.drop = nn.Dropout(0.75 * recipe.dropout)
        self.memory = nn.GRU(
            recipe.squeeze,
            recipe.units,
            num_layers=2,
            batch_first=True,
            bidirectional=both_ways,
            dropout=recipe.dropout,
        )
        self.heads = nn.Linear(recipe.units * (2 if both_ways else 1), heads)

    def forward(self, features: torch.Tensor) -> torch.Tensor:
        """Scores, shape (n_crops, n_frames, n_heads)."""
        flow, _ = self.memory(self.drop(torch.relu(self.squeeze(features))))
        return self.heads(self.drop(flow))


def _stored(path: Path, name: str) -> NDArray:
    """One array of a shard."""
    with np.load(path) as shard:
        return shard[name]


class Store:
    """All shards in memory, with crops drawn from them."""

    def __init__(self, folder: Path, *, device: str) -> None:
        paths = sorted(folder.glob("*.npz"))
        by_shard = [_stored(path, "lengths") for path in paths]
        self.lengths = np.concatenate(by_shard)
        self.starts = np.cumsum(self.lengths) - self.lengths
        n_frames, at = int(self.lengths.sum()), 0
        n_features = _stored(paths[0], "features").shape[1]
        self.features = torch.empty((n_frames, n_features), dtype=torch.float16, device=device)
        self.labels = torch.empty(n_frames, dtype=torch.int8, device=device)
        for path in paths:
            labels = torch.from_numpy(_stored(path, "labels"))
            self.labels[at : at + len(labels)] = labels
            self.features[at : at + len(labels)] = torch.from_numpy(_stored(path, "features"))
            at += len(labels)
        share = float((self.labels > 0).float().mean())
        print(f"{n_frames / 360000:.1f} h in {len(self.starts)} clips, contact {share:.2f}", flush=True)
        # Whole shards, since a shard may hold the same clip twice.
        held = np.repeat(np.arange(len(paths)) % 16 == 1, [len(lengths) for lengths in by_shard])
        self.clips = {"fit": np.flatnonzero(~held), "check": np.flatnonzero(held)}

    def normalise(self, onto: dict[str, np.ndarray] | None = None) -> tuple[torch.Tensor, torch.Tensor]:
        """Bring each feature to mean 0 and spread 1; gives the means, and one over the spreads.

        With `onto`, those that its network knows are used.
        """
        if onto is not None:
            mean, scale = (
                torch.from_numpy(onto[name]).to(self.features.device) for name in ("mean", "scale")
            )
        else:
            sample = self.features[:: max(1, len(self.features) // 200000)].float()
            mean, spread = sample.mean(0), sample.std(0)
            scale = 1.0 / torch.clamp(spread, min=0.05)
        for start in range(0, len(self.features), 500000):
            rows = self.features[start : start + 500000].float()
            self.features[start : start + 500000] = ((rows - mean) * scale).half()
        return mean, scale

    def crops(self, rng: np.random.Generator, part: str, *, batch: int, length: int):
        """Draw crops; clips too short for the length are passed over."""
        fitting = self.clips[part][self.lengths[self.clips[part]] >= length]
        chosen = rng.choice(fitting, size=batch)
        # Half of the crops begin where their clip begins: there the memories of `measure` are young.
        offset = np.where(rng.random(batch) < 0.5, 0, rng.integers(0, self.lengths[chosen] - length + 1))
        index = torch.from_numpy(self.starts[chosen] + offset).to(self.features.device)
        rows = index[:, None] + torch.arange(length, device=index.device)[None, :]
        return self.features[rows].float(), self.labels[rows].long()


def targets_of(labels: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Contact at each delay, and the state at the delay of the states."""

    def back(values: torch.Tensor, n_frames: int) -> torch.Tensor:
        return (
            values
            if n_frames == 0
            else torch.cat([values[:, :1].expand(-1, n_frames), values[:, :-n_frames]], dim=1)
        )

    contact = torch.stack([(back(labels, delay) > 0).float() for delay in DELAYS], dim=2)
    return contact, back(labels, STATE_DELAY)


def edge_weight(labels: torch.Tensor) -> torch.Tensor:
    """Frames up to 150 ms after a change of contact count three times."""
    contact = (labels > 0).float()
    change = (contact[:, 1:] - contact[:, :-1]).abs()
    change = torch.cat([torch.zeros_like(contact[:, :1]), change], dim=1)
    near = torch.nn.functional.max_pool1d(torch.nn.functional.pad(change, (14, 0)), 15, stride=1)
    return 1.0 + 2.0 * near


def loss_of(
    ear: Ear, features: torch.Tensor, labels: torch.Tensor, told: torch.Tensor | None = None
) -> torch.Tensor:
    """Cross-entropy of all read-outs.

    With `told`, shares of the states, shape (n_crops, n_frames, n_states), a two-sided ear learns these.
    """
    scores = ear(features)
    bce = nn.functional.binary_cross_entropy_with_logits
    if ear.memory.bidirectional:
        weight = edge_weight(labels) * edge_weight(labels.flip(1)).flip(1)
        shares = labels if told is None else told.transpose(1, 2)
        state = nn.functional.cross_entropy(scores.transpose(1, 2), shares, reduction="none")
        return (state * weight).mean()
    contact, state = targets_of(labels)
    weight = edge_weight(labels)
    now = (bce(scores[:, :, 0], contact[:, :, 0], reduction="none") * weight).mean()
    late = bce(scores[:, :, 1 : len(DELAYS)], contact[:, :, 1:])
    return (
        now
        + 1.5 * late
        + 0.5 * nn.functional.cross_entropy(scores[:, :, len(DELAYS) :].transpose(1, 2), state)
    )


def disturb(features: torch.Tensor, *, noise_share: float) -> torch.Tensor:
    """Noise on each feature, an offset for each crop, features and stretches of bands left out."""
    n_crops, _, n_features = features.shape

    def noise(*shape: int) -> torch.Tensor:
        return torch.randn(shape, device=features.device)

    features = features + noise_share * 0.15 * torch.rand((n_crops, 1, 1), device=features.device) * noise(
        *features.shape
    )
    features = features + noise_share * 0.1 * noise(n_crops, 1, n_features)
    features = features * (1.0 + noise_share * 0.1 * noise(n_crops, 1, n_features))
    keep = (torch.rand((n_crops, 1, n_features), device=features.device) > noise_share * 0.07).float()
    return features * keep * _bands_kept(n_crops, n_features, features.device)


def _bands_kept(n_crops: int, n_features: int, device: torch.device) -> torch.Tensor:
    """In a third of the crops, a run of neighbouring bands is missing over every memory."""
    kept = torch.ones((n_crops, n_features), device=device)
    for crop in torch.nonzero(torch.rand(n_crops) < 0.33).flatten().tolist():
        low = int(torch.randint(0, N_BANDS, ()).item())
        high = min(N_BANDS, low + 1 + int(torch.randint(0, 8, ()).item()))
        for reference in range(N_REFERENCES):
            kept[crop, reference * N_BANDS + low : reference * N_BANDS + high] = 0.0
    return kept[:, None, :]


def fit_one(
    store: Store,
    part: str,
    *,
    minutes: float,
    seed: int,
    batch: int,
    device: str,
    onto: dict[str, np.ndarray] | None = None,
    teacher: Teacher | None = None,
) -> Ear:
    """Fit one network for so many minutes and keep the best slow mean of its weights.

    With `onto`, it goes on from those weights, in smaller steps; they stay where nothing is better.
    With `teacher`, which gives shares of the states, it learns the mean of these and the truth.
    """
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    recipe, both_ways = RECIPES[part], part != "live"
    heads = 4 if both_ways else N_LIVE
    ear = Ear(store.features.shape[1], recipe, heads=heads, both_ways=both_ways).to(device)
    top_rate = 3e-3
    if onto is not None:
        ear.load_state_dict(state_of(onto, device))
        top_rate = 1.2e-3
    mean = copy.deepcopy(ear).eval()
    best, best_loss = copy.deepcopy(mean), math.inf
    if onto is not None:
        best_loss, right = check(mean, store)
        print(f"begins with check {best_loss:.4f}, right {right}", flush=True)
    optimiser = torch.optim.AdamW(ear.parameters(), lr=top_rate, weight_decay=recipe.decay)
    began, steps, said = time.monotonic(), 0, 0.0
    while (spent := (time.monotonic() - began) / (60.0 * minutes)) < 1.0:
        for group in optimiser.param_groups:
            group["lr"] = top_rate * min(1.0, (steps + 1) / 100) * 0.5 * (1.0 + math.cos(math.pi * spent))
        lengths, shares = CROPS["first" if spent < (SHORT_SHARE if onto is None else SHORT_ONTO) else "then"]
        length = int(rng.choice(lengths, p=shares))
        features, labels = store.crops(rng, "fit", batch=max(2, batch * 3000 // length), length=length)
        told = None if teacher is None else told_by(teacher, features, labels, share=recipe.taught)
        loss = loss_of(ear, disturb(features, noise_share=recipe.noise), labels, told)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(ear.parameters(), 1.0)
        optimiser.step()
        steps += 1
        blend(mean, ear, min(0.998, steps / (steps + 50)))
        if spent - said > 0.06:
            said = spent
            checked, right = check(mean, store)
            if checked < best_loss:
                best, best_loss = copy.deepcopy(mean), checked
            print(
                f"{part} {steps} steps, loss {loss.item():.4f}, check {checked:.4f}, right {right}",
                flush=True,
            )
    print(f"{part} done: {steps} steps, best check {best_loss:.4f}", flush=True)
    return best


def told_by(teacher: Teacher, features: torch.Tensor, labels: torch.Tensor, *, share: float) -> torch.Tensor:
    """Shares of the states: partly what the teacher believes of the undisturbed sound, else the truth."""
    with torch.no_grad():
        believed = teacher(features)
    return share * believed + (1.0 - share) * nn.functional.one_hot(labels, believed.shape[2])


def blend(mean: Ear, ear: Ear, keep: float) -> None:
    """Move the slow mean of the weights a little towards the weights."""
    with torch.no_grad():
        for slow, fast in zip(mean.parameters(), ear.parameters(), strict=True):
            slow.lerp_(fast, 1.0 - keep)


def check(ear: Ear, store: Store) -> tuple[float, str]:
    """Loss, and share of frames right, on clips that the fit does not see."""
    rng = np.random.default_rng(0)
    losses, rights = [], []
    with torch.no_grad():
        for length in (1500, 3000, 3000, 6000):
            batch = 64 if store.features.is_cuda else 4
            features, labels = store.crops(rng, "check", batch=batch, length=length)
            losses.append(loss_of(ear, features, labels).item())
            scores = ear(features)
            if ear.memory.bidirectional:
                rights.append([((scores.argmax(2) > 0) == (labels > 0)).float().mean().item()])
            else:
                contact, _ = targets_of(labels)
                same = [(scores[:, :, i] > 0) == (contact[:, :, i] > 0.5) for i in range(len(DELAYS))]
                rights.append([item.float().mean().item() for item in same])
    return float(np.mean(losses)), " ".join(f"{value:.4f}" for value in np.mean(rights, axis=0))


def arrays_of(ear: Ear, mean: np.ndarray, scale: np.ndarray) -> dict[str, np.ndarray]:
    """The network as the run time wants it."""
    state = {
        name: value.detach().cpu().numpy().astype(np.float32) for name, value in ear.state_dict().items()
    }
    arrays = {"mean": mean, "scale": scale}
    for name in ("squeeze", "heads"):
        arrays[f"{name}.weight"], arrays[f"{name}.bias"] = state[f"{name}.weight"], state[f"{name}.bias"]
    for way, end in (("forward", ""), ("backward", "_reverse")):
        for layer in range(2):
            if f"memory.weight_ih_l{layer}{end}" in state:
                arrays[f"{way}{layer}.w_input"] = state[f"memory.weight_ih_l{layer}{end}"]
                arrays[f"{way}{layer}.b_input"] = state[f"memory.bias_ih_l{layer}{end}"]
                arrays[f"{way}{layer}.w_state"] = state[f"memory.weight_hh_l{layer}{end}"]
                arrays[f"{way}{layer}.b_state"] = state[f"memory.bias_hh_l{layer}{end}"]
    return arrays


def state_of(arrays: dict[str, np.ndarray], device: str) -> dict[str, torch.Tensor]:
    """The arrays of one network as PyTorch names them; the other way round than `arrays_of`."""
    state = {name: arrays[name] for name in arrays if name.split(".")[0] in ("squeeze", "heads")}
    words = {"w_input": "weight_ih", "b_input": "bias_ih", "w_state": "weight_hh", "b_state": "bias_hh"}
    for name, array in arrays.items():
        layer, _, word = name.partition(".")
        if word in words:
            end = "_reverse" if layer.startswith("backward") else ""
            state[f"memory.{words[word]}_l{layer[-1]}{end}"] = array
    return {name: torch.from_numpy(np.ascontiguousarray(array)).to(device) for name, array in state.items()}


def part_of(model: Path, part: str) -> dict[str, np.ndarray]:
    """The arrays of one of the networks of a model."""
    with np.load(model / "arrays.npz") as arrays:
        return {name.split(".", 1)[1]: arrays[name] for name in arrays.files if name.startswith(f"{part}.")}


def fit_model(
    shards: Path, out: Path, *, minutes: float, seed: int, batch: int, onto: Path | None = None
) -> None:
    """Fit the networks that need no others, and write `arrays.npz`; `tools/train card` adds the card.

    With `onto`, all go on from that model.
    With an accelerator for each they are fitted at once and have all the minutes; else one after the other.
    """
    out.mkdir(parents=True, exist_ok=True)
    at_once = torch.cuda.device_count() >= len(ALONE)
    each = minutes if at_once else minutes / len(ALONE)
    jobs = [
        (shards, part, f"cuda:{index}" if at_once else _device(), each, seed, batch, onto)
        for index, part in enumerate(ALONE)
    ]
    if at_once:
        with torch.multiprocessing.get_context("spawn").Pool(len(ALONE)) as pool:
            found = pool.starmap(fit_part, jobs, chunksize=1)
    else:
        found = [fit_part(*job) for job in jobs]
    np.savez(out / "arrays.npz", **{name: array for part in found for name, array in part.items()})
    print(f"wrote {out / 'arrays.npz'}", flush=True)


def _device() -> str:
    return "cuda" if torch.cuda.is_available() else "cpu"


def fit_part(
    shards: Path, part: str, device: str, minutes: float, seed: int, batch: int, onto: Path | None
) -> dict[str, np.ndarray]:
    """One of the networks as arrays."""
    store = Store(shards, device=device)
    known = None if onto is None else part_of(onto, part)
    mean, scale = store.normalise(known)
    ear = fit_one(
        store,
        part,
        minutes=minutes,
        seed=seed,
        batch=batch,
        device=device,
        onto=known,
    )
    found = arrays_of(ear, mean.cpu().numpy().astype(np.float32), scale.cpu().numpy().astype(np.float32))
    return {f"{part}.{name}": array for name, array in found.items()}
