"""Whether the ear nearly heard something where it heard nothing: a missed contact mostly is half heard.

Mean log odds of the live ear's belief in contact, measured on made sound at 12 and 6 dB by
`python -m tools.tools_follow.measure_ear`: 0.5 ± 1.7 over contacts that were missed; -3.2 ± 0.9 in a run's
air, 0.8 from one stretch of its air to the next; until it is confirmed 0.3 ± 2.0 after a break in a contact,
-2.7 ± 1.2 after an end.
"""

import math
from collections import deque

import numpy as np

from listen.states import StateLikelihoods

MISSED, AIR = (0.5, 1.7), (-3.2, 0.8)
AIR_SPREAD = 0.9  # between runs
KEPT_AIR, AIR_BEFORE = 25, 2  # stretches of this run's air, and how many of them the usual one is worth
BREAK, STOP = (0.3, 2.0), (-2.7, 1.2)
LEAST, MOST = 0.05, 5.0  # no more is made of it: real rooms sound otherwise
STEP_S, KEPT_S = 0.1, 600.0
SURE = 0.995
LEAST_STEPS = 3  # tenths of a second that tell something
AT_ONCE, NOTHING = 64, np.empty(0)
EDGE_S = 0.1  # the ear comes a little late
AFTER_S = 0.3  # and believes a little longer


class Quiet:
    """Keeps what the live ear believed of the last ten minutes, a number for each tenth of a second.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    """

    def __init__(self, rate: int) -> None:
        self._step = STEP_S * rate
        self._rate = rate
        n_steps = round(KEPT_S / STEP_S)
        self._sum, self._n = np.zeros(n_steps), np.zeros(n_steps)
        self._newest = -1  # step
        self._new: list[StateLikelihoods] = []
        self._air: deque[float] = deque(maxlen=KEPT_AIR)

    def take(self, heard: StateLikelihoods) -> None:
        """Take the beliefs of the next frames."""
        self._new.append(heard)
        if len(self._new) >= AT_ONCE:
            self._add_up()

    def _add_up(self) -> None:
        """Add what is new to its tenths of a second, many pieces at once: that costs little."""
        at = np.concatenate([NOTHING, *(heard.at for heard in self._new)])
        contact = np.concatenate([NOTHING, *(heard.contact for heard in self._new)])
        self._new.clear()
        if at.size == 0:
            return
        steps = (at // self._step).astype(np.int64)
        self._clear(int(steps[-1]))
        belief = np.minimum(np.maximum(contact, 1.0 - SURE), SURE)
        slots = steps % self._n.size
        np.add.at(self._sum, slots, np.log(belief / (1.0 - belief)))
        np.add.at(self._n, slots, 1.0)

    def _clear(self, newest: int) -> None:
        """Make room up to step `newest`."""
        new = np.arange(max(self._newest + 1, newest + 1 - self._n.size), newest + 1) % self._n.size
        self._sum[new], self._n[new] = 0.0, 0.0
        self._newest = max(self._newest, newest)

    def for_a_miss(self, start_s: float, stop_s: float, now_s: float) -> float | None:
        """How much likelier what was believed from `start_s` to `stop_s` is of a missed contact than of air.

        None where nothing is known of it. What lies after `now_s` is not used.
        """
        if not (math.isfinite(start_s) and math.isfinite(stop_s)):
            return None
        least = 1 if stop_s <= now_s else LEAST_STEPS
        odds = self.mean_odds(start_s + EDGE_S, min(stop_s, now_s), least=least)
        return None if odds is None else _ratio(odds, MISSED, self._of_air())

    @property
    def is_told(self) -> bool:
        """Whether this ear tells what it believes."""
        return self._newest >= 0 or bool(self._new)

    def learn_air(self, start_s: float, stop_s: float) -> None:
        """Between two contacts there was air: every room has its own."""
        odds = self.mean_odds(start_s + AFTER_S, stop_s - EDGE_S)
        if odds is not None:
            self._air.append(odds)

    def _of_air(self) -> tuple[float, float]:
        """What is believed in the air of this run: its middle, and the spread of one stretch."""
        usual, spread = AIR
        unsure = AIR_SPREAD * math.sqrt(AIR_BEFORE / (AIR_BEFORE + len(self._air)))
        return float(np.median([*self._air, *[usual] * AIR_BEFORE])), math.hypot(spread, unsure)

    def for_a_break(self, start_s: float, now_s: float) -> float:
        """How much likelier what was believed since is of a cut that the ear lost than of an end."""
        odds = self.mean_odds(start_s + 0.5 * EDGE_S, now_s)
        return 1.0 if odds is None else _ratio(odds, BREAK, STOP)

    def mean_odds(self, start_s: float, stop_s: float, *, least: int = LEAST_STEPS) -> float | None:
        """Mean log odds of contact in a stretch; None where too little is known of it."""
        self._add_up()
        first, last = math.ceil(start_s / STEP_S), math.floor(stop_s / STEP_S)
        steps = np.arange(max(first, self._newest + 1 - self._n.size, 0), min(last, self._newest))
        n = self._n[steps % self._n.size]
        if np.count_nonzero(n) < least:
            return None
        return float(self._sum[steps % self._n.size].sum() / n.sum())


def _ratio(odds: float, loud: tuple[float, float], quiet: tuple[float, float]) -> float:
    """Ratio of two normals; beyond their means it is not trusted to go on."""
    inside = min(max(odds, quiet[0]), loud[0])
    log_ratio = _log_density(inside, loud) - _log_density(inside, quiet)
    return min(max(math.exp(log_ratio), LEAST), MOST)


def _log_density(x: float, of: tuple[float, float]) -> float:
    """Of a normal, up to a constant."""
    mean, spread = of
    return -0.5 * ((x - mean) / spread) ** 2 - math.log(spread)
