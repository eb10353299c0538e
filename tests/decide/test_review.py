"""The second ear in passing, and late scores of the live ear: as if worked out anew."""

import numpy as np
import pytest
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.decide import second_look
from listen.decide.kept import AT_ONCE
from listen.decide.kernels import run_memory
from listen.decide.model import Network
from listen.decide.network import first_given, score_remembered, score_whole, shares, squeeze
from listen.decide.review import LOOKS_BACK, Review
from listen.ears import SoundEar, ear_layout, shipped_model
from listen.synth import EVALUATION_RANGES, draw_clip
from tests.decide.test_network import network

RATE = 48000
TWO = (network(both_ways=True), network(both_ways=True, seed=3))


def beliefs(features: NDArray[np.float64], cuts: list[int], asked: list[int]) -> list[NDArray[np.float64]]:
    """Belief in the frames up to each of `asked`, of rows kept in pieces that end at `cuts`."""
    review, told = Review(TWO), []
    for begin, stop in zip([0, *cuts], [*cuts, len(features)], strict=True):
        review.keep(features[begin:stop])
        told += [review(ahead=stop - at) for at in asked if begin < at <= stop]
    return told


def remembered(each: Network, features: NDArray[np.float64], last: slice) -> NDArray[np.float64]:
    """Scores of the last frames: the first layer's forward memory over all of them, the rest over these."""
    ahead, back = first_given(each, squeeze(each, features))
    layer = each.forward[0]
    flow = np.zeros((len(ahead), layer.n_units), dtype=np.float32)
    run_memory(ahead, layer.state_columns, layer.b_state, np.zeros(layer.n_units, np.float32), flow, 0, 1)
    return score_remembered(each, flow[last], back[last])


@pytest.mark.twin
def test_frames_that_are_all_remembered_score_as_a_whole_recording() -> None:
    features = np.random.default_rng(3).standard_normal((300, 4))
    for each in TWO:
        found = remembered(each, features, slice(0, 300))
        np.testing.assert_allclose(found, score_whole(each, features), rtol=0, atol=1e-5)


@pytest.mark.twin
@pytest.mark.parametrize("at", [1, 17, LOOKS_BACK, LOOKS_BACK + 5, 2 * LOOKS_BACK + AT_ONCE + 30, 4003])
def test_a_review_is_the_second_ear_over_the_last_frames(at: int) -> None:
    """What is kept of the first layer, and moved when the room is full, changes nothing."""
    features = np.random.default_rng(1).standard_normal((4003, 4))
    cuts = list(range(AT_ONCE, 4003, AT_ONCE))
    asked = sorted({at, 1500, 2600})
    found = beliefs(features, cuts, asked)[asked.index(at)]
    last = slice(max(0, at - LOOKS_BACK), at)
    scores = np.mean([remembered(each, features[:at], last) for each in TWO], axis=0)
    expected = 1.0 - shares(scores)[:, 0]
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-5)


@pytest.mark.parity
@pytest.mark.parametrize("size", [1, 3, 16, 99])
def test_pieces_of_any_size_give_the_same_review(size: int) -> None:
    features = np.random.default_rng(2).standard_normal((2500, 4))
    asked = [5, 40, 900, 1713, 1714, 2499]
    whole = beliefs(features, list(range(AT_ONCE, 2500, AT_ONCE)), asked)
    parts = beliefs(features, list(range(size, 2500, size)), asked)
    for one, other in zip(whole, parts, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.twin
def test_what_the_live_ear_noted_is_what_the_second_look_would_work_out() -> None:
    """Over two stretches; frames that were remembered have no notes, and are worked out."""
    samples = draw_clip(
        np.random.default_rng(5), ranges=EVALUATION_RANGES, rate=RATE, duration_s=20.0
    ).samples
    ear, gap = SoundEar(shipped_model(), rate=RATE, keep=True), 9 * RATE
    ear.push(Block(samples=samples[:gap], start=0, rate=RATE))
    ear.push(Gap(start=gap, stop=gap + 777, reason="pulled out"))
    ear.push(Block(samples=samples[gap:], start=gap + 777, rate=RATE))
    ear.close()
    stretches = ear._stretches()
    assert len(stretches) == 2
    assert all(sure is not None and len(sure) == len(frames) for frames, sure in stretches)
    anew = [second_look(frames, shipped_model(), ear_layout(), hop=ear.hop) for frames, _ in stretches]
    assert ear.look_again() == (*anew[0], *anew[1])
    assert anew[0] or anew[1]
    again = SoundEar(shipped_model(), rate=RATE, keep=True)
    again.remember([frames for frames, _ in stretches])
    assert [sure for _, sure in again._stretches()] == [None, None]
    assert again.look_again() == ear.look_again()
