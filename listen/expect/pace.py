"""When the tool is where inside one span: it speeds up after a stop, cruises, and slows down before one.

A span says only where and when it begins and ends. What it takes longer than its length at the
programmed feed is lost in speeding up and slowing down; that loss is laid to the ends at which
the path stops or bends, so that the tool is at its feed in between, where it cuts.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.program.path import TimedPath
from listen.spans import SpanKind

Floats = NDArray[np.float64]
LEAST_LOSS_S = 0.003
KNOTS = np.array([0.0, 1.0 / 9.0, 4.0 / 9.0, 1.0])  # thirds of the time at steady acceleration


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pace:
    """Time along spans; arrays of shape (n_moving,).

    Attributes
    ----------
    up, down : ndarray
        Share of the length in which the tool speeds up and slows down, 0 for none.
    lasts, up_s, down_s : ndarray
        Time of the whole span, and of the two ramps [s].
    """

    up: Floats
    down: Floats
    lasts: Floats
    up_s: Floats
    down_s: Floats

    @property
    def bends(self) -> NDArray[np.bool_]:
        """Which spans are not at one speed."""
        return np.asarray((self.up > 0.0) | (self.down > 0.0))

    def time(self, index: NDArray[np.int64], share: Floats) -> Floats:
        """Time since the span's start at a share of its length [s]."""
        up, down = self.up[index], self.down[index]
        lasts, up_s, down_s = self.lasts[index], self.up_s[index], self.down_s[index]
        cruise = np.maximum(1.0 - up - down, 1e-12)
        times = up_s + (share - up) / cruise * (lasts - up_s - down_s)
        early = (share < up) & (up > 0.0)
        times[early] = up_s[early] * np.sqrt(share[early] / up[early])
        late = (share > 1.0 - down) & (down > 0.0)
        times[late] = lasts[late] - down_s[late] * np.sqrt((1.0 - share[late]) / down[late])
        return np.asarray(times)


def pace_of(
    path: TimedPath, moving: NDArray[np.int64], lengths: Floats, tangents: tuple[Floats, Floats]
) -> Pace:
    """The pace of the moving spans.

    Parameters
    ----------
    moving : ndarray, shape (n_moving,)
        Indices of the spans that move, in order.
    lengths : ndarray, shape (n_moving,)
        [mm]
    tangents : two ndarrays, shape (n_moving, 3)
        Direction at begin and end.
    """
    spans = path.spans
    lasts = spans.stop_s[moving] - spans.start_s[moving]
    speed = path.feed_mm_per_min[moving] / 60.0
    feeding = (spans.kind[moving] == SpanKind.FEED) & (speed > 0.0)
    loss = np.where(feeding, lasts - lengths / np.maximum(speed, 1e-9), 0.0)
    first, last = _stops(path, moving, feeding, tangents)
    both = np.maximum(first + last, 1e-9)
    fits = feeding & (loss > LEAST_LOSS_S) & (first + last > 0.01) & (speed * loss < 0.95 * lengths)
    up_loss = np.where(fits, loss * first / both, 0.0)
    down_loss = np.where(fits, loss * last / both, 0.0)
    safe = np.maximum(lengths, 1e-12)
    return Pace(
        up=speed * up_loss / safe,
        down=speed * down_loss / safe,
        lasts=lasts,
        up_s=2.0 * up_loss,
        down_s=2.0 * down_loss,
    )


def _stops(
    path: TimedPath, moving: NDArray[np.int64], feeding: NDArray[np.bool_], tangents: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """How much the path stops at each span's begin and end: 1 a full stop, 0 straight on."""
    n = moving.size
    joint = np.ones(n + 1)
    if n > 1:
        straight = np.einsum("ij,ij->i", tangents[1][:-1], tangents[0][1:])
        on = feeding[:-1] & feeding[1:] & (np.diff(moving) == 1)
        joint[1:-1] = np.where(on, np.clip(1.0 - straight, 0.0, 1.0), 1.0)
    return joint[:-1], joint[1:]
