"""Reliability, Brier score and rates as `tools/bench ear` counts them: a public library, and by hand."""

import sys
from pathlib import Path

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from listen.states import Event, Standing, State

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))
calibration = pytest.importorskip("tools_ear.calibration")
card = pytest.importorskip("tools_ear.card")
rates = pytest.importorskip("tools_ear.rates")

RATE = 1000


def event(state: State, at_s: float, probability: float, standing: Standing = Standing.CONFIRMED) -> Event:
    at = round(at_s * RATE)
    return Event(state=state, at=at, decided_at=at + 50, probability=probability, standing=standing)


@pytest.mark.reference
def test_curve_and_brier_score_are_those_of_a_public_library() -> None:
    rng = np.random.default_rng(3)
    said = rng.uniform(0.0, 1.0, 400)
    came = rng.random(400) < said**2
    beliefs = list(zip(said.tolist(), came.tolist(), strict=True))
    assert calibration.brier(beliefs) == pytest.approx(brier_score_loss(came, said), abs=1e-12)
    shares, means = calibration_curve(came, said, n_bins=10)
    rows = calibration.curve(beliefs)
    np.testing.assert_allclose([row[0] for row in rows], means, rtol=0, atol=1e-12)
    np.testing.assert_allclose([row[1] for row in rows], shares, rtol=0, atol=1e-12)
    assert sum(row[2] for row in rows) == 400


@pytest.mark.closed
def test_a_belief_comes_true_within_200_ms_and_each_change_counts_once() -> None:
    """True contact 1 to 2 s: the entry at 1.15 s and the end come true, the double and one at 3 s do not."""
    live = [
        event(State.ENTRY, 1.15, 0.9),
        event(State.ENTRY, 1.19, 0.8),
        event(State.STEADY, 1.3, 0.7),
        event(State.AIR, 1.9, 0.6),
        event(State.ENTRY, 3.0, 0.5, Standing.PROVISIONAL),
        event(State.ENTRY, 3.0, 0.4, Standing.WITHDRAWN),
    ]
    found = calibration.beliefs_of([(1.0, 2.0)], live, [], rate=RATE)
    assert sorted(came for _, came in found["live"]) == [False, True, True]
    assert found["provisional"] == [(0.5, False)]
    assert found["refined"] == []
    assert calibration.off_by([(0.9, True), (0.9, False)]) == pytest.approx(0.4)
    assert np.isnan(calibration.brier([]))


@pytest.mark.closed
def test_misses_and_dropouts_by_hand() -> None:
    """Of three contacts one is heard in two pieces and one not at all: one dropout in 6 s of cutting."""
    errors = rates.errors_of([(0.0, 2.0), (3.0, 5.0), (6.0, 8.0)], [(0.1, 0.9), (1.1, 2.2), (3.0, 5.5)])
    assert (errors.true, errors.missed, errors.dropouts, errors.cut_s) == (3, 1, 1, 6.0)
    found = rates.rates_of(errors.plus(errors), false_bursts=0, air_h=3.0, spreads_s=(0.02, 0.07))
    assert found == {
        "false_bursts_per_hour": 1.0,  # none in 3 h: at most 3.0 in as many, see below
        "dropouts_per_hour": 600.0,
        "missed_share": 1.0,  # two of six: at most 6.3 in as many
        "onset_spread_s": 0.03,
        "offset_spread_s": 0.07,
    }


@pytest.mark.reference
@pytest.mark.parametrize(("seen", "limit"), [(0, 2.996), (1, 4.744), (2, 6.296), (5, 10.513)])
def test_the_upper_limit_of_what_was_seen_so_often(seen: int, limit: float) -> None:
    """The upper one-sided 95 % limits of a Poisson mean, as Garwood 1936 tabled them (from memory)."""
    assert rates.at_most(seen) == pytest.approx(limit, abs=6e-4)


@pytest.mark.closed
def test_short_contacts_are_counted_by_themselves() -> None:
    """0.2 s missed, 0.25 s heard, 1 s missed: the share is that of the long ones alone."""
    errors = rates.errors_of([(0.0, 0.2), (1.0, 1.25), (2.0, 3.0), (4.0, 5.0)], [(1.0, 1.2), (4.0, 5.0)])
    assert (errors.short, errors.short_missed, errors.true, errors.missed) == (2, 1, 2, 1)
    plenty = rates.pooled([errors] * 100)  # 100 of 200: the limit is 118.1
    found = rates.rates_of(plenty, false_bursts=0, air_h=1.0, spreads_s=(0.0, 0.0))
    assert found["missed_share"] == pytest.approx(0.59, abs=0.01)


@pytest.mark.closed
def test_the_page_of_the_card_shows_scores_rates_and_the_curve(tmp_path: Path) -> None:
    beliefs = {kind: [(0.95, True), (0.9, True), (0.35, False)] for kind in calibration.KINDS}
    made = {
        "refined 6 dB": {"f1_50ms": 0.81, "f1_200ms": 0.92},
        "errors": {"6 dB": {"contacts": 324, "missed": 16}},
    }
    text = card.page_of(
        {
            "name": "an_ear",
            "rates": {"missed_share": 0.1},
            "scores": {"made sound": made, "belief": calibration.report(beliefs)},
            "cannot": ["tell how deep a cut is"],
        }
    )
    assert "| refined 6 dB | 0.81 | 0.92 |" in text
    assert "| errors at 6 dB | 324 | 16 |" in text
    assert "| missed_share | 0.1 |" in text
    assert "| 0.93 | 1.00 | `████████████████████` | 2 |" in text
    assert "- tell how deep a cut is" in text
