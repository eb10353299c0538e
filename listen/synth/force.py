"""Cutting force tooth by tooth, from the true engagement, over one revolution and one contact.

Conventions
-----------
The angle of a tooth is counted from the normal of the feed direction, so that its chip is
fz·sin(angle) thick and its place along the feed is R·sin(angle) ahead of the tool's centre.
A straight pass enters through a face square to the feed and leaves through another: a tooth is in
the metal where its place is past the first face and not past the second.

References
----------
Engagement and chip thickness: references.md section 6.1 (textbook). Force ~ thickness^(1 - mc), Kienzle.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.synth.sound import TABLE, Sound, Values

WAYS = ("side", "slot", "face", "drill", "plunge")
STEPS = 40  # rows of the table for a ramp


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """How a tool cuts.

    Attributes
    ----------
    way : str
        One of `WAYS`.
    diameter_mm : float
    flutes : int
    radial_ratio : float
        Width of cut over diameter [0 to 1].
    climb : bool
    feed_per_tooth_mm : float
    exponent : float
        mc of the Kienzle force.
    runout : tuple of float
        Radius of each tooth over the mean, in feeds per tooth.
    helix_lag : float
        Angle over which a tooth's edge comes into the metal [revolutions].
    edge_share : float
        Ploughing force of an engaged edge over that of a full chip.
    sense : float
        Direction from which the force is heard [rad].
    arc_in : bool
        Rolls in and out on an arc, so that the width grows, not the length.
    """

    way: str
    diameter_mm: float
    flutes: int
    radial_ratio: float
    climb: bool
    feed_per_tooth_mm: float
    exponent: float
    runout: tuple[float, ...]
    helix_lag: float
    edge_share: float
    sense: float
    arc_in: bool = False

    def __post_init__(self) -> None:
        if self.way not in WAYS:
            raise InputError(f"way of cutting must be one of {', '.join(WAYS)}; got {self.way!r}")
        if not (0.0 < self.radial_ratio <= 1.0 and self.flutes >= 1 and self.diameter_mm > 0.0):
            raise InputError(
                f"a cut needs 0 < radial_ratio <= 1, flutes >= 1, diameter above 0; got "
                f"{self.radial_ratio}, {self.flutes}, {self.diameter_mm}"
            )
        if len(self.runout) != self.flutes:
            raise InputError(f"runout needs one value a tooth, got {len(self.runout)} for {self.flutes}")

    @property
    def is_axial(self) -> bool:
        """True where the tool goes in along its axis."""
        return self.way in ("drill", "plunge")


def at_feed(cut: Cut, share: float) -> Cut:
    """The cut at a share of its feed: thinner chips, so more ploughing, and runout that counts for more.

    At a tenth of the feed a common runout leaves one tooth a revolution to do the cutting.
    """
    share = max(round(share, 2), 0.02)
    if share == 1.0:
        return cut
    return replace(
        cut,
        feed_per_tooth_mm=cut.feed_per_tooth_mm * share,
        runout=tuple(own / share for own in cut.runout),
        edge_share=cut.edge_share * share ** (cut.exponent - 1.0),
    )


def engaged_arc(cut: Cut) -> tuple[float, float]:
    """First and last angle at which a tooth cuts in full engagement [rad]."""
    if cut.is_axial:
        return 0.0, 2.0 * np.pi
    if cut.way == "slot":
        return 0.0, np.pi
    width = float(np.arccos(1.0 - 2.0 * cut.radial_ratio))
    if cut.way == "face":  # across the middle of the tool
        half = float(np.arcsin(cut.radial_ratio))
        return np.pi / 2.0 - half, np.pi / 2.0 + half
    return 0.0, width


def ramp_length_mm(cut: Cut) -> float:
    """Way from first touch to full engagement along the feed [mm], for a straight pass.

    Examples
    --------
    >>> side = Cut(way="side", diameter_mm=10.0, flutes=2, radial_ratio=0.1, climb=True,
    ...            feed_per_tooth_mm=0.05, exponent=0.25, runout=(0.0, 0.0), helix_lag=0.02,
    ...            edge_share=0.1, sense=0.0)
    >>> round(ramp_length_mm(side), 6)  # sqrt(5**2 - 4**2)
    3.0
    """
    if cut.way == "drill":
        return cut.diameter_mm / 2.0 / float(np.tan(np.radians(59.0)))
    if cut.way == "plunge":
        return 0.03 * cut.diameter_mm
    low, high = sine_span(cut)
    return cut.diameter_mm / 2.0 * (high - low)


def sine_span(cut: Cut) -> tuple[float, float]:
    """Least and greatest sine over the engaged arc: how far ahead of the centre teeth cut, in radii."""
    first, last = engaged_arc(cut)
    ends = float(np.sin(first)), float(np.sin(last))
    reaches_front = first <= np.pi / 2.0 <= last
    return max(0.0, min(ends)), 1.0 if reaches_front else max(ends)


def _engaged(cut: Cut, angle: Values) -> NDArray[np.bool_]:
    """Where a tooth cuts, for entry rows, the full row and exit rows, shape (2 * STEPS + 1, TABLE)."""
    share = (np.arange(STEPS) + 0.5)[:, None] / STEPS
    if cut.is_axial:
        return np.ones((2 * STEPS + 1, angle.size), bool)
    first, last = engaged_arc(cut)
    full = ((angle >= first) & (angle <= last))[None, :]
    if cut.arc_in:
        entry = full & (np.cos(angle) >= 1.0 - (1.0 - np.cos(last)) * share)
        return np.concatenate([entry, full, entry[::-1]])
    low, high = sine_span(cut)
    entry = full & (np.sin(angle) > high + share * (low - high))
    leaving = full & (np.sin(angle) < high + share * (low - high))
    return np.concatenate([entry, full, leaving])


def _rise(cut: Cut) -> Values:
    """Share of the edge that is in the metal, for cuts along the axis, shape (2 * STEPS + 1, 1)."""
    share = (np.arange(STEPS) + 0.5) / STEPS
    if not cut.is_axial:
        return np.ones((2 * STEPS + 1, 1))
    grown = share**1.5 if cut.way == "drill" else share
    return np.concatenate([grown, [1.0], grown[::-1]])[:, None]


def force_tables(cut: Cut, *, smear: float) -> tuple[Sound, Sound]:
    """Force as heard from one side, and how much is being cut, over a revolution.

    Parameters
    ----------
    cut : Cut
    smear : float
        Least width of an edge in the table [revolutions], to keep it within the sample rate.

    Returns
    -------
    drive, gate : ndarray, shape (2 * STEPS + 1, TABLE)
        Rows: entry from first touch to full, full, exit from full to last touch. The force has its
        full-engagement root mean square at 1; the gate its full-engagement mean square at 1.
    """
    angle = 2.0 * np.pi * np.arange(TABLE) / TABLE
    engaged = _engaged(cut, angle) * _rise(cut)
    drive = np.zeros(engaged.shape)
    gate = np.zeros(engaged.shape)
    for tooth in range(cut.flutes):
        chip = _chip_of(cut, tooth, _chip(cut, angle))
        size = chip ** (1.0 - cut.exponent) + cut.edge_share * (chip > 0.0)
        step = round(tooth * TABLE / cut.flutes)
        drive += np.roll(engaged * (size * _heard_share(cut, angle)), step, axis=1)
        gate += np.roll(engaged * size, step, axis=1)
    if cut.climb and not cut.is_axial:
        drive, gate = drive[:, ::-1], gate[:, ::-1]
    return _finish(drive, cut, smear), _finish(gate, cut, smear)


def _chip_of(cut: Cut, tooth: int, even: Values) -> Values:
    """Chip of one tooth [feeds per tooth]: down to the deepest of the surfaces that those before it left."""
    left = [
        turns_back * even + cut.runout[tooth] - cut.runout[(tooth - turns_back) % cut.flutes]
        for turns_back in range(1, cut.flutes + 1)
    ]
    return np.asarray(np.maximum(np.min(left, axis=0), 0.0))


def _chip(cut: Cut, angle: Values) -> Values:
    return np.ones_like(angle) if cut.is_axial else np.maximum(np.sin(angle), 0.0)


def _heard_share(cut: Cut, angle: Values) -> Values:
    """Part of a tooth's force that points to the listener (radial force a third of tangential)."""
    along = -np.cos(angle) - 0.3 * np.sin(angle)
    across = np.sin(angle) - 0.3 * np.cos(angle)
    heard: Values = np.cos(cut.sense) * along + np.sin(cut.sense) * across
    return heard + 0.3 if cut.is_axial else heard


def _finish(table: Values, cut: Cut, smear: float) -> Sound:
    """Spread every edge over the helix lag, and scale by the full row."""
    width = max(cut.helix_lag, smear)
    spread = np.sinc(np.arange(TABLE // 2 + 1) * width)
    smooth = np.fft.irfft(np.fft.rfft(table, axis=1) * spread, n=TABLE, axis=1)
    size = np.sqrt(np.mean(np.square(smooth[STEPS]))) + 1e-12
    return np.asarray(smooth / size, np.float32)


def rows_of(n_samples: int, *, full: int, leaving: int) -> NDArray[np.int32]:
    """Table row at each sample of a contact that is full from `full` to `leaving`, shape (n_samples,)."""
    rows = np.full(n_samples, STEPS, np.int32)
    if full > 0:
        rows[:full] = np.arange(full) * STEPS // full
    n_out = n_samples - leaving
    if n_out > 0:
        rows[leaving:] = STEPS + 1 + np.arange(n_out) * STEPS // n_out
    return rows


def read_table(table: Sound, rows: NDArray[np.int32], turns: Values) -> Sound:
    """Table values at the given rows and spindle turns, shape (n_samples,)."""
    index = ((turns % 1.0) * TABLE).astype(np.int32) % TABLE
    return np.asarray(table.ravel()[rows * TABLE + index])
