"""When a cut sings once a turn from one moment on: by hand, on narrow bands that are put there."""

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray

from listen.decide.once_a_turn import TurnListener, _band_of_one, _bands_of_none, _Places
from listen.measure.spectrum import FINE_HIGHEST_HZ, FINE_LOWEST_HZ, N_FINE, log_edges
from listen.states import Finding, Turning
from listen.synth.force import STEPS, Cut, force_tables

EDGES_HZ = log_edges(FINE_LOWEST_HZ, FINE_HIGHEST_HZ, N_FINE)
TURN_HZ = 150.0
FOUR_TEETH = Turning(spindle_hz=TURN_HZ, flutes=4)
LOOK = 1920  # samples from look to look at 48 kHz: 25 a second
CHANGES = 72  # look in which the cut changes, after 2.9 s


def lines_of(*turns: float, n_looks: int = 160) -> NDArray[np.float32]:
    looks = np.zeros((n_looks, 5, 3), dtype=np.float32)
    for i, turn in enumerate(turns):
        looks[:, i] = (turn * TURN_HZ, -40.0, 20.0)
    return looks


def told(
    rises_db: dict[float, float],
    *,
    everywhere_db: float = 0.0,
    until: int = 160,
    steady: bool = True,
    sings: tuple[float, ...] = (3.0, 4.0, 8.0, 12.0),
    turning: Turning = FOUR_TEETH,
) -> list[Finding]:
    """What is told where bands rise in look 72: those with a line at so many turns, and all of them."""
    listener = TurnListener(EDGES_HZ, looks_per_s=25.0, turnings=(turning,))
    if steady:
        listener.begin()
    levels = -60.0 + np.random.default_rng(5).standard_normal((160, N_FINE))
    levels[CHANGES:until] += everywhere_db
    for turn, rise in rises_db.items():
        levels[CHANGES:until, np.searchsorted(EDGES_HZ, turn * TURN_HZ) - 1] += rise
    found: list[Finding] = []
    for i in range(160):
        found += listener.look(LOOK * i, levels[i], lines_of(*sings).copy)
    return found


@pytest.mark.closed
def test_lines_between_those_of_the_teeth_that_rise_for_good_are_told_with_their_time_and_turning() -> None:
    """Turns 1, 2, 3, 5 rise by 8 dB, 4 does not: 8 dB over all, told once 85 percent of 1.6 s have it."""
    (found,) = told({1.0: 8.0, 2.0: 8.0, 3.0: 8.0, 5.0: 8.0})
    assert (found.kind, found.frequency_hz) == ("sound changed once a turn", TURN_HZ)
    assert found.level_db == pytest.approx(8.0, abs=0.7)
    assert found.start == pytest.approx(CHANGES * LOOK, abs=2 * LOOK)
    assert 0.8 < found.probability <= 0.95
    assert 0.85 * 1.6 <= (found.decided_at - CHANGES * LOOK) / (25.0 * LOOK) < 1.9


@pytest.mark.closed
@pytest.mark.parametrize(
    ("rises_db", "everywhere_db", "until", "steady", "sings"),
    [
        ({1.0: 8.0, 2.0: 8.0, 3.0: 8.0, 4.0: 8.0, 5.0: 8.0}, 0.0, 160, True, (3.0, 4.0, 8.0)),  # deeper
        ({}, 10.0, 160, True, (3.0, 4.0, 8.0)),  # louder everywhere, as coolant is
        ({3.0: 20.0}, 0.0, 160, True, (3.0, 4.0, 8.0)),  # one line alone: a tone of the shop
        ({4.0: -10.0, 8.0: -10.0}, 0.0, 160, True, (3.0, 4.0, 8.0)),  # the teeth are softer: less feed
        ({1.0: 8.0, 2.0: 8.0, 3.0: 8.0, 5.0: 8.0}, 0.0, 97, True, (3.0, 4.0, 8.0)),  # for a second
        ({1.0: 8.0, 2.0: 8.0, 3.0: 8.0, 5.0: 8.0}, 0.0, 160, False, (3.0, 4.0, 8.0)),  # an entry
        ({1.0: 8.0, 2.0: 8.0, 3.0: 8.0, 5.0: 8.0}, 0.0, 160, True, (2.4, 3.2, 6.4, 9.6)),  # 80 % speed
        ({1.0: 8.0, 2.0: 8.0, 3.0: 8.0, 5.0: 8.0}, 0.0, 160, True, ()),  # nobody says that it turns
    ],
)
def test_what_a_whole_cutter_does_is_none(
    rises_db: dict[float, float], everywhere_db: float, until: int, steady: bool, sings: tuple[float, ...]
) -> None:
    assert told(rises_db, everywhere_db=everywhere_db, until=until, steady=steady, sings=sings) == []


@pytest.mark.closed
def test_a_spindle_so_slow_that_its_lines_run_together_tells_nothing() -> None:
    """At 600 rpm lines are 10 Hz apart, and a window of 100 ms tells no less than that."""
    slow = TurnListener(EDGES_HZ, looks_per_s=25.0, turnings=(Turning(spindle_hz=10.0, flutes=4),))
    slow.begin()
    levels = np.where(np.arange(160)[:, None] < CHANGES, -60.0, -40.0) + np.zeros((160, N_FINE))
    assert [one for i in range(160) for one in slow.look(LOOK * i, levels[i], lines_of(4.0).copy)] == []


@pytest.mark.closed
@pytest.mark.parametrize("flutes", [2, 3, 5])
def test_the_made_broken_tooth_cuts_nothing_and_the_next_one_twice(flutes: int) -> None:
    """Force of a slot, over a turn: one gap, one stronger bite, so that lines appear at 1 and n - 1 turns."""
    even = Cut(
        way="slot",
        diameter_mm=10.0,
        flutes=flutes,
        radial_ratio=1.0,
        climb=False,
        feed_per_tooth_mm=0.05,
        exponent=0.25,
        runout=(0.0,) * flutes,
        helix_lag=0.02,
        edge_share=0.1,
        sense=0.0,
    )
    broken = dataclasses.replace(even, runout=(-float(flutes), *even.runout[1:]))
    lines = [np.abs(np.fft.rfft(force_tables(cut, smear=0.001)[0][STEPS])) for cut in (even, broken)]
    between = [turn for turn in range(1, 2 * flutes) if turn % flutes]
    assert np.max(lines[0][between]) < 0.02 * lines[0][flutes]
    assert np.min(lines[1][between]) > 0.05 * lines[1][flutes]


@pytest.mark.closed
def test_a_tool_that_only_makes_holes_is_not_held_against_its_earlier_pecks() -> None:
    rises = {1.0: 8.0, 2.0: 8.0, 3.0: 8.0, 5.0: 8.0}
    assert told(rises)
    assert told(rises, turning=dataclasses.replace(FOUR_TEETH, holes=True)) == []


@pytest.mark.closed
def test_lines_that_show_another_number_of_flutes_are_not_of_this_tool() -> None:
    """Lines at 6, 12, 18 and 24 turns are those of six teeth: the tool with four does not cut."""
    rises = {1.0: 8.0, 2.0: 8.0, 3.0: 8.0, 5.0: 8.0}
    assert told(rises, sings=(4.0, 8.0, 12.0, 16.0))
    assert told(rises, sings=(6.0, 12.0, 18.0, 24.0)) == []


@pytest.mark.closed
@pytest.mark.parametrize(
    ("turns", "teeth", "rise"),
    [((8.0, 8.0, 0.0, 0.0), 1.0, 5.0), ((9.0, 1.0, 1.0, 1.0), 0.0, 4.0), ((8.0, 8.0, 8.0, 8.0), 3.0, 5.0)],
    ids=["half of the lines", "one alone", "the teeth rose, too"],
)
def test_the_rise_is_that_of_all_lines_and_hardly_more_for_the_two_that_rose_most(
    turns: tuple[float, ...], teeth: float, rise: float
) -> None:
    """4 - 1 + 2 dB; 9 counts as 7, and the mean with the next is 4; 8 - 3 dB of the two that rose most."""
    places = _Places(turning=FOUR_TEETH, turns=np.arange(4), teeth=np.array([4]), none=np.array([5, 6]))
    assert places.rise_db(np.array([*turns, teeth, -1.0, -2.0])) == pytest.approx(rise)


@pytest.mark.closed
def test_a_band_has_a_line_of_its_own_where_no_other_reaches_into_it() -> None:
    """Lines 20 Hz wide, 100 Hz apart: 150 to 250 Hz has the second alone, 250 to 400 Hz also the fourth."""
    edges_hz = np.array([100.0, 150.0, 250.0, 400.0])
    assert _band_of_one(edges_hz, 2, 100.0) == 1
    assert _band_of_one(edges_hz, 3, 100.0) is None


@pytest.mark.closed
def test_bands_without_a_line_are_those_between_the_lines_that_are_looked_at() -> None:
    """At 200 Hz up to the third: 260 to 340 Hz and 700 to 760 Hz; 830 to 960 Hz lies above all."""
    edges_hz = np.array([100.0, 160.0, 260.0, 340.0, 700.0, 760.0, 830.0, 960.0])
    assert _bands_of_none(edges_hz, 200.0, 3).tolist() == [2, 4]
