"""What a run teaches the live ear, by hand-made levels: two bands and a few more, frames of 10 samples."""

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from listen.decide.kept import Kept
from listen.decide.layout import Layout
from listen.decide.network import SURE_FRAMES
from listen.decide.own_sound import OwnSound, OwnSoundSettings, Side, discriminant
from listen.decide.paths import with_gaps
from listen.states import Event, Learnt, Standing, State

pytestmark = pytest.mark.closed
HOP, N_BANDS = 10, 6
LAYOUT = Layout(
    model=slice(0, 0),
    bands=slice(0, N_BANDS),
    fine=slice(N_BANDS, N_BANDS),
    lines=slice(N_BANDS, N_BANDS),
    band_edges_hz=np.geomspace(100.0, 6400.0, N_BANDS + 1),
    fine_edges_hz=np.zeros(1),
    hop_s=0.01,
    window_s=0.02,
)
AIR, CUT, SQUEAL = (np.full(N_BANDS, db) for db in (-60.0, -50.0, -60.0))
CUT[:3] += 4.0
SQUEAL[0] = -45.0


class Run:
    """A run of levels and of what is settled of them, frame by frame."""

    def __init__(self) -> None:
        self._rng = np.random.default_rng(5)
        self._kept = Kept(LAYOUT, hop=HOP, kept_s=60.0)
        self.own = OwnSound(self._kept, hop=HOP)
        self.at = 0
        self._sure: list[float] = []  # log odds that the live ear gives each frame a second later
        self.told: list[Learnt] = []

    def goes_on(
        self,
        level: NDArray[np.float64],
        n_frames: int,
        *,
        in_contact: bool | None,
        is_cut: bool | None = None,
    ) -> "Run":
        """`is_cut` is what the live ear takes it for a second later; None for what the level is nearer to."""
        nearer = np.abs(level - CUT).sum() < np.abs(level - AIR).sum()
        self._sure += [3.0 if (nearer if is_cut is None else is_cut) else -3.0] * n_frames
        for _ in range(n_frames):
            self.at += HOP
            row = level + self._rng.normal(0.0, 1.0, N_BANDS)
            self._kept.push(np.array([self.at]), row[np.newaxis])
            sure = self._sure[max(0, self.at // HOP - 1 - SURE_FRAMES)]
            self.told += self.own.step(self.at, in_contact=in_contact, sure=sure)
        return self

    def changes(self, state: State) -> "Run":
        self.own.hear(
            Event(state=state, at=self.at, decided_at=self.at, probability=1.0, standing=Standing.CONFIRMED)
        )
        return self

    def passes(self, n: int, *, cut: NDArray[np.float64] = CUT) -> "Run":
        for _ in range(n):
            self.goes_on(AIR, 150, in_contact=False).changes(State.ENTRY)
            self.goes_on(cut, 150, in_contact=True).changes(State.AIR)
        return self


def test_a_run_of_air_teaches_nothing() -> None:
    """Knocks of another level in it change nothing: they were never settled as contact."""
    run = Run().goes_on(AIR, 2000, in_contact=False).goes_on(SQUEAL, 50, in_contact=False)
    assert run.own.share == 0.0
    assert run.own.opinion(run.at, 20) is None


def test_the_first_contact_says_nothing_until_what_it_taught_was_right() -> None:
    run = Run().passes(1)
    assert run.own.opinion(run.at, 20) is None
    run.goes_on(AIR, 150, in_contact=False).changes(State.ENTRY).goes_on(CUT, 150, in_contact=True)
    run.changes(State.AIR).goes_on(AIR, 150, in_contact=False)
    assert 0.0 < run.own.share <= OwnSoundSettings().share


def test_new_frames_lie_on_the_side_that_they_are_like() -> None:
    run = Run().passes(4).goes_on(AIR, 40, in_contact=False)
    air = run.own.opinion(run.at, 20)
    run.goes_on(CUT, 40, in_contact=None)
    cut = run.own.opinion(run.at, 20)
    assert air is not None
    assert air.odds.max() < -3.0
    assert cut is not None
    assert cut.odds.min() > 3.0
    assert cut.odds.shape == (20,)


def test_a_dip_of_three_decibels_in_a_cut_is_no_air() -> None:
    """Cut 10 to 14 dB above the air: a dip of 3 dB leaves it nearer to the cut."""
    run = Run().passes(4).goes_on(CUT, 60, in_contact=True).goes_on(CUT - 3.0, 10, in_contact=True)
    said = run.own.opinion(run.at, 8)
    assert said is not None
    assert said.odds.min() > 0.0


def test_its_share_goes_when_it_would_have_been_wrong() -> None:
    """Another tool, which only squeals: what was learnt of the first takes that for air."""
    run = Run().passes(4)
    assert run.own.share == pytest.approx(OwnSoundSettings().share)
    run.goes_on(AIR, 150, in_contact=False).changes(State.ENTRY)
    run.goes_on(AIR, 150, in_contact=True, is_cut=True).changes(State.AIR)
    run.goes_on(AIR, 150, in_contact=False)
    assert run.own.share == 0.0


def test_supposed_and_withdrawn_changes_teach_nothing() -> None:
    run = Run().goes_on(AIR, 150, in_contact=None)
    for standing in (Standing.PROVISIONAL, Standing.WITHDRAWN):
        run.own.hear(
            Event(state=State.ENTRY, at=run.at, decided_at=run.at, probability=0.5, standing=standing)
        )
    run.goes_on(CUT, 150, in_contact=None).changes(State.ENTRY)
    assert run.own.share == 0.0


def test_that_a_cut_is_full_ends_no_stretch() -> None:
    """Only a start and an end of contact do: at STEADY the cut so far was learnt as air."""
    run, with_steady = Run().passes(4), Run().passes(4)
    run.goes_on(CUT, 90, in_contact=None)
    with_steady.goes_on(CUT, 45, in_contact=None).changes(State.STEADY).goes_on(CUT, 45, in_contact=None)
    said, told = run.own.opinion(run.at, 20), with_steady.own.opinion(with_steady.at, 20)
    assert said is not None
    assert told is not None
    np.testing.assert_array_equal(told.odds, said.odds)


def test_a_long_cut_teaches_while_it_lasts() -> None:
    run = Run().passes(1).goes_on(AIR, 150, in_contact=False).changes(State.ENTRY)
    run.goes_on(CUT, 600, in_contact=True)
    assert run.own.share > 0.0


def test_more_frames_are_as_all_at_once() -> None:
    """Mean and covariance in two parts are those of the whole, as numpy has them."""
    rows = np.random.default_rng(3).normal(-50.0, 4.0, (300, N_BANDS))
    parts = Side.of(rows[:100]).with_more(rows[100:], remembered=1000)
    assert parts.n == 300
    np.testing.assert_allclose(parts.mean, rows.mean(axis=0))
    np.testing.assert_allclose(parts.scatter, np.cov(rows, rowvar=False, bias=True))


def test_what_it_says_is_a_linear_discriminant() -> None:
    """As scikit-learn's on the same frames, as many of each side (Fisher 1936)."""
    rng = np.random.default_rng(8)
    mixed = rng.normal(0.0, 1.0, (N_BANDS, N_BANDS))
    air, cut = (rng.normal(0.0, 1.0, (200, N_BANDS)) @ mixed + level for level in (AIR, AIR + 2.0))
    rows, is_cut = np.vstack([air, cut]), np.repeat([False, True], 200)
    reference = LinearDiscriminantAnalysis(solver="lsqr").fit(rows, is_cut)
    weight, middle = discriminant(Side.of(cut), Side.of(air), floor_db=0.0, alone=0.0)
    np.testing.assert_allclose((rows - middle) @ weight, reference.decision_function(rows), rtol=1e-6)


def test_a_level_control_that_moves_all_bands_together_hides_no_cut() -> None:
    """6 dB up and down, as much as the cut is over the air: band by band the two could not be told apart."""
    run, swing = Run(), 6.0 * np.sin(np.arange(40) / 3.0)
    hum = AIR.copy()
    hum[:3] += 6.0
    for level, state in ((AIR, State.ENTRY), (hum, State.AIR)) * 4:
        for moved in swing:
            run.goes_on(level + moved, 10, in_contact=level is hum, is_cut=level is hum)
        run.changes(state)
    for level, sign in ((AIR, -1.0), (hum, 1.0)):
        for moved in (-6.0, 0.0, 6.0):
            said = run.goes_on(level + moved, 20, in_contact=None).own.opinion(run.at, 10)
            assert said is not None
            assert (sign * said.odds).min() > 1.0


@pytest.mark.parametrize(("more_db", "is_heard"), [(1.5, False), (3.0, True)])
def test_a_cut_hardly_over_the_air_teaches_nothing_however_sure(more_db: float, is_heard: bool) -> None:
    """1.5 dB in six bands is 5.5 to 6 squared scatters, of which 8 are asked; 3 dB is four times that."""
    run = Run()
    for _ in range(5):
        run.goes_on(AIR, 150, in_contact=False, is_cut=False).changes(State.ENTRY)
        run.goes_on(AIR + more_db, 150, in_contact=True, is_cut=True).changes(State.AIR)
    run.goes_on(AIR, 150, in_contact=False, is_cut=False)
    assert (run.own.share > 0.0) == is_heard


def test_old_frames_fade() -> None:
    """With 100 remembered, a new hundred is all that counts."""
    rows = np.random.default_rng(3).normal(-50.0, 4.0, (300, N_BANDS))
    parts = Side.of(rows[:200]).with_more(rows[200:], remembered=100)
    np.testing.assert_allclose(parts.mean, rows[200:].mean(axis=0))


@pytest.mark.parametrize(("lowest", "parted"), [(-4.0, True), (-1.0, False)])
def test_a_short_gap_stays_where_the_sound_came_near_the_air(lowest: float, parted: bool) -> None:
    by = np.ones(60, dtype=bool)
    by[20:30] = False
    odds = np.full(60, 5.0)
    odds[25] = lowest
    found = with_gaps(np.ones(60, dtype=bool), by, odds, longest=30, below=-3.0)
    assert (not found[20:30].any()) == parted
    assert found[:20].all()
    assert found[30:].all()


def test_a_long_gap_or_one_at_an_end_is_not_put_back() -> None:
    by = np.ones(60, dtype=bool)
    by[:5], by[20:55] = False, False
    found = with_gaps(np.ones(60, dtype=bool), by, np.full(60, -6.0), longest=30, below=-3.0)
    assert found.all()


def test_how_far_it_knows_the_run_is_told_when_that_changes() -> None:
    """Nothing of air alone; then more, to the whole of it; and nothing again once it proves wrong."""
    run = Run().goes_on(AIR, 500, in_contact=False)
    assert run.told == []
    run.passes(4).goes_on(AIR, 300, in_contact=False)
    parts = [one.part for one in run.told]
    assert parts == sorted(set(parts))
    assert parts[-1] == 1.0
    run.changes(State.ENTRY).goes_on(AIR, 600, in_contact=True, is_cut=True)
    assert run.told[-1].part == 0.0


def test_air_after_a_cut_whose_end_came_late_does_not_teach_contact() -> None:
    """Each end is confirmed a second late; the live ear, a second later, knows that air for air."""
    run = Run()
    for _ in range(5):
        run.goes_on(AIR, 150, in_contact=False).changes(State.ENTRY)
        run.goes_on(CUT, 150, in_contact=True).goes_on(AIR, 100, in_contact=True).changes(State.AIR)
    run.goes_on(AIR, 200, in_contact=False)
    assert run.own.share == pytest.approx(OwnSoundSettings().share)
    said = run.own.opinion(run.at, 20)
    assert said is not None
    assert said.odds.max() < -3.0


def test_a_contact_that_was_not_confirmed_does_not_teach_air() -> None:
    """One in two is passed over; without what the live ear thought of it the two sides would be alike."""
    run = Run().passes(2)
    for _ in range(4):
        run.goes_on(AIR, 150, in_contact=False).goes_on(CUT, 150, in_contact=False).passes(1)
    run.goes_on(AIR, 150, in_contact=False).goes_on(CUT, 40, in_contact=None)
    said = run.own.opinion(run.at, 20)
    assert said is not None
    assert said.share == pytest.approx(OwnSoundSettings().share)
    assert said.odds.min() > 3.0


def test_a_stretch_teaches_only_once_the_live_ear_has_heard_it_out() -> None:
    """What it thinks of a frame it says a second later: until then its newest opinions are of older ones."""
    run = Run().passes(1).goes_on(AIR, 150, in_contact=False).changes(State.ENTRY)
    run.goes_on(CUT, 90, in_contact=True).changes(State.AIR).goes_on(AIR, 70, in_contact=False)
    assert run.own.share == 0.0
    run.goes_on(AIR, 200, in_contact=False)
    assert run.own.share > 0.0
