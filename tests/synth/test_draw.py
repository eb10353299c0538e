"""Clips drawn at random: repeatable, finite, true to what they state, fast."""

import time

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

from listen.errors import InputError
from listen.synth import EVALUATION_RANGES, TRAINING_RANGES, Ranges, air_hour, draw_clip, draw_voice
from listen.synth.contact_sound import render_contact
from listen.synth.draw import draw_plan
from listen.synth.made import AIR, ENTRY, EXIT, STEADY
from listen.synth.plan import PlannedContact
from listen.synth.sound import white

RATE = 16000


@pytest.mark.closed
@pytest.mark.parametrize("ranges", [TRAINING_RANGES, EVALUATION_RANGES], ids=["training", "evaluation"])
def test_the_same_seed_gives_the_same_clip_and_another_seed_another(ranges: Ranges) -> None:
    made = [
        draw_clip(np.random.default_rng(seed), ranges=ranges, rate=RATE, duration_s=4.0) for seed in (5, 5, 6)
    ]
    np.testing.assert_array_equal(made[0].samples, made[1].samples)
    assert made[0].truth.contacts == made[1].truth.contacts
    assert not np.array_equal(made[0].samples, made[2].samples)


@pytest.mark.closed
@pytest.mark.parametrize("rate", [8000, 11025, 22050, 44100, 48000])
def test_clips_are_finite_within_full_scale_and_their_truth_in_order(rate: int) -> None:
    for seed in range(4):
        rng = np.random.default_rng([rate, seed])
        ranges = (TRAINING_RANGES, EVALUATION_RANGES)[seed % 2]
        made = draw_clip(rng, ranges=ranges, rate=rate, duration_s=6.0)
        assert made.samples.shape == (6 * rate,)
        assert np.isfinite(made.samples).all()
        assert np.abs(made.samples).max() <= 1.0
        edges = [t for c in made.truth.contacts for t in (c.start, c.full, c.leaving, c.stop)]
        assert edges == sorted(edges)
        assert all(0 <= edge <= made.samples.size for edge in edges)


@pytest.mark.closed
def test_states_follow_the_contacts() -> None:
    """Half-open: the first sample of entry is entry, the first after the contact is air."""
    made = next(
        clip
        for seed in range(50)
        if (
            clip := draw_clip(np.random.default_rng(seed), ranges=TRAINING_RANGES, rate=RATE, duration_s=5.0)
        ).truth.contacts
        and clip.truth.contacts[0].start > 1
        and clip.truth.contacts[0].full < clip.truth.contacts[0].leaving < clip.truth.contacts[0].stop
    )
    one = made.truth.contacts[0]
    at = np.array([one.start - 1, one.start, one.full, one.leaving, one.stop - 1])
    assert made.truth.states(at).tolist() == [AIR, ENTRY, STEADY, EXIT, EXIT]


def _level_db(samples: NDArray[np.float64]) -> float:
    sos = butter(6, [300.0, 7900.0], "bandpass", fs=RATE, output="sos")
    return float(10.0 * np.log10(np.mean(sosfiltfilt(sos, samples) ** 2)))


@pytest.mark.closed
@pytest.mark.parametrize("snr_db", [-3.0, 6.0, 20.0])
def test_a_contact_has_the_stated_signal_to_noise_ratio(snr_db: float) -> None:
    """Against a sixth-order band pass that the synthesiser does not use; within 0.5 dB."""
    rng = np.random.default_rng(3)
    tool = next(
        tool
        for _ in range(20)
        for tool in draw_voice(rng, TRAINING_RANGES, RATE, n_tools=1).tools
        if tool.squeal_db < -90.0
    )
    air = white(rng, 4 * RATE)
    turns = np.arange(4 * RATE) * tool.rpm / 60.0 / RATE
    planned = PlannedContact(start_s=1.0, full_s=1.2, leaving_s=2.8, stop_s=3.0, tool=0, snr_db=snr_db)
    made = render_contact(rng, planned, tool, air=air, turns=turns, rate=RATE, high_hz=8000.0)
    full = made.sound[made.truth.full - made.truth.start : made.truth.leaving - made.truth.start]
    measured = _level_db(full.astype(float)) - _level_db(air[RATE // 2 : RATE].astype(float))
    assert measured == pytest.approx(snr_db, rel=0, abs=0.5)
    assert made.truth.start == pytest.approx(RATE, rel=0, abs=60.0 / tool.rpm * RATE + 0.1 * 0.2 * RATE)


@pytest.mark.closed
def test_a_steady_force_makes_no_sound() -> None:
    """A constant force through any tool's response, echo included, is 40 dB below the same power of noise."""
    rng = np.random.default_rng(12)
    for tool in draw_voice(rng, TRAINING_RANGES, RATE, n_tools=3).tools:
        at_rest = np.abs(np.fft.rfft(tool.drive_response.astype(float)))
        assert at_rest[0] < 0.01 * np.sqrt(np.mean(at_rest**2))


@pytest.mark.closed
def test_rise_is_the_power_of_cut_and_air_over_air() -> None:
    """Equal powers add up to +3.01 dB; 10 dB more gives 10·log10(11) = 10.41 dB."""
    rng = np.random.default_rng(1)
    made = draw_clip(rng, ranges=TRAINING_RANGES, rate=RATE, duration_s=8.0)
    for contact in made.truth.contacts:
        expected = 10.0 * np.log10(1.0 + 10.0 ** (contact.snr_db / 10.0))
        assert contact.rise_db == pytest.approx(expected, rel=0, abs=1e-9)
    assert made.truth.contacts


@pytest.mark.closed
def test_evaluation_shares_no_range_and_no_recipe_with_training() -> None:
    for name in ("rpm", "diameter_mm", "radial_ratio", "feed_per_tooth_mm", "damping", "room_decay_s"):
        for low, high in getattr(EVALUATION_RANGES, name):
            for other_low, other_high in getattr(TRAINING_RANGES, name):
                assert high <= other_low or low >= other_high, name
    for name in ("coolant", "talk", "bump", "codec"):
        assert not set(getattr(EVALUATION_RANGES, name)) & set(getattr(TRAINING_RANGES, name)), name
    assert EVALUATION_RANGES.seed_word != TRAINING_RANGES.seed_word


@pytest.mark.closed
def test_kinds_of_clip_have_what_their_name_says() -> None:
    rng = np.random.default_rng(8)
    voice = draw_voice(rng, TRAINING_RANGES, 8000, n_tools=1)
    plans = {
        kind: draw_plan(rng, TRAINING_RANGES, voice, kind=kind, duration_s=60.0)
        for kind in ("air", "dense", "long", "at once")
    }
    assert plans["air"].contacts == ()
    assert len(plans["dense"].contacts) >= 10
    assert max(c.stop_s - c.start_s for c in plans["long"].contacts) > 10.0
    assert plans["at once"].contacts[0].start_s < 1.0


@pytest.mark.closed
def test_an_hour_of_air_has_no_contact_and_its_talk() -> None:
    """10 minutes of talk an hour are 50 s in five minutes; a twelfth of an hour is made here."""
    made = list(
        air_hour(np.random.default_rng(2), ranges=EVALUATION_RANGES, rate=8000, hours=1 / 12, piece_s=100.0)
    )
    assert len(made) == 3
    assert all(not piece.truth.contacts for piece in made)
    talk = [d for piece in made for d in piece.truth.disturbances if d.kind == "talk"]
    assert sum(d.stop - d.start for d in talk) / 8000 == pytest.approx(50.0, rel=0, abs=0.1)


@pytest.mark.regression
def test_clips_are_made_at_least_twenty_times_faster_than_they_sound() -> None:
    """CPU time of one process, best of three rounds of the same two clips at 48 kHz."""
    spent = []
    for _ in range(3):
        began = time.process_time()
        for seed in (1, 4):
            draw_clip(np.random.default_rng(seed), ranges=TRAINING_RANGES, rate=48000, duration_s=10.0)
        spent.append(time.process_time() - began)
    assert 20.0 / min(spent) > 20.0


@pytest.mark.closed
def test_too_short_a_clip_is_refused() -> None:
    with pytest.raises(InputError, match=r"a clip needs 8000 Hz and 2 s at least, got 8000 Hz and 1\.0 s"):
        draw_clip(np.random.default_rng(0), ranges=TRAINING_RANGES, rate=8000, duration_s=1.0)
