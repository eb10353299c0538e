"""A current clamp on a sound channel, live, on a real sound server."""

import json
import re
import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from listen.blocks import LoadSample, SourceState
from listen.hear import Clamp, ClampWitness, Microphone
from listen.record import read_run
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


def test_live_hears_from_a_clamp_on_the_second_channel_what_the_microphone_cannot(
    two_channel_server: SoundServer, tmp_path: Path
) -> None:
    """By hand: noise alone on the first channel; on the second 1 A, 7 A while cutting, 0.5 A as it stops."""
    cuts = [(4.0, 6.5), (9.0, 11.5), (14.0, 16.5), (19.0, 21.5)]
    seconds = np.arange(24 * RATE) / RATE
    cutting = sum(((seconds >= start) & (seconds < stop)) for start, stop in cuts)
    current = 0.01 * np.where(cutting, 7.0, 1.0) * np.sqrt(2.0) * np.sin(2.0 * np.pi * 90.0 * seconds)
    noise = 0.02 * np.random.default_rng(4).standard_normal(seconds.size)
    out = tmp_path / "run"
    command = [sys.executable, "-m", "listen.cli", "live", "--out", str(out), "--rate", str(RATE)]
    command += ["--device", "pulse", "--clamp", "2:0=0,0.1=10"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert any(re.search(r"http://", line) for line in process.stdout)
    time.sleep(2.0)
    two_channel_server.play(np.column_stack([noise, current])).wait(timeout=60)
    time.sleep(0.5)
    process.send_signal(signal.SIGINT)
    _, complaint = process.communicate(timeout=60)
    assert process.returncode in (0, 1), complaint
    loads = read_run(out).loads
    assert {one.kind for one in loads} == {"current_a"}
    values = np.array([one.percent for one in loads])
    assert np.count_nonzero(np.abs(values - 7.0) < 0.2) >= 80  # ten seconds, ten values each
    run = json.loads((out / "run.json").read_text())
    ends = [(event["onset_s"], event["offset_s"]) for event in run["refined"] if event["state"] == "steady"]
    assert len(ends) == len(cuts), run["refined"]
    lasts = np.array([stop - start for start, stop in ends])
    np.testing.assert_allclose(lasts, 2.5, rtol=0, atol=0.25)
    np.testing.assert_allclose(np.diff([start for start, _ in ends]), 5.0, rtol=0, atol=0.2)
