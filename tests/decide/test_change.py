"""When the sound of a cut counts as changed: by hand, on bands that are put there."""

import numpy as np
import pytest

from listen.decide.change import BLOCK_FRAMES, ChangeListener, was_cutting
from listen.states import Finding

EDGES_HZ = np.geomspace(300.0, 8000.0, 11)
BLOCK = 100


def told(rises_db: list[float], *, n_bands: int = 10, steady: bool = True) -> list[Finding]:
    """Findings of a cut at -40 dB whose first `n_bands` bands lie so much higher, block by block."""
    centres = np.sqrt(EDGES_HZ[:-1] * EDGES_HZ[1:])
    ear = ChangeListener(centres, np.ones(10, dtype=bool), block=BLOCK)
    if steady:
        ear.begin()
    rng = np.random.default_rng(2)
    found: list[Finding] = []
    for i, rise in enumerate(rises_db):
        bands = -40.0 + 0.5 * rng.standard_normal((BLOCK_FRAMES, 10))
        bands[:, :n_bands] += rise
        found += ear.look((i + 1) * BLOCK, bands.astype(np.float32))
    return found


@pytest.mark.closed
def test_a_rise_of_ten_decibels_that_lasts_is_told_once_with_its_place() -> None:
    """Up from block 30 on: told when six blocks have it; probability 0.5 + (9 - 6.5) / 8 = 0.81."""
    (found,) = told([0.0] * 30 + [9.0] * 40)
    assert (found.kind, found.start, found.stop) == ("sound changed", 30 * BLOCK, 36 * BLOCK)
    assert found.level_db == pytest.approx(9.0, abs=0.5)
    assert found.probability == pytest.approx(0.81, abs=0.05)


@pytest.mark.closed
@pytest.mark.parametrize(
    ("rises_db", "n_bands", "steady"),
    [
        ([0.0] * 30 + [20.0] * 5 + [0.0] * 30, 10, True),  # a knock: half a second
        ([0.0] * 30 + [4.0] * 40, 10, True),  # a corner: four decibels
        ([0.0] * 30 + [25.0] * 40, 4, True),  # a tone in four of ten bands, as a beep has
        (([0.0] * 9 + [9.0]) * 4 + [9.0] * 20, 10, True),  # one block in ten was as loud before
        ([0.0] * 30 + [-15.0] * 40, 10, True),  # softer: how cuts end
        ([0.0] * 30 + [-9.0] * 3 + [12.0] * 14, 10, True),  # it let go, and another cut began
        ([0.0] * 6 + [12.0] * 40, 10, True),  # too soon to know what is usual
        ([0.0] * 30 + [12.0] * 40, 10, False),  # not steady yet: an entry
    ],
)
def test_what_a_clean_cut_does_is_no_change(rises_db: list[float], n_bands: int, steady: bool) -> None:
    assert told(rises_db, n_bands=n_bands, steady=steady) == []


@pytest.mark.closed
@pytest.mark.parametrize(
    ("n_air", "n_cut", "n_ago", "right"),
    [
        (0, 300, 40, True),  # the cut went on
        (260, 40, 40, False),  # it only began
        (225, 75, 40, True),  # 35 of the 60 frames before
        (235, 65, 40, False),  # 25 of them
        (0, 30, 40, True),  # little is known: what there is
    ],
)
def test_a_sound_changed_where_there_was_a_cut_before(
    n_air: int, n_cut: int, n_ago: int, right: bool
) -> None:
    belief = np.concatenate([np.full(n_air, 0.02), np.full(n_cut, 0.98)])
    assert was_cutting(belief, n_ago) is right
