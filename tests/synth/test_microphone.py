"""What the microphone does to sound, each effect on a signal whose result is known by hand."""

import dataclasses

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from listen.synth import EVALUATION_RANGES, TRAINING_RANGES
from listen.synth.microphone import CODECS, Microphone, control_gain, draw_microphone, pick_up, saturate
from listen.synth.sound import Sound, white

RATE = 48000


def _plain() -> Microphone:
    flat = np.zeros(3)
    return dataclasses.replace(
        draw_microphone(np.random.default_rng(0), TRAINING_RANGES, RATE),
        shape_hz=np.array([20.0, 1000.0, 20000.0]),
        shape_db=flat,
        cutoff_hz=24000.0,
        level_db=-30.0,
        ratio=0.0,
        limits_over_db=-np.inf,
        codec="",
        floor_db=-120.0,
        dropouts_per_s=0.0,
        bits=24,
        starts_silent_s=0.0,
        overdriven=True,
    )


def _power_db(sound: Sound, low_hz: float, high_hz: float) -> float:
    power = np.abs(np.fft.rfft(sound.astype(float) * np.hanning(sound.size))) ** 2
    hz = np.fft.rfftfreq(sound.size, 1.0 / RATE)
    return float(10.0 * np.log10(power[(hz >= low_hz) & (hz < high_hz)].mean() + 1e-20))


@pytest.mark.closed
def test_a_flat_microphone_only_sets_the_level() -> None:
    """Noise of power 1 at −30 dB: root mean square 0.0316."""
    rng = np.random.default_rng(1)
    heard = pick_up(rng, _plain(), white(rng, RATE), RATE)
    assert 20.0 * np.log10(np.std(heard)) == pytest.approx(-30.0, rel=0, abs=0.3)


@pytest.mark.closed
@pytest.mark.parametrize("cutoff_hz", [3400.0, 10000.0])
def test_nothing_is_carried_above_the_cut_off(cutoff_hz: float) -> None:
    rng = np.random.default_rng(2)
    microphone = dataclasses.replace(_plain(), cutoff_hz=cutoff_hz)
    heard = pick_up(rng, microphone, white(rng, RATE), RATE)
    below = _power_db(heard, 0.5 * cutoff_hz, 0.9 * cutoff_hz)
    assert _power_db(heard, cutoff_hz + 300.0, 24000.0) < below - 60.0


@pytest.mark.closed
def test_level_control_lessens_a_step_by_its_ratio() -> None:
    """A step of 20 dB at ratio 0.5 ends as a step of 10 dB."""
    rng = np.random.default_rng(3)
    sound = white(rng, 4 * RATE) * np.repeat(np.array([0.01, 0.1], np.float32), 2 * RATE)
    microphone = dataclasses.replace(_plain(), ratio=0.5, attack_s=0.05, release_s=0.5)
    made = sound * control_gain(sound, microphone, RATE)
    step = 20.0 * np.log10(np.std(made[-RATE:]) / np.std(made[RATE : 2 * RATE]))
    assert step == pytest.approx(10.0, rel=0, abs=0.3)


@pytest.mark.closed
def test_a_limiter_leaves_what_is_not_too_loud() -> None:
    """A step of 20 dB, limited fully from 5 dB on, ends as a step of 5 dB; one of 3 dB stays as it is."""
    rng = np.random.default_rng(3)
    microphone = dataclasses.replace(_plain(), ratio=1.0, attack_s=0.05, release_s=0.5, limits_over_db=5.0)
    for step_db, left_db in ((20.0, 5.0), (3.0, 3.0)):
        loud = np.float32(0.01 * 10.0 ** (step_db / 20.0))
        sound = white(rng, 4 * RATE) * np.repeat(np.array([0.01, loud], np.float32), 2 * RATE)
        made = sound * control_gain(sound, microphone, RATE)
        step = 20.0 * np.log10(np.std(made[-RATE:]) / np.std(made[RATE : 2 * RATE]))
        assert step == pytest.approx(left_db, rel=0, abs=0.4)


@pytest.mark.closed
def test_too_loud_is_kept_within_full_scale() -> None:
    loud = np.linspace(-4.0, 4.0, 101, dtype=np.float32)
    assert np.abs(saturate(loud, soft=False)).max() == 1.0
    assert np.abs(saturate(loud, soft=True)).max() < 1.0


@pytest.mark.closed
@pytest.mark.parametrize("recipe", sorted(CODECS))
def test_a_codec_keeps_place_and_loud_parts(recipe: str) -> None:
    """A click of noise stays where it was; the louder it is, the less a codec may change its level."""
    rng = np.random.default_rng(4)
    click = sosfilt(butter(6, 2500.0, fs=RATE, output="sos"), white(rng, 4800))  # a telephone carries it too
    sound = white(rng, 2 * RATE) * np.float32(1e-3)
    sound[RATE : RATE + 4800] = click * 0.1 / np.std(click)
    made = CODECS[recipe](rng, sound.copy(), dataclasses.replace(_plain(), codec_step=0.4), RATE)
    assert made.shape == sound.shape
    level = 20.0 * np.log10(np.std(made[RATE + 500 : RATE + 4300]) / 0.1)
    assert abs(level) < 2.5
    assert np.std(made[RATE + 9600 :]) < 0.02


@pytest.mark.closed
def test_voice_suppression_turns_down_what_stays() -> None:
    """Steady noise loses at least 3 dB within some seconds; a new, louder sound passes at first."""
    rng = np.random.default_rng(6)
    sound = white(rng, 12 * RATE) * np.float32(0.03)
    sound[8 * RATE : 9 * RATE] *= 10.0
    made = CODECS["suppressing"](rng, sound.copy(), dataclasses.replace(_plain(), codec_step=0.15), RATE)
    steady = np.std(made[6 * RATE : 7 * RATE]) / np.std(sound[6 * RATE : 7 * RATE])
    fresh = np.std(made[8 * RATE + 2400 : 8 * RATE + 7200]) / np.std(sound[8 * RATE + 2400 : 8 * RATE + 7200])
    assert 20.0 * np.log10(steady) < -3.0
    assert fresh > 1.3 * steady


@pytest.mark.closed
def test_drawn_microphones_use_only_the_recipes_of_their_ranges() -> None:
    for ranges in (TRAINING_RANGES, EVALUATION_RANGES):
        rng = np.random.default_rng(5)
        drawn = {draw_microphone(rng, ranges, RATE).codec for _ in range(60)}
        assert drawn == {"", *ranges.codec}
