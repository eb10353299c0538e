"""What else is heard of a contact: how loud it was, and whether it chattered."""

from collections import deque
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from listen.decide.layout import Layout
from listen.states import ContactSound, Event, Finding, Standing, State

LOW_HZ, HIGH_HZ = 300.0, 8000.0
KEPT_S = 240.0
EDGE_S = 0.08  # left out next to a change of contact
CHATTER_S = 0.35  # a line must stand out for so long: entries and exits sing for less
CHATTER_OVER_DB = 15.0  # off the comb of a known speed
DROWNS_ALL_DB = 22.0  # where the speed is not known: a comb line of a clean cut seldom does
LOWEST_MODE_HZ = 250.0  # tool and spindle sing above this; common practice, no source
SAME_LINE = 0.02  # share of the frequency within which it is the same line
OFF_COMB_HZ = 6.0  # a window of 100 ms tells lines 10 Hz apart


class ContactListener:
    """Follows the frames and the events, and sums up each contact when it is over.

    Parameters
    ----------
    layout : Layout
    hop : int
        [samples]
    spindle_hz : float
        0 where not known; then chatter is looked for only as a line that comes up with the
        contact and drowns all else.
    flutes : int
        0 where not known.
    """

    def __init__(self, layout: Layout, *, hop: int, spindle_hz: float, flutes: int) -> None:
        edges = layout.band_edges_hz
        self._audible = (edges[1:] > LOW_HZ) & (edges[:-1] < HIGH_HZ)
        self._width = np.minimum(edges[1:], HIGH_HZ) - np.maximum(edges[:-1], LOW_HZ)
        self._layout = layout
        self._hop = hop
        self._spindle_hz = spindle_hz
        # Runout sings at every turn of the spindle; below 24 turns a second those lines run together.
        self._comb_hz = spindle_hz if spindle_hz >= 4.0 * OFF_COMB_HZ else spindle_hz * max(flutes, 1)
        self._stands_out_db = CHATTER_OVER_DB if spindle_hz > 0.0 else DROWNS_ALL_DB
        self._kept: deque[tuple[int, float]] = deque(maxlen=round(KEPT_S / layout.hop_s))
        self._entry: int | None = None
        self._last_air = 0
        self._chatter: list[tuple[int, float, float]] = []
        self._chatter_told = False
        self._may_be_over = False  # an exit is supposed: what sings now is no chatter
        self._air_lines: list[float] = []

    def start_anew(self) -> tuple[ContactSound, ...]:
        """After a gap nothing is kept."""
        self._kept.clear()
        self._entry = None
        self._chatter.clear()
        return ()

    def frame(self, at: int, values: NDArray[np.float64]) -> Iterator[Finding]:
        """Keep what one frame has; tell of chatter as soon as it has lasted."""
        bands = 10.0 ** (values[self._layout.bands] / 10.0)
        power = float(np.sum((bands * self._width)[self._audible]))
        self._kept.append((at, power))
        lines = values[self._layout.lines]
        if self._entry is None:
            self._air_lines = [float(f) for f in lines[0::3] if f > 0.0]
        elif not self._may_be_over:
            yield from self._look_for_chatter(at, lines)

    def hear(self, event: Event) -> Iterator[ContactSound]:
        """Note where contacts begin, and sum one up when it ends."""
        if event.state is State.AIR and event.standing is not Standing.CONFIRMED:
            self._may_be_over = event.standing is Standing.PROVISIONAL
            self._chatter.clear()
        if event.standing is not Standing.CONFIRMED:
            return
        self._may_be_over = False
        if event.state is State.ENTRY:
            self._entry = event.at
            self._chatter.clear()
            self._chatter_told = False
        elif event.state is State.AIR and self._entry is not None:
            yield self._sum_up(self._entry, event)
            self._entry, self._last_air = None, event.at

    def _sum_up(self, start: int, event: Event) -> ContactSound:
        edge = min(round(EDGE_S / self._layout.hop_s * self._hop), (event.at - start) // 4)
        before = start - 100 * self._hop
        cut = [power for at, power in self._kept if start + edge < at <= event.at - edge]
        air = [power for at, power in self._kept if max(before, self._last_air) < at <= start - 2 * self._hop]
        level = 10.0 * np.log10((_mean(cut) + 1e-18) / (_mean(air) + 1e-18)) if cut and air else float("nan")
        return ContactSound(
            start=start,
            stop=event.at,
            decided_at=event.decided_at,
            level_db=float(level),
            tooth_pass_hz=float("nan"),
        )

    def _look_for_chatter(self, at: int, lines: NDArray[np.float64]) -> Iterator[Finding]:
        """A strong line off the comb of the teeth that stays where it is."""
        frequency, over = self._strongest_off_comb(lines)
        if frequency == 0.0:
            self._chatter = self._chatter[-3:]
            return
        steady = [c for c in self._chatter if abs(c[1] - frequency) <= SAME_LINE * frequency]
        self._chatter = [*steady, (at, frequency, over)]
        lasted = at - self._chatter[0][0]
        if not self._chatter_told and lasted >= CHATTER_S / self._layout.hop_s * self._hop:
            self._chatter_told = True
            level = float(np.median([c[2] for c in self._chatter]))
            yield Finding(
                kind="chatter",
                start=self._chatter[0][0],
                stop=at,
                decided_at=at,
                frequency_hz=float(np.median([c[1] for c in self._chatter])),
                level_db=level,
                probability=float(np.clip(0.5 + (level - self._stands_out_db) / 20.0, 0.5, 0.95)),
            )

    def _strongest_off_comb(self, lines: NDArray[np.float64]) -> tuple[float, float]:
        """The strongest line that stands out, if it is neither the comb's nor the air's."""
        frequency, _, over = (float(value) for value in lines[:3])
        in_air = any(abs(frequency - f) <= SAME_LINE * frequency for f in self._air_lines)
        plain = over < self._stands_out_db or frequency < LOWEST_MODE_HZ
        if plain or in_air or self._on_comb(frequency):
            return 0.0, 0.0
        return frequency, over

    def _on_comb(self, frequency: float) -> bool:
        if self._comb_hz <= 0.0:
            return False
        nearest = round(frequency / self._comb_hz) * self._comb_hz
        return abs(frequency - nearest) <= max(OFF_COMB_HZ, 0.004 * frequency)


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)
