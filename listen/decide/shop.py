"""What a shop has taught: a read-out of its own machine, beside the networks that know many.

Conventions
-----------
The read-out looks at levels as they are, so it holds while machine, microphone and its place stay what
they were when it was taught; frames unlike all that it was taught on are left to the networks.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from listen.decide.layout import REACH, Layout
from listen.decide.read_out import STRONGEST, ReadOut, fit_read_out
from listen.states import log_odds

STIFFNESS = 0.02
LATE_FRAMES = 30  # how far back the states of the live ear's scores lie
NOW, AIR = 0, 3  # of the live ear's scores: log odds of contact now, and the first of the four states
FAR_QUANTILE, FAR_MARGIN = 0.995, 1.25

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shop:
    """A read-out of one shop, and how much it has to say.

    Attributes
    ----------
    read_out : ReadOut
        Of band levels [dB], as `Layout.vectors` gives them.
    far : float
        Frames further than this from all that was taught are not judged [spreads, on the mean].
    live_share, second_share : float
        Of its log odds in those that decide while the run goes on, and in those of the second look [0 to 1].
    """

    read_out: ReadOut
    far: float
    live_share: float
    second_share: float

    def mixed(self, odds: Values, own: Values, share: float) -> Values:
        """Log odds of an ear with those of the shop in them, where it has any (NaN where not)."""
        weight = np.where(np.isnan(own), 0.0, share)
        found: Values = (1.0 - weight) * odds + weight * np.nan_to_num(own)
        return found

    def log_odds(self, vectors: Values) -> Values:
        """Log odds of contact, NaN where a frame is unlike all that was taught, shape (n_frames,)."""
        scaled = (vectors - self.read_out.mean) / self.read_out.spread
        # row by row, and not as one product: that would round differently with the number of rows
        sums = (scaled * self.read_out.weight).sum(axis=1) + self.read_out.bias
        odds: Values = np.clip(sums, -STRONGEST, STRONGEST)
        odds[np.abs(scaled).mean(axis=1) > self.far] = np.nan
        return odds


def teach_shop(contact: Values, air: Values) -> tuple[ReadOut, float]:
    """A read-out from labelled frames, and how far from them a frame may lie.

    Parameters
    ----------
    contact, air : ndarray, shape (n_frames, n_vector)
    """
    read_out = fit_read_out(contact, air, stiffness=STIFFNESS)
    far = max(float(np.quantile(distance(read_out, rows), FAR_QUANTILE)) for rows in (contact, air))
    return read_out, FAR_MARGIN * far


def distance(read_out: ReadOut, vectors: Values) -> Values:
    """How far each frame lies from the middle of what was taught [spreads, on the mean]."""
    found: Values = np.abs((vectors - read_out.mean) / read_out.spread).mean(axis=1)
    return found


class ShopSoFar:
    """The read-out of a shop while the run goes on: levels smoothed over the last frames.

    Parameters
    ----------
    shop : Shop
    layout : Layout
    kept : int
        Frames whose log odds are kept.
    """

    def __init__(self, shop: Shop, layout: Layout, *, kept: int) -> None:
        self._shop = shop
        self._layout = layout
        self._last = np.empty((0, 0))
        self._odds: deque[float] = deque(maxlen=kept)

    def push(self, values: Values) -> None:
        """Take the next frames, shape (n_frames, n_columns)."""
        if not len(values):
            return
        rows = np.hstack([values[:, self._layout.bands], values[:, self._layout.fine]])
        before = self._last if self._last.size else np.repeat(rows[:1], 2 * REACH, axis=0)
        whole = np.vstack([before, rows])
        near = np.stack([whole[k : k + len(rows)] for k in range(2 * REACH + 1)])
        smooth: Values = near.sum(axis=0) / len(near)
        self._odds.extend(self._shop.log_odds(smooth).tolist())
        self._last = whole[-2 * REACH :]

    def heard(self, scores: Values) -> Values:
        """Scores of the live ear for the newest frames with the shop's in them: contact now, and states."""
        made = scores.copy()
        made[:, NOW] = self._shop.mixed(scores[:, NOW], self._last_odds(len(scores)), self._shop.live_share)
        own = self._last_odds(len(scores) + LATE_FRAMES)[: len(scores)]
        odds = logsumexp(scores[:, AIR + 1 :], axis=1) - scores[:, AIR]
        made[:, AIR] += odds - self._shop.mixed(odds, own, self._shop.live_share)
        return made

    def reviewed(self, belief: Values, *, ahead: int) -> Values:
        """Belief of the two-sided ear in the last frames but the newest `ahead`, with the shop's in it."""
        own = self._last_odds(belief.size + ahead)[: belief.size]
        nats = self._shop.mixed(log_odds(belief), own, self._shop.live_share)
        found: Values = 1.0 / (1.0 + np.exp(-nats))
        return found

    def _last_odds(self, n_frames: int) -> Values:
        """Log odds of the last frames, NaN before the first."""
        own = np.array(self._odds)[-n_frames:]
        return np.concatenate([np.full(n_frames - own.size, np.nan), own])
