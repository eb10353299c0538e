"""What air sounds like beside this run's own air, so that a stopped spindle can be told."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from listen.decide.kept import Kept
from listen.decide.layout import Layout
from listen.states import AirSound, Event, Standing, State

LOW_HZ, HIGH_HZ = 300.0, 8000.0
EVERY_S = 0.5
BEFORE_S = (1.2, 0.2)  # of the air before a contact: the spindle turns there
LEAST_FRAMES = 20
REFERENCES = 4
SAME_LINE = 0.02  # share of the frequency within which it is the same line
LEFT = 0.05  # share of the frames in which something of a line is left
LASTS = 0.6  # share of the frames in which a line must stand


class AirListener:
    """Sums up each half second of air; nothing is told while a contact is heard.

    Parameters
    ----------
    layout : Layout
    kept : Kept
        The last frames; whoever calls `step` has pushed the frame before.
    hop : int
        Step from frame to frame [samples].
    """

    def __init__(self, layout: Layout, kept: Kept, *, hop: int) -> None:
        edges = layout.band_edges_hz
        self._audible = np.flatnonzero((edges[1:] > LOW_HZ) & (edges[:-1] < HIGH_HZ))
        self._kept = kept
        self._hop = hop
        self._per_s = hop / layout.hop_s
        self._every = round(EVERY_S / layout.hop_s)
        self.start_anew()
        self._turning: deque[tuple[NDArray[np.float32], list[float]]] = deque(maxlen=REFERENCES)
        self._quiet: tuple[NDArray[np.float32], list[float]] | None = None

    def start_anew(self) -> None:
        """After a gap the frames before it count no more; what air sounds like stays known."""
        self._touches = self._confirmed = False
        self._since = 0  # frames of air without a break

    def hear(self, event: Event) -> None:
        """Learn the air before each contact."""
        if event.standing is Standing.WITHDRAWN:
            self._touches = self._confirmed
            return
        self._touches = event.state is not State.AIR
        self._since = 0
        if event.standing is Standing.CONFIRMED:
            self._confirmed = self._touches
        if event.state is State.ENTRY and event.standing is Standing.CONFIRMED:
            early, late = (event.at - round(s * self._per_s) for s in BEFORE_S)
            before = self._kept.bands(early, late)[:, self._audible]
            if len(before) >= LEAST_FRAMES:
                (lines,) = _lasting(self._kept.lines(early, late)[:, :, 0], LASTS)
                self._turning.append((np.median(before, axis=0), lines))

    def step(self, at: int) -> tuple[AirSound, ...]:
        """Take the newest frame, and tell of the last half second when it was air."""
        self._since = 0 if self._touches else self._since + 1
        return (self._sum_up(at),) if self._since and self._since % self._every == 0 else ()

    def _sum_up(self, at: int) -> AirSound:
        since = at - self._every * self._hop
        bands = np.median(self._kept.bands(since, at)[:, self._audible], axis=0)
        lines, left = _lasting(self._kept.lines(since, at)[:, :, 0], LASTS, LEFT)
        if self._quiet is None or bands.mean() < self._quiet[0].mean():
            self._quiet = (bands, lines)
        quiet, known = self._quiet
        below, turned = min(
            ((float(np.median(turning - bands)), sang) for turning, sang in self._turning),
            key=lambda pair: pair[0],
            default=(float("nan"), []),
        )
        return AirSound(
            at=at,
            below_db=below,
            over_quiet_db=float(np.median(bands - quiet)),
            lines_hz=tuple(hz for hz in lines if not _is_among(hz, known)),
            gone_hz=tuple(hz for hz in turned if not _is_among(hz, left)),
        )


def _lasting(lines_hz: NDArray[np.float32], *shares: float) -> list[list[float]]:
    """Lines that stand in each share of the frames; `lines_hz` is (n_frames, n_lines), 0 for none."""
    candidates = np.unique(lines_hz[lines_hz > 0.0])
    apart = np.abs(lines_hz[:, :, None] - candidates)
    stands = (apart <= SAME_LINE * candidates).any(axis=1).mean(axis=0)
    return [_thinned(candidates[stands >= share].tolist()) for share in shares]


def _thinned(rising_hz: list[float]) -> list[float]:
    """Each line once: what lies within reach of the one before it is the same."""
    found: list[float] = []
    for hz in rising_hz:
        if not found or hz - found[-1] > SAME_LINE * hz:
            found.append(hz)
    return found


def _is_among(hz: float, known: list[float]) -> bool:
    return any(abs(hz - one) <= SAME_LINE * hz for one in known)
