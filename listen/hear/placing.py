"""Where arriving sound belongs on the stream: gaps are measured by the clock, never closed up."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.errors import InputError

LAG_WINDOW_S = 20.0  # the sound card's clock and the computer's part by less than a block in this


class Placing:
    """Gives arriving pieces their place, and what was lost between them as gaps.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    began_s : float
        Clock reading when the stream opened [s]; any steady clock.
    """

    def __init__(self, *, rate: int, began_s: float) -> None:
        if not rate >= 8000:
            raise InputError(f"sample rate must be at least 8000 Hz, got {rate}")
        self._rate = rate
        self._began_s = began_s
        self._lags: deque[tuple[float, float]] = deque()
        self._after_silence = False
        self.stop = 0  # end of what was placed [samples]

    def arrived(
        self, samples: NDArray[np.float64], *, now_s: float, lost: str = "", n_lost: int | None = None
    ) -> tuple[Block | Gap, ...]:
        """Place a piece that arrived.

        Parameters
        ----------
        samples : ndarray, shape (n_samples,)
            The piece [full scale = ±1].
        now_s : float
            Clock reading when its last sample was there [s].
        lost : str
            Why sound before it is missing; "" where none is.
        n_lost : int | None
            How much [samples], None where only the clock can tell.
        """
        made: list[Block | Gap] = []
        if self._after_silence:
            samples = self._without_late(samples, now_s)
        if lost and not (self._after_silence and not samples.size):
            made += self._lost(samples.size, now_s, lost, n_lost)
        if samples.size:
            made.append(Block(samples=samples, start=self.stop, rate=self._rate))
            self.stop += samples.size
            self._lags.append((now_s, self._lag(now_s)))
        while self._lags and self._lags[0][0] < now_s - LAG_WINDOW_S:
            self._lags.popleft()
        return tuple(made)

    def _lost(self, n_arrived: int, now_s: float, why: str, n_lost: int | None) -> list[Block | Gap]:
        missing = self._missing(n_arrived, now_s) if n_lost is None else n_lost
        gap = Gap(start=self.stop, stop=self.stop + missing, reason=why)
        self.stop += missing
        return [gap]

    def _without_late(self, samples: NDArray[np.float64], now_s: float) -> NDArray[np.float64]:
        """What of a piece does not belong to the silence that was told: it was held up, not lost.

        A held up piece is late as a whole; one that came in time, by no more than it usually is.
        """
        late = round(samples.size + self._usual_lag() - self._lag(now_s))
        self._after_silence = late >= samples.size / 2
        return samples[max(0, late) :]

    def silent(self, *, now_s: float, reason: str) -> tuple[Gap, ...]:
        """A gap up to now, less the delay that sound usually has: nothing has arrived."""
        missing = self._missing(0, now_s)
        self._after_silence = True
        if missing <= 0:
            return ()
        gap = Gap(start=self.stop, stop=self.stop + missing, reason=reason)
        self.stop += missing
        return (gap,)

    def _lag(self, now_s: float) -> float:
        """How far the placed sound is behind the clock [samples]."""
        return (now_s - self._began_s) * self._rate - self.stop

    def _missing(self, n_arrived: int, now_s: float) -> int:
        return max(0, round(self._lag(now_s) - n_arrived - self._usual_lag()))

    def _usual_lag(self) -> float:
        return float(np.median([lag for _, lag in self._lags])) if self._lags else 0.0
