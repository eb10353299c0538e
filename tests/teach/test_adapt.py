"""Teaching: what is fitted, what stays, and when the model stays as it was."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from listen.blocks import Block
from listen.decide import Model, load_model, save_model
from listen.decide.model import Dense
from listen.ears import shipped_model
from listen.errors import InputError
from listen.measure import FEATURES, VERSION
from listen.record import Stretch
from listen.synth import EVALUATION_RANGES, draw_room, draw_voice
from listen.synth.draw import draw_plan
from listen.synth.render import render
from listen.teach.adapt import TeachSettings, Trial, adapt_model, best_trial, fit_correction, taught_card
from listen.teach.check import RunScore, check_model, pooled
from listen.teach.labels import LabelledRun, measure_run
from listen.teach.score import EventScore

RATE = 16000


@pytest.fixture(scope="module")
def runs() -> list[LabelledRun]:
    """Four runs of 16 s of one made machine, cuts 8 dB over the air."""
    rng = np.random.default_rng(7)
    ranges = replace(EVALUATION_RANGES, snr_db=((1.0, 7.0, 9.0),))
    voice, room = draw_voice(rng, ranges, RATE, n_tools=1), draw_room(rng, ranges, RATE)
    made_runs = []
    for index in range(4):
        plan = draw_plan(rng, ranges, voice, kind="dense", duration_s=16.0)
        made = render(rng, plan, voice, room, RATE)
        cuts = [Stretch(onset=contact.start, offset=contact.stop) for contact in made.truth.contacts]
        blocks = iter([Block(samples=made.samples, start=0, rate=RATE)])
        made_runs.append(measure_run(f"run {index + 1}", blocks, cuts, rate=RATE))
    return made_runs


def hard_of_hearing(model: Model) -> Model:
    """The shipped model with every read-out of contact turned down by 5 nats."""
    live, second = model.live.heads, model.second.heads
    down = np.zeros(live.bias.size, np.float32)
    down[:4] = -5.0, -5.0, -5.0, 5.0
    air = np.zeros(second.bias.size, np.float32)
    air[0] = 5.0
    return replace(
        model,
        live=replace(model.live, heads=Dense(weight=live.weight, bias=live.bias + down)),
        second=replace(model.second, heads=Dense(weight=second.weight, bias=second.bias + air)),
    )


@pytest.mark.closed
def test_a_bias_alone_finds_the_share_of_contact() -> None:
    """By hand: with nothing to go by and odds of 1 nat, 3 of 4 true need log(3) in all."""
    truth = np.array([True, True, True, False] * 5)
    change = fit_correction(np.zeros((20, 2)), np.ones(20), truth, stiffness=1e-9)
    np.testing.assert_allclose(change, [0.0, 0.0, np.log(3.0) - 1.0], rtol=0, atol=1e-4)


@pytest.mark.reference
def test_the_fit_is_that_of_scikit_learn() -> None:
    """Same loss up to scale: C = 1 / (n_frames * stiffness); the bias as a column, so that it is held too."""
    rng = np.random.default_rng(2)
    memory = rng.normal(size=(400, 3))
    truth = memory @ [1.0, -2.0, 0.5] + rng.normal(size=400) > 0.3
    ours = fit_correction(memory, np.zeros(400), truth, stiffness=0.02)
    theirs = LogisticRegression(C=1 / (400 * 0.02), fit_intercept=False, tol=1e-8, max_iter=1000)
    theirs.fit(np.hstack([memory, np.ones((400, 1))]), truth)
    np.testing.assert_allclose(ours, theirs.coef_[0], rtol=0, atol=2e-3)


@pytest.mark.closed
def test_teaching_mends_an_ear_that_is_hard_of_hearing(runs: list[LabelledRun], tmp_path: Path) -> None:
    """What was broken on purpose is mended on a run that was not taught, and the memory is untouched."""
    broken = hard_of_hearing(shipped_model())
    adapted = adapt_model(broken, runs[:3], settings=TeachSettings(live=(0.03,), second=(0.03,)))
    (before,), (after,) = check_model(broken, runs[3:]), check_model(adapted.model, runs[3:])
    assert adapted.has_changed
    assert after.refined.f1 > before.refined.f1 + 0.2
    assert after.live.f1 > before.live.f1 + 0.2
    np.testing.assert_array_equal(adapted.model.second.forward[0].w_state, broken.second.forward[0].w_state)
    card = taught_card(adapted, name="ours", start="mill_ear", runs=["run 1"], day="2030-01-31")
    save_model(replace(adapted.model, card=card), tmp_path / "ours")
    back = load_model(tmp_path / "ours", features=FEATURES, version=VERSION)
    np.testing.assert_array_equal(back.second.heads.weight, adapted.model.second.heads.weight)
    assert back.card["taught"]["from"] == "mill_ear"


@pytest.mark.closed
def test_the_model_stays_where_nothing_gains_enough(runs: list[LabelledRun]) -> None:
    """Event F1 cannot rise by more than 1 for each ear: with such a demand the very same model is back."""
    model = shipped_model()
    adapted = adapt_model(model, runs[:2], settings=TeachSettings(live=(0.3,), second=(), least_gain=2.01))
    assert adapted.model is model
    assert not adapted.has_changed
    assert adapted.before.live_score == pooled(score.live for score in check_model(model, runs[:2]))


def trial(*runs: tuple[int, int], live: float | None = None) -> Trial:
    """Runs of ten true contacts with so many right ones, live and after the second look."""
    scores = [
        RunScore(
            name="run",
            live=EventScore(true=10, heard=10, matched=one),
            refined=EventScore(true=10, heard=10, matched=two),
        )
        for one, two in runs
    ]
    return Trial(second=None, live=live, heard=tuple(scores))


@pytest.mark.closed
@pytest.mark.parametrize(
    ("runs", "ear", "is_taken"),
    [
        (((6, 8), (7, 8)), 0, True),  # by hand: live 11/20 becomes 13/20
        (((5, 9), (6, 9)), 0, False),  # only the other ear gains
        (((6, 7), (9, 8)), 0, False),  # the other ear loses 1/20
        (((4, 8), (9, 8)), 0, False),  # one run loses 1/10
        (((5, 9), (6, 8)), 1, True),
        (((5, 8), (6, 8)), 1, False),  # nothing gains
    ],
)
def test_a_way_is_taken_only_for_its_own_gain_and_no_loss(
    runs: tuple[tuple[int, int], ...], ear: int, is_taken: bool
) -> None:
    before, after = trial((5, 8), (6, 8)), trial(*runs, live=0.3)
    best = best_trial(before, before, [after], TeachSettings(), ear)
    assert best is (after if is_taken else before)


@pytest.mark.closed
def test_too_little_to_learn_from_is_refused(runs: list[LabelledRun]) -> None:
    with pytest.raises(InputError, match="at least 2 runs"):
        adapt_model(shipped_model(), runs[:1])
    empty = [replace(run, cuts=()) for run in runs[:2]]
    with pytest.raises(InputError, match="at least one labelled contact"):
        adapt_model(shipped_model(), empty)
