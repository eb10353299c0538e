"""What else is heard of a contact: how loud it was, whether it chattered, and whether it changed."""

from collections.abc import Iterator
from functools import partial

import numpy as np
from numpy.typing import NDArray

from listen.decide.change import BLOCK_FRAMES, ChangeListener
from listen.decide.chatter import ChatterListener
from listen.decide.kept import Kept
from listen.decide.layout import Layout
from listen.decide.once_a_turn import TurnListener
from listen.decide.tooth_pass import tooth_pass
from listen.states import ContactSound, Event, Finding, Standing, State, Turning

LOW_HZ, HIGH_HZ = 300.0, 8000.0
EDGE_S = 0.08  # left out next to a change of contact
AIR_S = 1.0  # of air before a contact that it is held against
CUT_SHARE, AIR_SHARE = 0.5, 0.2  # of the frames are quieter than the level: a voice is not always there
SHORT_AIR_S = 0.3  # less than this may be a cut that the ear lost for a moment
TONES_S = 4.0  # of air whose lines are the machine's own
MOST_LOOKS = 400  # that a tooth-pass frequency is taken from
LOOK_EVERY = 4  # frames; lines change no faster


class ContactListener:
    """Follows the frames and the events, and sums up each contact when it is over.

    Parameters
    ----------
    layout : Layout
    kept : Kept
        The last frames; whoever calls `step` has pushed the frame before.
    hop : int
        [samples]
    turnings : tuple of Turning
        The spindle speeds and flutes that the program has; none where not known.
    """

    def __init__(self, layout: Layout, kept: Kept, *, hop: int, turnings: tuple[Turning, ...]) -> None:
        edges = layout.band_edges_hz
        self._audible = (edges[1:] > LOW_HZ) & (edges[:-1] < HIGH_HZ)
        self._width = (np.minimum(edges[1:], HIGH_HZ) - np.maximum(edges[:-1], LOW_HZ))[self._audible]
        self._kept = kept
        self._per_s = hop / layout.hop_s
        self._hop = hop
        self._turnings = turnings
        centres_hz = np.sqrt(edges[:-1] * edges[1:])
        self._change = ChangeListener(centres_hz, self._audible, block=BLOCK_FRAMES * hop)
        looks_per_s = 1.0 / (LOOK_EVERY * layout.hop_s)
        self._chatter = ChatterListener(looks_per_s=looks_per_s, turnings=turnings)
        self._turns = TurnListener(layout.fine_edges_hz, looks_per_s=looks_per_s, turnings=turnings)
        self.start_anew()

    def start_anew(self) -> None:
        """After a gap nothing is kept."""
        self._n_frames = 0
        self._entry: int | None = None
        self._last_air = 0
        self._air_db = float("nan")  # of the last air that a contact was held against
        self._may_be_over = False  # an exit is supposed: what sings now is no chatter
        self._change.end()
        self._turns.end()

    def step(self, at: int, fine_db: NDArray[np.float64]) -> tuple[Finding, ...]:
        """Look at the newest frame, and its narrow bands; tell of what has lasted."""
        self._n_frames += 1
        entry = self._entry
        if entry is None or self._may_be_over:
            return ()
        found: tuple[Finding, ...] = ()
        if self._n_frames % LOOK_EVERY == 1:
            so_far = partial(self._looks, entry, at)
            found = self._chatter.look(at, self._kept.lines(at - self._hop, at)[0], so_far)
            found += self._turns.look(at, fine_db, so_far)
        if self._n_frames % BLOCK_FRAMES == 0:
            found += self._change.look(at, self._kept.bands(at - BLOCK_FRAMES * self._hop, at))
        return found

    def hear(self, event: Event) -> Iterator[ContactSound]:
        """Note where contacts begin, and sum one up when it ends."""
        if event.state is State.AIR and event.standing is not Standing.CONFIRMED:
            self._may_be_over = event.standing is Standing.PROVISIONAL
            self._chatter.break_off()
        if event.state is State.STEADY:
            self._change.begin()
            self._turns.begin()
        if event.standing is not Standing.CONFIRMED:
            return
        self._may_be_over = False
        if event.state is State.ENTRY:
            self._entry = event.at
            now = self._kept.lines(event.decided_at - self._hop, event.decided_at)[0]
            air_from = max(event.at - round(TONES_S * self._per_s), self._last_air)
            air = self._kept.lines(air_from, event.at - 2 * self._hop)[::LOOK_EVERY]
            self._chatter.begin(air, now)
            self._air_db = self._air_level_db(event.at)
        elif event.state is State.AIR and self._entry is not None:
            yield self._sum_up(self._entry, event)
            self._change.end()
            self._turns.end()
            self._entry, self._last_air = None, event.at

    def _sum_up(self, start: int, event: Event) -> ContactSound:
        edge = min(round(EDGE_S * self._per_s), (event.at - start) // 4)
        cut = self._kept.bands(start + edge, event.at - edge)
        cut_db = self._level_db(cut, CUT_SHARE)
        teeth = tooth_pass(self._looks(start + edge, event.at - edge), self._turnings)
        return ContactSound(
            start=start,
            stop=event.at,
            decided_at=event.decided_at,
            level_db=cut_db - self._air_db,
            own_db=_without(cut_db, self._air_db),
            tooth_pass_hz=teeth.hz if teeth else float("nan"),
            tooth_pass_spread_hz=teeth.spread_hz if teeth else 0.0,
        )

    def _air_level_db(self, start: int) -> float:
        """Level of the air before a contact; where that is short, no more than of the air before it."""
        air_from = max(start - round(AIR_S * self._per_s), self._last_air)
        level = self._level_db(self._kept.bands(air_from, start - 2 * self._hop), AIR_SHARE)
        is_short = start - air_from < SHORT_AIR_S * self._per_s
        return float(np.fmin(level, self._air_db)) if is_short else level

    def _looks(self, start: int, stop: int) -> NDArray[np.float32]:
        """Lines of a stretch, some of them where it is long."""
        looks = self._kept.lines(start, stop)[::LOOK_EVERY]
        return looks[:: 1 + len(looks) // MOST_LOOKS]

    def _level_db(self, bands_db: NDArray[np.float32], share: float) -> float:
        """Level in the band that counts that a share of the frames is below [dB]; NaN of none."""
        if not len(bands_db):
            return float("nan")
        power = 10.0 ** (bands_db[:, self._audible].astype(np.float64) / 10.0) * self._width
        return float(10.0 * np.log10(np.quantile(power.sum(axis=1), share) + 1e-18))


def _without(cut_db: float, air_db: float) -> float:
    """Level of a cut less the air's power in it, of which at least a tenth is taken to be left [dB]."""
    cut, air = 10.0 ** (cut_db / 10.0), 10.0 ** (air_db / 10.0)
    return float(10.0 * np.log10(max(cut - air, 0.1 * air))) if np.isfinite(cut + air) else float("nan")
