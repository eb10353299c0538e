"""A current clamp on the second channel of a sound file."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from listen.blocks import Block
from listen.cli import main
from listen.errors import InputError
from listen.hear.load_channel import Clamp, ClampEnvelope, clamp_loads, parse_clamp
from listen.record import read_run
from listen.replay_run import replay_recording

RATE = 16000
CLAMP = parse_clamp("2:0.02=1,0.2=10")


def drawn(seconds: float) -> NDArray[np.float64]:
    """A drive at 133 Hz: 2 A idling, from 4 to 8 s and from 12 to 16 s 8 A; 50 A a unit of RMS."""
    t = np.arange(round(seconds * RATE)) / RATE
    amperes = np.where(((t >= 4) & (t < 8)) | ((t >= 12) & (t < 16)), 8.0, 2.0)
    current: NDArray[np.float64] = np.sqrt(2.0) * amperes / 50.0 * np.sin(2.0 * np.pi * 133.0 * t)
    return current


@pytest.mark.closed
def test_two_points_give_amperes_on_a_straight_line() -> None:
    """By hand: 1 A at 0.02 and 10 A at 0.2 is 50 A a unit."""
    assert CLAMP.amperes(0.1) == pytest.approx(5.0)
    loads = tuple(clamp_loads([Block(samples=drawn(6.0), start=0, rate=RATE)], CLAMP))
    values = np.array([load.percent for load in loads])
    assert len(loads) == 60
    np.testing.assert_allclose(values[:39], 2.0, rtol=0.05)
    np.testing.assert_allclose(values[41:], 8.0, rtol=0.05)


@pytest.mark.parity
@pytest.mark.parametrize("size", [1, 777, 1600, 5000])
def test_blocks_of_any_size_give_the_same_load(size: int) -> None:
    sound = drawn(1.0)
    whole = ClampEnvelope(CLAMP, rate=RATE).push(Block(samples=sound, start=0, rate=RATE))
    parts = ClampEnvelope(CLAMP, rate=RATE)
    made = [
        load
        for at in range(0, sound.size, size)
        for load in parts.push(Block(samples=sound[at : at + size], start=at, rate=RATE))
    ]
    assert tuple(made) == whole


@pytest.mark.closed
def test_a_clamp_that_cannot_be_meant_is_refused_in_one_line() -> None:
    for text in ("2", "2:0.1=1", "two:0.1=1,0.2=2", "2:0.1=1,0.1=2", "0:0.1=1,0.2=2"):
        with pytest.raises(InputError) as raised:
            parse_clamp(text)
        assert "\n" not in str(raised.value)
    assert parse_clamp("1:0=0,1=30") == Clamp(channel=1, low=(0.0, 0.0), high=(1.0, 30.0))


@pytest.mark.closed
def test_a_recording_with_a_clamp_on_its_second_channel_is_replayed_with_its_load(tmp_path: Path) -> None:
    """The microphone hears nothing but noise: both cuts are known from the clamp."""
    load = drawn(20.0)
    noise = 0.01 * np.random.default_rng(1).standard_normal(load.size)
    path = tmp_path / "both.wav"
    soundfile.write(path, np.column_stack([noise, load]), RATE)
    run = replay_recording(path, out=tmp_path / "run", write_page=lambda run, page: None, clamp=CLAMP)
    assert max(sample.percent for sample in run.loads) == pytest.approx(8.0, rel=0.05)
    starts = [event.at / run.rate for event in run.refined if event.state == "entry"]
    np.testing.assert_allclose(starts, [4.0, 12.0], rtol=0, atol=0.15)
    with pytest.raises(InputError, match="has 2 channels"):
        replay_recording(
            path, out=tmp_path / "b", write_page=lambda run, page: None, clamp=parse_clamp("3:0=0,1=1")
        )


@pytest.mark.closed
def test_the_option_of_the_command_gives_the_run_its_load(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same as a command; without the option the run has no load."""
    load = drawn(20.0)
    noise = 0.01 * np.random.default_rng(1).standard_normal(load.size)
    path, out = tmp_path / "both.wav", tmp_path / "run"
    soundfile.write(path, np.column_stack([noise, load]), RATE)
    assert main(["replay", str(path), "--clamp", "2:0.02=1,0.2=10", "--out", str(out)]) == 0
    said = json.loads((out / "run.json").read_text(encoding="utf-8"))
    starts = [event["onset_s"] for event in said["refined"] if event["state"] == "entry"]
    np.testing.assert_allclose(starts, [4.0, 12.0], rtol=0, atol=0.15)
    assert max(sample.percent for sample in read_run(out).loads) == pytest.approx(8.0, rel=0.05)
    assert main(["replay", str(path), "--out", str(tmp_path / "without")]) == 0
    assert read_run(tmp_path / "without").loads == ()
    capsys.readouterr()
    assert main(["replay", str(path), "--clamp", "2:0.1=1", "--out", str(tmp_path / "bad")]) == 2
    assert "--clamp reads CHANNEL:RMS=AMPERES,RMS=AMPERES" in capsys.readouterr().err
