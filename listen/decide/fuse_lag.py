"""How late load comes while the run goes on, by where the live ear's belief rises and falls beside it.

Sound need not hear a contact to date it: where it is too faint to be told, belief still goes up and down
with it. Each end of a contact of load is laid where belief before and after it differs most.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from listen.states import StateLikelihoods

STEP_S, KEPT_S = 0.05, 600.0
EARLIEST_S, LATEST_S = -0.4, 1.6  # how late a drive and its control are
BESIDE_S = 1.0  # belief is compared over so long before and after an end
SURE = 0.95  # no single frame counts for more
CLEAR = 0.9  # mean difference of log odds from which a contact tells [nats]
N_CLEAR, STEADY_S = 3, 0.1  # so many contacts that tell, and the mean by which they differ
EAR_LATE_S = 0.08  # the live ear believes a little late; made sound, tools/bench fuse on seeds 301 to 316
AT_ONCE = 64
Spans = Sequence[tuple[int, int]]


class LagBySound:
    """Keeps the live ear's belief of the last ten minutes, and says how late load is by it.

    Parameters
    ----------
    rate : int
        [Hz]
    """

    def __init__(self, *, rate: int) -> None:
        self._step = STEP_S * rate
        self._sum, self._n = np.zeros(round(KEPT_S / STEP_S)), np.zeros(round(KEPT_S / STEP_S))
        self._newest = -1  # step
        self._new: list[StateLikelihoods] = []
        self._known: dict[tuple[int, int], float | None] = {}

    def take(self, heard: StateLikelihoods) -> None:
        """Take the beliefs of the next frames."""
        self._new.append(heard)
        if len(self._new) >= AT_ONCE:
            self._add_up()

    def late_by(self, contacts: Spans) -> int | None:
        """How late contacts of load are [samples]; None where too few tell, or not the same.

        Parameters
        ----------
        contacts : sequence of (int, int)
            As load had them [samples].
        """
        self._add_up()
        self._known = {one: self._known[one] for one in contacts if one in self._known}
        each = [late for one in contacts if (late := self._late(one)) is not None]
        if len(each) < N_CLEAR:
            return None
        middle = float(np.median(each))
        if float(np.mean(np.abs(np.array(each) - middle))) > STEADY_S:
            return None
        return round((middle + EAR_LATE_S) / STEP_S * self._step)

    def _late(self, contact: tuple[int, int]) -> float | None:
        """How late one contact is [s], None where belief does not show it; kept once it is known."""
        if contact not in self._known:
            after = contact[1] / self._step - EARLIEST_S / STEP_S + BESIDE_S / STEP_S
            if after > self._newest:
                return None
            self._known[contact] = self._laid(*(at / self._step for at in contact))
        return self._known[contact]

    def _laid(self, start: float, stop: float) -> float | None:
        lags = np.arange(round(EARLIEST_S / STEP_S), round(LATEST_S / STEP_S))
        beside = round(BESIDE_S / STEP_S)
        first = round(start) - lags[-1] - beside
        last = round(stop) - lags[0] + beside
        if first < max(0, self._newest + 1 - self._sum.size):
            return None
        slots = np.arange(first, last) % self._sum.size
        odds = self._sum[slots] / np.maximum(self._n[slots], 1.0)
        total = np.concatenate([[0.0], np.cumsum(odds)])
        rise, fall = (
            total[place + beside] - 2.0 * total[place] + total[place - beside]
            for place in (round(end) - lags - first for end in (start, stop))
        )
        differs = (rise - fall) / (2.0 * beside)
        best = int(differs.argmax())
        tells = differs[best] >= CLEAR and 0 < best < lags.size - 1
        return float(lags[best]) * STEP_S if tells else None

    def _add_up(self) -> None:
        """Add what is new to its steps, many pieces at once: that costs little."""
        if not self._new:
            return
        at = np.concatenate([heard.at for heard in self._new])
        contact = np.concatenate([heard.contact for heard in self._new])
        self._new.clear()
        steps: NDArray[np.int64] = (at // self._step).astype(np.int64)
        newest = int(steps[-1])
        fresh = np.arange(max(self._newest + 1, newest + 1 - self._sum.size), newest + 1)
        self._sum[fresh % self._sum.size] = self._n[fresh % self._sum.size] = 0.0
        self._newest = newest
        belief = np.clip(contact, 1.0 - SURE, SURE)
        np.add.at(self._sum, steps % self._sum.size, np.log(belief / (1.0 - belief)))
        np.add.at(self._n, steps % self._sum.size, 1.0)
