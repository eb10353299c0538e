"""A current clamp on a sound channel, live, on a real sound server."""

import time
from itertools import pairwise

import numpy as np
import pytest

from listen.blocks import LoadSample, SourceState
from listen.hear import Clamp, ClampWitness, Microphone
from tests.sound_server.server import RATE, SoundServer

pytestmark = [pytest.mark.sound_server, pytest.mark.closed]
CLAMP = Clamp(channel=1, low=(0.0, 0.0), high=(0.1, 10.0))


def test_the_envelope_of_a_clamp_comes_as_load_beside_a_microphone_on_the_same_device(
    sound_server: SoundServer,
) -> None:
    """By hand: a sine of amplitude 0.1 has an RMS of 0.0707, so 7.07 A; then 0.2, so 14.14 A."""
    seconds = np.arange(8 * RATE) / RATE
    drawn = np.where(seconds < 4.0, 0.1, 0.2) * np.sin(2.0 * np.pi * 80.0 * seconds)
    witness = ClampWitness(CLAMP, device="pulse", rate=RATE)
    with Microphone(device="pulse", rate=RATE) as microphone:
        witness.start()
        player = sound_server.play(drawn)
        said: list[object] = []
        now, until = 0, time.monotonic() + 25.0
        while time.monotonic() < until and not (player.poll() is not None and now > 0 and len(said) > 60):
            for item in microphone.read():
                now = item.stop
            said += witness.read(now=now)
        witness.close()
    loads = [one for one in said if isinstance(one, LoadSample)]
    assert SourceState(source="current clamp", at=said[0].at, listening=True) == said[0]  # type: ignore[attr-defined]
    values = np.array([one.percent for one in loads])
    assert np.count_nonzero(np.abs(values - 7.07) < 0.2) >= 10
    assert np.count_nonzero(np.abs(values - 14.14) < 0.4) >= 10
    assert {one.kind for one in loads} == {"current_a"}
    assert all(a.at <= b.at for a, b in pairwise(loads))
