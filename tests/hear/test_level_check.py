"""The level check on sounds whose faults are made by hand."""

import numpy as np
import pytest
from numpy.typing import NDArray

from listen.errors import InputError
from listen.hear.flat_tops import clipped_share
from listen.hear.level_check import (
    LevelCheck,
    check_knock,
    check_level,
    check_spindle,
    level_db,
    mains_hum,
)

pytestmark = pytest.mark.closed
RATE = 48000
SECONDS = np.arange(4 * RATE) / RATE


def noise(level_dbfs: float, seed: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng(seed).normal(0.0, 10.0 ** (level_dbfs / 20.0), SECONDS.size)


def kinds(check: LevelCheck) -> list[str]:
    return [remark.kind for remark in check.remarks]


def test_good_sound_has_no_remark_and_its_level() -> None:
    check = check_level(noise(-30.0), rate=RATE)
    assert kinds(check) == []
    assert check.level_db == pytest.approx(-30.0, abs=0.1)


def test_a_full_scale_sine_is_3_db_below_full_scale() -> None:
    assert level_db(np.sin(2 * np.pi * 1000 * SECONDS)) == pytest.approx(-3.01, abs=0.005)


@pytest.mark.parametrize(("level", "kind"), [(-200.0, "silence"), (-70.0, "too quiet")])
def test_no_sound_and_too_little_are_told_apart(level: float, kind: str) -> None:
    assert kinds(check_level(noise(level), rate=RATE)) == [kind]


@pytest.mark.parametrize("top", [1.0, 0.6])
def test_flat_tops_are_clipping_at_full_scale_and_below(top: float) -> None:
    loud = noise(-3.0)
    assert kinds(check_level(np.clip(loud, -top, top), rate=RATE)) == ["clipping"]
    assert kinds(check_level(0.2 * loud, rate=RATE)) == []
    assert kinds(check_level(0.9 * np.sin(2 * np.pi * 997 * SECONDS), rate=RATE)) == []


def test_three_equal_samples_at_the_top_are_a_flat_top_and_two_are_none() -> None:
    """By hand, of 10 samples; both signs of the top count, what is flat below it does not."""
    assert clipped_share(np.array([0, 0.9, 0.9, 0.9, 0, 0, 0, 0, 0, 0.1])) == pytest.approx(0.3)
    assert clipped_share(np.array([0, 0.9, 0.9, 0.9, 0.9, 0, -0.9, -0.9, -0.9, 0.1])) == pytest.approx(0.7)
    assert clipped_share(np.array([0, 0.9, 0.9, 0, 0, 0.5, 0.5, 0.5, 0.5, 0.1])) == 0.0
    assert clipped_share(np.array([0, 0.9, 0.8, 0.9, 0, 0, 0, 0, 0, 0.1])) == 0.0
    assert clipped_share(np.array([0, 0.2, 0.2, 0.2, 0, 0, 0, 0, 0, 0.1])) == 0.0


@pytest.mark.parametrize("mains", [50, 60])
def test_hum_is_found_with_its_mains_frequency(mains: int) -> None:
    hum = 0.1 * np.sin(2 * np.pi * mains * SECONDS) + 0.03 * np.sin(2 * np.pi * 3 * mains * SECONDS)
    check = check_level(hum + noise(-40.0), rate=RATE)
    assert kinds(check) == ["mains hum"]
    assert check.hum_hz == mains
    ratio = 10 * np.log10((0.1**2 + 0.03**2) / 2 / 1e-4)
    assert mains_hum(hum + noise(-40.0), rate=RATE)[1] == pytest.approx(ratio, abs=1.0)


def test_a_background_that_sinks_after_a_knock_is_level_control() -> None:
    knock = np.where((SECONDS > 1.5) & (SECONDS < 1.54), 0.5, 0.0) * noise(0.0, seed=2)
    gain = np.where(SECONDS < 1.5, 1.0, 1.0 - 0.6 * np.exp(-(SECONDS - 1.5) / 0.6))
    assert kinds(check_level(knock + noise(-45.0), rate=RATE)) == []
    assert kinds(check_level(knock + gain * noise(-45.0), rate=RATE)) == ["level control"]


def test_spindle_on_against_off_in_db_and_a_knock_over_the_room() -> None:
    rise, remark = check_spindle(noise(-60.0), noise(-45.0), rate=RATE)
    assert remark is None
    assert rise == pytest.approx(15.0, abs=0.2)
    rise, remark = check_spindle(noise(-50.0), noise(-47.0), rate=RATE)
    assert remark is not None
    assert "only 3 dB above the room" in remark.text
    knock = np.where((SECONDS > 1.5) & (SECONDS < 1.54), 1.0, 0.0) * noise(-10.0, seed=2)
    assert check_knock(noise(-50.0) + knock, rate=RATE)[1] is None
    assert check_knock(noise(-20.0) + knock, rate=RATE)[1] is not None


def test_too_little_sound_is_refused() -> None:
    with pytest.raises(InputError, match=r"needs 0.5 s of sound, got 0.10 s; listen for longer"):
        check_level(np.zeros(4800), rate=RATE)
