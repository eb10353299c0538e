"""Fit the network that takes a second look at load, on drawn logs, and write it as plain arrays.

Needs PyTorch (extra `train`); `tools/train load` runs it.
"""

import copy
import math
import multiprocessing
import os
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch
from tools_train.fitting import Ear, Recipe, arrays_of, blend, part_of, state_of
from torch import nn

from tools_load.making import examples

RECIPE = Recipe(units=96, dropout=0.1, decay=1e-3, noise=0.0, squeeze=48)


def make_part(out: Path, seed: int, worker: int, until: float) -> None:
    """One worker's shard."""
    rows, contact, lengths = [], [], []
    for one, share in examples(seed, worker):
        rows.append(one)
        contact.append(share)
        lengths.append(len(share))
        if time.time() > until:
            break
    np.savez(
        out / f"{worker}.npz", rows=np.concatenate(rows), contact=np.concatenate(contact), lengths=lengths
    )


def make_shards(out: Path, *, seed: int, workers: int, minutes: float) -> None:
    """Draw logs on so many cores for so many minutes."""
    out.mkdir(parents=True, exist_ok=True)
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    until = time.time() + 60.0 * minutes
    context = multiprocessing.get_context("fork")
    jobs = [context.Process(target=make_part, args=(out, seed, k, until)) for k in range(workers)]
    for job in jobs:
        job.start()
    for job in jobs:
        job.join()


class Store:
    """All rows on the accelerator, and where each log begins."""

    def __init__(self, shards: Path, device: str) -> None:
        rows, contact, lengths = [], [], []
        for path in sorted(shards.glob("*.npz")):
            with np.load(path) as arrays:
                rows.append(torch.from_numpy(arrays["rows"]).to(device))
                contact.append(torch.from_numpy(arrays["contact"]).to(device))
                lengths.append(arrays["lengths"])
        self.rows, self.contact = torch.cat(rows), torch.cat(contact)
        self.lengths = np.concatenate(lengths)
        self.starts = np.concatenate([[0], np.cumsum(self.lengths)[:-1]])
        held = np.arange(self.lengths.size) % 16 == 7
        self.parts = {"fit": np.flatnonzero(~held), "check": np.flatnonzero(held)}
        sample = self.rows[:: max(1, len(self.rows) // 200000)].float()
        self.mean, self.scale = sample.mean(0), 1.0 / sample.std(0).clamp(min=0.05)
        print(f"{self.lengths.size} logs, {len(self.rows) / 18000:.0f} h", flush=True)

    def crops(self, rng: np.random.Generator, part: str, *, batch: int, length: int):
        """Crops of logs that are long enough, half of them from where the log begins."""
        fitting = self.parts[part][self.lengths[self.parts[part]] >= length]
        chosen = rng.choice(fitting, size=batch)
        offset = np.where(rng.random(batch) < 0.5, 0, rng.integers(0, self.lengths[chosen] - length + 1))
        index = torch.from_numpy(self.starts[chosen] + offset).to(self.rows.device)
        index = index[:, None] + torch.arange(length, device=index.device)[None, :]
        return (self.rows[index].float() - self.mean) * self.scale, self.contact[index].float()


def fit_network(
    shards: Path, out: Path, *, minutes: float, seed: int, points: int, start: Path | None = None
) -> None:
    """Fit for so many minutes, from an earlier fit if any, and write the best slow mean of the weights.

    A step is taken on so many points; an accelerator takes 140000 at once, a processor is better off with
    a tenth.
    """
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    store = Store(shards, device)
    known = {} if start is None else part_of(start, "second")
    units = known["forward0.w_state"].shape[1] if known else RECIPE.units
    ear = Ear(store.rows.shape[1], replace(RECIPE, units=units), heads=1, both_ways=True).to(device)
    if known:
        store.mean, store.scale = (torch.from_numpy(known[name]).to(device) for name in ("mean", "scale"))
        ear.load_state_dict(state_of(known, device))
    best_rate = 3e-3 if start is None else 1.5e-3
    mean = copy.deepcopy(ear).eval()
    best, best_loss = copy.deepcopy(mean), math.inf
    optimiser = torch.optim.AdamW(ear.parameters(), lr=best_rate, weight_decay=RECIPE.decay)
    loss_of = nn.functional.binary_cross_entropy_with_logits
    began, steps, said = time.monotonic(), 0, 0.0
    while (spent := (time.monotonic() - began) / (60.0 * minutes)) < 1.0:
        for group in optimiser.param_groups:
            group["lr"] = best_rate * min(1.0, (steps + 1) / 100) * 0.5 * (1.0 + math.cos(math.pi * spent))
        length = int(rng.choice([400, 1000, 2500], p=[0.35, 0.45, 0.2]))
        rows, contact = store.crops(rng, "fit", batch=max(1, points // length), length=length)
        loss = loss_of(ear(rows), contact[:, :, None])
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(ear.parameters(), 1.0)
        optimiser.step()
        steps += 1
        blend(mean, ear, min(0.998, steps / (steps + 50)))
        if spent - said > 0.06:
            said = spent
            checked, right = check(mean, store, batch=max(32, 256 * points // 140000))
            if checked < best_loss:
                best, best_loss = copy.deepcopy(mean), checked
            print(
                f"{steps} steps, loss {loss.item():.4f}, check {checked:.4f}, right {right}",
                flush=True,
            )
    pack(out, arrays_of(best, *(part.cpu().numpy().astype(np.float32) for part in (store.mean, store.scale))))
    hours = len(store.rows) / 18000
    print(f"{store.lengths.size} logs, {hours:.1f} h, {steps} steps, best check {best_loss:.4f}")


def check(ear: Ear, store: Store, *, batch: int) -> tuple[float, str]:
    """Loss, and share of the time right, on logs that the fit does not see."""
    rng = np.random.default_rng(0)
    losses, rights = [], []
    with torch.no_grad():
        for length in (500, 1000, 2000):
            rows, contact = store.crops(rng, "check", batch=batch, length=length)
            scores, wanted = ear(rows), contact[:, :, None]
            losses.append(nn.functional.binary_cross_entropy_with_logits(scores, wanted).item())
            rights.append(torch.where(scores > 0, wanted, 1.0 - wanted).mean(dim=(0, 1)).cpu().numpy())
    return float(np.mean(losses)), " ".join(f"{value:.4f}" for value in np.mean(rights, axis=0))


def put_beside(first: Path, other: Path, out: Path) -> None:
    """Write the networks of two models into one: the first stays, the other is called wider."""
    arrays = {f"second.{name}": array for name, array in part_of(first, "second").items()}
    arrays |= {f"wider.{name}": array for name, array in part_of(other, "second").items()}
    out.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(out / "arrays.npz", **arrays)


def pack(folder: Path, arrays: dict[str, np.ndarray]) -> None:
    """Write the one file of a model folder; large weights in half precision."""
    large = ("weight", "w_input", "w_state")
    packed = {
        f"second.{name}": value.astype(np.float16) if name.rsplit(".", 1)[-1] in large else value
        for name, value in arrays.items()
    }
    np.savez_compressed(folder / "arrays.npz", **packed)
