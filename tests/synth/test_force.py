"""Force by the true engagement: angles, ramps, lines, kinds of tooth."""

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from listen.errors import InputError
from listen.synth.force import (
    STEPS,
    Cut,
    at_feed,
    engaged_arc,
    force_tables,
    ramp_length_mm,
    read_table,
    rows_of,
)
from listen.synth.sound import TABLE

SIDE = Cut(
    way="side",
    diameter_mm=10.0,
    flutes=4,
    radial_ratio=0.25,
    climb=False,
    feed_per_tooth_mm=0.05,
    exponent=0.25,
    runout=(0.0, 0.0, 0.0, 0.0),
    helix_lag=0.01,
    edge_share=0.0,
    sense=0.3,
)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("ratio", "degrees", "teeth_in_cut"),
    [(0.05, 25.84, 0.287), (0.10, 36.87, 0.410), (0.25, 60.0, 0.667), (0.5, 90.0, 1.0), (0.75, 120.0, 1.333)],
)
def test_engaged_arc_and_teeth_in_cut_are_the_textbook_ones(
    ratio: float, degrees: float, teeth_in_cut: float
) -> None:
    """arccos(1 − 2·ae/D), textbook; the 0.10 row (36.9°) is printed at an online chip thinning worksheet."""
    cut = dataclasses.replace(SIDE, radial_ratio=ratio)
    first, last = engaged_arc(cut)
    assert np.degrees(last - first) == pytest.approx(degrees, rel=0, abs=0.005)
    # the gate of single teeth on a zero-width edge counts how many cut at once
    counted = dataclasses.replace(cut, exponent=1.0 - 1e-9, edge_share=0.0, helix_lag=1e-9)
    _, gate = force_tables(counted, smear=1e-9)
    on = gate[STEPS] / gate[STEPS].max()
    share = float(np.mean(on > 0.25)) if teeth_in_cut < 1.0 else float(np.mean(on)) * np.ceil(teeth_in_cut)
    assert share == pytest.approx(teeth_in_cut, rel=0, abs=0.01)


@pytest.mark.closed
def test_contact_is_longer_than_the_stock_by_the_published_length() -> None:
    """√(R² − (R − ae)²): D 10, ae 1 gives √(25 − 16) = 3; a slot gives R; a drill its cone."""
    assert ramp_length_mm(dataclasses.replace(SIDE, radial_ratio=0.1)) == pytest.approx(3.0, rel=0, abs=1e-9)
    assert ramp_length_mm(dataclasses.replace(SIDE, way="slot", radial_ratio=1.0)) == pytest.approx(5.0)
    drill = dataclasses.replace(SIDE, way="drill", radial_ratio=1.0)
    assert ramp_length_mm(drill) == pytest.approx(5.0 / np.tan(np.radians(59.0)), rel=1e-9)


@pytest.mark.closed
def test_the_first_chip_of_an_entry_is_cut_where_the_tooth_reaches_farthest_ahead() -> None:
    """Side cut, ae/D 0.25, up-milling: first touch at 60°, the last of the full arc; full at 0 to 60°."""
    _, gate = force_tables(dataclasses.replace(SIDE, flutes=1, runout=(0.0,), helix_lag=1e-9), smear=1e-9)
    degrees = np.arange(TABLE) * 360.0 / TABLE
    touched = degrees[gate[0] > 0.01]
    assert touched.min() > 57.0
    assert touched.max() == pytest.approx(60.0, rel=0, abs=0.4)
    leaving = degrees[gate[-1] > 0.01]
    assert leaving.max() < 2.0  # the tool's centre leaves last, where the tooth is beside it


def _levels_of_orders(cut: Cut) -> NDArray[np.float64]:
    """Levels of the spindle's orders 0 … 12 in steady cutting [dB], from a second of force at 48 kHz."""
    turns = np.arange(48000, dtype=np.float64) * (3000.0 / 60.0 / 48000.0)
    drive, _ = force_tables(cut, smear=1.5 * 50.0 / 48000.0)
    force = read_table(drive, rows_of(turns.size, full=0, leaving=turns.size), turns)
    spectrum = np.abs(np.fft.rfft(force)) / force.size
    return np.asarray(20.0 * np.log10(spectrum[0 : 13 * 50 : 50] + 1e-12))


@pytest.mark.closed
def test_alike_teeth_give_lines_only_at_the_tooth_pass_and_its_multiples() -> None:
    """3000 rpm, 4 teeth: 200 Hz and multiples; nothing at 50, 100, 150 Hz."""
    levels = _levels_of_orders(SIDE)
    assert levels[[4, 8, 12]].min() > -40.0
    assert levels[[1, 2, 3, 5, 6, 7, 9, 10, 11]].max() < levels[[4, 8, 12]].min() - 50.0


@pytest.mark.closed
def test_runout_brings_the_lines_of_the_spindle() -> None:
    levels = _levels_of_orders(dataclasses.replace(SIDE, runout=(0.3, 0.0, -0.3, 0.0)))
    assert levels[[1, 3, 5]].min() > -45.0


@pytest.mark.closed
def test_a_missing_tooth_leaves_a_double_chip_behind_it() -> None:
    """Force ~ chip^0.75: the tooth behind the gap carries 2^0.75 = 1.68 times the force of the others."""
    cut = dataclasses.replace(SIDE, radial_ratio=0.05, runout=(-4.0, 0.0, 0.0, 0.0))
    _, gate = force_tables(cut, smear=1e-9)
    quarter = TABLE // 4
    peaks = np.array([gate[STEPS][i * quarter : (i + 1) * quarter].max() for i in range(4)])
    assert peaks[0] < 0.05 * peaks[1]  # what is left is the table's own ripple beside a sharp edge
    assert peaks[1] / peaks[2] == pytest.approx(2.0**0.75, rel=0.02)


@pytest.mark.closed
def test_at_a_tenth_of_the_feed_a_common_runout_leaves_one_tooth_cutting() -> None:
    """Teeth 0.2 feeds apart, then feed 0.1: 2 feeds apart, so the highest takes z chips at once, 4^0.75."""
    cut = at_feed(dataclasses.replace(SIDE, radial_ratio=0.05, runout=(0.4, 0.0, -0.2, 0.0)), 0.1)
    _, gate = force_tables(cut, smear=1e-9)
    quarter = TABLE // 4
    peaks = np.array([gate[STEPS][i * quarter : (i + 1) * quarter].max() for i in range(4)])
    assert peaks[1:].max() < 0.05 * peaks[0]
    assert at_feed(SIDE, 1.0) is SIDE


@pytest.mark.closed
def test_the_edge_is_spread_over_the_helix_lag_without_a_change_of_its_sum() -> None:
    sharp, wide = (dataclasses.replace(SIDE, helix_lag=lag) for lag in (1e-9, 0.1))
    sums = [force_tables(cut, smear=1e-9)[1][STEPS].astype(float) for cut in (sharp, wide)]
    kernel = np.ones(round(0.1 * TABLE)) / round(0.1 * TABLE)
    spread = oaconvolve(np.tile(sums[0], 3), kernel, mode="same")[TABLE : 2 * TABLE]
    spread /= np.sqrt(np.mean(spread**2))
    assert np.abs(spread - sums[1]).max() < 0.05


@pytest.mark.closed
def test_nonsense_is_refused() -> None:
    with pytest.raises(InputError, match="way of cutting must be one of side, slot, face, drill, plunge"):
        dataclasses.replace(SIDE, way="sawing")
    with pytest.raises(InputError, match="runout needs one value a tooth, got 4 for 3"):
        dataclasses.replace(SIDE, flutes=3)
