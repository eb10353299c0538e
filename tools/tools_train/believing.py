"""How often the live ear's suppositions come true, fitted on made sound that the ear was not fitted on."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import numpy as np
from sklearn.linear_model import LogisticRegression
from tools_ear import clips
from tools_ear.calibration import came_true

from listen.blocks import Block
from listen.decide import Decide, Model, load_model
from listen.decide.supposition import Supposition, evidence
from listen.ears import ear_layout
from listen.measure import FEATURES, VERSION, Measure
from listen.states import Event, Standing, State
from listen.synth import TRAINING_RANGES, draw_clip
from tools_train import making

SIDES = {"start": (State.ENTRY, 0, True), "end": (State.AIR, 1, False)}


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
    asked = Asked()
    heard = told_by(clip, model, asked)
    found = {}
    for name, (state, side, is_start) in SIDES.items():
        mine = [event for event in heard if event.state is state]
        truth = [right for _, right in came_true([c[side] for c in clip.contacts], mine, clip.rate)]
        of_mine = [given for given, starts in asked.rows if starts is is_start]
        found[name] = [(*given, right) for given, right in zip(of_mine, truth, strict=True)]
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked(Supposition):
    """Notes what it is asked about, in order."""

    rows: list[tuple[tuple[float, float], bool]] = field(default_factory=list)

    def probability(self, odds: Sequence[float], *, is_start: bool) -> float:
        """That of the ear's own word."""
        self.rows.append((evidence(odds, is_start=is_start), is_start))
        return Supposition.probability(self, odds, is_start=is_start)


def told_by(clip: clips.Clip, model: Model, supposition: Supposition) -> list[Event]:
    """Provisional changes of a clip."""
    measure = Measure(clip.rate)
    decide = Decide(model, ear_layout(), hop=measure.pace.hop, supposition=supposition)
    frames = (*measure.push(Block(samples=clip.samples, start=0, rate=clip.rate)), *measure.close())
    heard = [*chain.from_iterable(decide.push(given) for given in frames), *decide.close()]
    return [e for e in heard if isinstance(e, Event) and e.standing is Standing.PROVISIONAL]


def weights(rows: list[tuple[float, float, bool]]) -> list[float]:
    """Constant, weight at the change, weight before it."""
    table = np.array(rows, dtype=float)
    fitted = LogisticRegression(max_iter=500).fit(table[:, :2], table[:, 2])
    return [round(float(value), 3) for value in (fitted.intercept_[0], *fitted.coef_[0])]
