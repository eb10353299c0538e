"""A live run beside a real agent that is killed and started anew: sound goes on, the gap is written down."""

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Block, Gap
from listen.hear.mtconnect import MTConnectWitness
from listen.live_run import live_run
from listen.record.keep import KEEPS
from tests.hear.mtconnect_agent import Agent

pytestmark = pytest.mark.closed
RATE = 48000


class PacedMicrophone:
    """Room noise in pieces of 50 ms, as fast as time goes."""

    listening = True

    def __init__(self) -> None:
        self.rng = np.random.default_rng(1)
        self.began = time.monotonic()
        self.place = 0

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        size = RATE // 20
        time.sleep(max(0.0, self.began + (self.place + size) / RATE - time.monotonic()))
        block = Block(samples=0.01 * self.rng.standard_normal(size), start=self.place, rate=RATE)
        self.place += size
        return (block,)


def wait_until(true: Callable[[], bool], seconds: float = 20.0) -> None:
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until
        time.sleep(0.02)


def test_an_agent_that_is_killed_leaves_a_gap_in_run_json_and_the_run_goes_on(tmp_path: Path) -> None:
    agent = Agent()
    port = agent.server.server_port
    witness = MTConnectWitness(agent.url, rate=RATE)
    microphone, stop = PacedMicrophone(), threading.Event()

    def fate() -> None:
        wait_until(lambda: microphone.place > RATE // 2, seconds=60.0)  # a model and kernels are loaded first
        witness.start()
        wait_until(lambda: witness.connected)
        agent.put("load", 5)
        time.sleep(0.5)
        agent.stop()
        wait_until(lambda: not witness.connected)
        time.sleep(0.5)
        again = Agent(port=port, instance=2)
        wait_until(lambda: witness.connected)
        again.put("load", 7)
        time.sleep(1.0)
        stop.set()
        again.stop()

    thread = threading.Thread(target=fate)
    thread.start()
    run = live_run(
        microphone,
        rate=RATE,
        folder=tmp_path / "run",
        screens=[],
        stop=stop,
        timeline=None,
        job=None,
        keep=KEEPS["sound"],
        name="noise",
        witnesses=lambda: witness.read(now=microphone.place),
    )
    thread.join()
    witness.close()
    said = json.loads((run.folder / "run.json").read_text(encoding="utf-8"))["recording"]
    gap = next(gap for gap in said["source_gaps"] if gap["from_s"] > 0.3)
    assert gap["source"] == "MTConnect"
    assert gap["reason"]
    assert 0.5 <= gap["until_s"] - gap["from_s"] < said["duration_s"] - 1.0
    assert said["gaps"] == []
    assert said["duration_s"] == pytest.approx(microphone.place / RATE, abs=0.1)
    assert {sample.percent for sample in run.loads} == {5.0, 7.0}
