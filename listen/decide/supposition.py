"""How likely it is that a change which the live ear supposes is one.

A provisional start or end is told at the first frame that speaks for it. What the ear believes at that
frame is not how often it is right: it tells a change most readily while it wavers. What it believed just
before is the better half of the evidence.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from listen.errors import ModelError

BEFORE = slice(-9, -3)  # frames that are looked back at: 30 to 80 ms before the one that tells
Weights = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Supposition:
    """Logistic read-outs: log odds that a supposed change is one, within 200 ms.

    Attributes
    ----------
    start, end : (float, float, float)
        A constant, the weight of the log odds of the change at the frame that tells it, and of
        their mean just before. Fitted by `tools/train believe` on sound that the ear was not fitted on.
    """

    start: Weights = (0.0, 1.0, 0.0)
    end: Weights = (0.0, 1.0, 0.0)

    def probability(self, odds: Sequence[float], *, is_start: bool) -> float:
        """Probability of the change that the last of these log odds of contact tells."""
        now, before = evidence(odds, is_start=is_start)
        constant, of_now, of_before = self.start if is_start else self.end
        return float(1.0 / (1.0 + np.exp(-constant - of_now * now - of_before * before)))


def evidence(odds: Sequence[float], *, is_start: bool) -> tuple[float, float]:
    """Log odds of the change at the frame that tells it, and their mean just before."""
    told = np.array(odds) * (1.0 if is_start else -1.0)
    earlier = told[BEFORE] if told.size > -BEFORE.stop else told[:1]
    return float(told[-1]), float(earlier.mean())


def supposition_of(card: dict[str, Any]) -> Supposition:
    """What a model's card says of its provisional changes; without, the ear is taken at its word.

    Raises
    ------
    ModelError
        If the card has no three numbers for each.
    """
    told = card.get("supposed")
    if told is None:
        return Supposition()
    try:
        start, end = ((float(a), float(b), float(c)) for a, b, c in (told["start"], told["end"]))
    except (TypeError, ValueError, KeyError):
        raise ModelError(
            f"card.json: 'supposed' must have three numbers for 'start' and for 'end', got {told!r}; "
            "fit them again with tools/train believe"
        ) from None
    return Supposition(start=start, end=end)
