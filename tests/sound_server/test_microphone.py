"""The microphone on a real sound server: what is played is heard, and a lost device comes back."""

import signal
import time

import numpy as np
import pytest
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.errors import DeviceError
from listen.hear.devices import best_rate, list_devices, record
from listen.hear.level_check import check_level
from listen.hear.microphone import Microphone
from tests.sound_server.server import RATE, SoundServer

pytestmark = pytest.mark.sound_server
Heard = list[Block | Gap]


def listen(microphone: Microphone, *, seconds: float) -> Heard:
    heard: Heard = []
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        heard += microphone.read(timeout_s=0.05)
    return heard


def first_sound(microphone: Microphone) -> Heard:
    """The stream begins with its first sound, and has no gap before it."""
    until = time.monotonic() + 10.0
    heard: Heard = []
    while not heard and time.monotonic() < until:
        heard += microphone.read(timeout_s=0.05)
    assert heard
    assert isinstance(heard[0], Block)
    assert microphone.listening
    return heard


def joined(heard: Heard) -> NDArray[np.float64]:
    """The stream with zeros in its gaps; refuses what does not fit together."""
    stop = 0
    pieces = []
    for item in heard:
        assert item.start == stop
        pieces.append(item.samples if isinstance(item, Block) else np.zeros(item.stop - item.start))
        stop = item.stop
    return np.concatenate(pieces)


def clicks(times_s: list[float], *, duration_s: float) -> NDArray[np.float64]:
    samples = np.zeros(round(duration_s * RATE))
    for at in times_s:
        samples[round(at * RATE) : round(at * RATE) + 48] = 0.8
    return samples


def click_times(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    loud = np.flatnonzero(np.abs(samples) > 0.4)
    first = loud[np.concatenate([[True], np.diff(loud) > RATE // 10])]
    return np.asarray(first, dtype=np.float64) / np.float64(RATE)


def test_what_is_played_is_heard_in_time(sound_server: SoundServer) -> None:
    with Microphone(device="pulse", rate=RATE) as microphone:
        listen(microphone, seconds=0.5)
        player = sound_server.play(clicks([0.5, 1.0, 1.75], duration_s=2.0), latency_ms=1000)
        heard = listen(microphone, seconds=4.5)
        player.wait(5.0)
    at = click_times(np.concatenate([item.samples for item in heard if isinstance(item, Block)]))
    np.testing.assert_allclose(np.diff(at), [0.5, 0.75], rtol=0, atol=0.002)


def test_a_sink_that_goes_and_returns_is_a_gap_seen_within_a_second(sound_server: SoundServer) -> None:
    with Microphone(device="pulse", rate=RATE) as microphone:
        before = first_sound(microphone)
        began = time.monotonic()
        before += listen(microphone, seconds=1.0)
        sound_server.remove_sink()
        removed = time.monotonic()
        away: Heard = []
        while not any(isinstance(item, Gap) for item in away):
            away += microphone.read(timeout_s=0.05)
            assert time.monotonic() - removed < 1.0
        assert not microphone.listening
        away += listen(microphone, seconds=1.0)
        sound_server.restore_sink()
        restored = time.monotonic()
        while not microphone.listening:
            away += microphone.read(timeout_s=0.05)
            assert time.monotonic() - restored < 10.0
        after = listen(microphone, seconds=0.5)
        passed = time.monotonic() - began
    whole = joined(before + away + after)
    assert whole.size / RATE == pytest.approx(passed, abs=0.3)
    assert isinstance(after[-1], Block)


def test_the_server_killed_and_started_anew_is_a_gap(sound_server: SoundServer) -> None:
    with Microphone(device="pulse", rate=RATE) as microphone:
        heard = first_sound(microphone)
        began = time.monotonic()
        heard += listen(microphone, seconds=0.5)
        sound_server.keeper.kill()
        sound_server.keeper.wait()
        sound_server.process.kill()
        sound_server.process.wait()
        heard += listen(microphone, seconds=1.0)
        assert not microphone.listening
        sound_server.log.close()
        sound_server.start()
        until = time.monotonic() + 10.0
        while not microphone.listening and time.monotonic() < until:
            heard += microphone.read(timeout_s=0.05)
        assert microphone.listening
        assert joined(heard).size / RATE == pytest.approx(time.monotonic() - began, abs=0.3)


def test_a_moment_in_which_the_listener_is_busy_is_no_gap(sound_server: SoundServer) -> None:
    with Microphone(device="pulse", rate=RATE) as microphone:
        heard = first_sound(microphone)
        began = time.monotonic()
        time.sleep(1.5)
        assert microphone._nothing() == ()  # as where the reader was stopped too: what came lies unread
        assert microphone.listening
        heard += listen(microphone, seconds=0.5)
        passed = time.monotonic() - began
    assert all(isinstance(item, Block) for item in heard)
    assert joined(heard).size / RATE == pytest.approx(passed, abs=0.3)


def test_attempts_end_where_the_first_listener_comes_back(sound_server: SoundServer) -> None:
    """A listener is stopped for 0.65 s; what began beside it went on unread, and was told as new later."""
    with Microphone(device="pulse", rate=RATE) as microphone:
        heard = first_sound(microphone)
        began = time.monotonic()
        heard += listen(microphone, seconds=1.0)
        first = microphone._ears[0]._process
        first.send_signal(signal.SIGSTOP)
        heard += listen(microphone, seconds=0.65)
        beside = [ear._process for ear in microphone._ears[1:]]
        first.send_signal(signal.SIGCONT)
        heard += listen(microphone, seconds=3.0)
        passed = time.monotonic() - began
        assert beside
        assert len(microphone._ears) == 1
        assert sum(process.poll() is None for process in (first, *beside)) == 1
        assert microphone.listening
    assert any(isinstance(item, Gap) for item in heard)
    assert joined(heard).size / RATE == pytest.approx(passed, abs=0.3)


def test_devices_are_listed_and_a_few_seconds_looked_over(sound_server: SoundServer) -> None:
    devices = list_devices()
    assert "pulse" in [device.name for device in devices]
    assert RATE in next(device.rates for device in devices if device.name == "pulse")
    assert best_rate("pulse") == RATE
    rng = np.random.default_rng(1)
    player = sound_server.play(0.05 * rng.normal(size=3 * RATE))
    time.sleep(0.5)
    check = check_level(record(device="pulse", rate=RATE, duration_s=1.0), rate=RATE)
    player.wait(5.0)
    assert check.level_db == pytest.approx(-26.0, abs=1.0)  # 20 log10(0.05)
    assert not check.remarks


def test_a_microphone_that_is_not_there_is_one_line(sound_server: SoundServer) -> None:
    with pytest.raises(DeviceError, match="microphone 'attic' cannot be opened at 48000 Hz") as raised:
        Microphone(device="attic", rate=RATE)
    assert "\n" not in str(raised.value)
