"""How often the live ear's suppositions come true, fitted on made sound that the ear was not fitted on."""

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from sklearn.linear_model import LogisticRegression
from tools_ear import clips
from tools_ear.calibration import came_true

from listen.blocks import Block
from listen.decide import Model, load_model
from listen.decide.supposition import BEFORE
from listen.ears import SoundEar
from listen.measure import FEATURES, VERSION
from listen.states import Event, Standing, State, StateLikelihoods, log_odds
from listen.synth import TRAINING_RANGES, draw_clip
from tools_train import making

SIDES = {"start": (State.ENTRY, 0, 1.0), "end": (State.AIR, 1, -1.0)}


def fit_beliefs(folder: Path, *, n_clips: int, seed: int) -> None:
    """Fit what `listen.decide.supposition` needs, and write it into the model's card."""
    model = load_model(folder, features=FEATURES, version=VERSION)
    told: dict[str, list] = {side: [] for side in SIDES}
    for clip in draw(n_clips=n_clips, seed=seed):
        for side, rows in suppositions(clip, model).items():
            told[side] += rows
    card = json.loads((folder / "card.json").read_text(encoding="utf-8"))
    card["supposed"] = {side: weights(rows) for side, rows in told.items()}
    (folder / "card.json").write_text(json.dumps(card, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    print({side: len(rows) for side, rows in told.items()}, "suppositions:", card["supposed"])


def draw(*, n_clips: int, seed: int) -> Iterator[clips.Clip]:
    """Clips as the fit draws them, by another seed."""
    for index in range(n_clips):
        rng = np.random.default_rng([seed, index])
        duration_s = float(rng.choice(making.CLIPS_S, p=making.CLIP_SHARES))
        rate = int(rng.choice(making.RATES, p=making.RATE_SHARES))
        made = draw_clip(rng, ranges=TRAINING_RANGES, rate=rate, duration_s=duration_s)
        yield clips.clip_of("believing", made)


def suppositions(clip: clips.Clip, model: Model) -> dict[str, list[tuple[float, float, bool]]]:
    """Log odds at each provisional change, just before it, and whether it came true."""
    ear = SoundEar(model, rate=clip.rate, keep=False)
    given = Block(samples=clip.samples, start=0, rate=clip.rate)
    heard = [*ear.push(given), *ear.close()]
    likely = [item for item in heard if isinstance(item, StateLikelihoods)]
    at = np.concatenate([item.at for item in likely])
    odds = log_odds(np.concatenate([item.contact for item in likely]))
    provisional = [e for e in heard if isinstance(e, Event) and e.standing is Standing.PROVISIONAL]
    found = {}
    for name, (state, side, sign) in SIDES.items():
        mine = [event for event in provisional if event.state is state]
        truth = [right for _, right in came_true([c[side] for c in clip.contacts], mine, clip.rate)]
        last = np.searchsorted(at, [event.decided_at for event in mine])
        found[name] = [
            (sign * odds[i], sign * odds[: i + 1][BEFORE].mean(), right)
            for i, right in zip(last.tolist(), truth, strict=True)
            if i >= -BEFORE.start
        ]
    return found


def weights(rows: list[tuple[float, float, bool]]) -> list[float]:
    """Constant, weight at the change, weight before it."""
    table = np.array(rows, dtype=float)
    fitted = LogisticRegression(max_iter=500).fit(table[:, :2], table[:, 2])
    return [round(float(value), 3) for value in (fitted.intercept_[0], *fitted.coef_[0])]
