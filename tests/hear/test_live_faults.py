"""A live run beside real peers through all that can befall them: it goes on, and each source returns."""

import json
import threading
import time
from pathlib import Path

import pytest

from listen.hear.mqtt import MqttWitness
from listen.hear.mtconnect import MTConnectWitness
from listen.hear.opcua import OpcUaWitness
from listen.live_run import live_run
from listen.record import Run
from listen.record.keep import KEEPS
from tests.hear.mtconnect_agent import KEPT, Agent
from tests.hear.test_live_sources import RATE, PacedMicrophone, wait_until
from tests.hear.test_witnesses import BOMB, Broker, UaServer, broker, free_port

__all__ = ["broker"]  # a fixture
GREAT = b"<MTConnectStreams>" + 100_000_000 * b"x"

pytestmark = [pytest.mark.closed, pytest.mark.filterwarnings("ignore::DeprecationWarning:asyncua")]


class Faults:
    """Does one thing after another to an agent, an OPC UA server and a broker while the run is heard."""

    def __init__(self, broker: Broker) -> None:
        self.agent, self.port, self.broker = Agent(), free_port(), broker
        self.server = UaServer(self.port)
        self.mtconnect = MTConnectWitness(self.agent.url, rate=RATE)
        self.opcua = OpcUaWitness(self.server.url, rate=RATE, nodes={})
        self.mqtt = MqttWitness(f"127.0.0.1:{broker.port}", "mill/load", rate=RATE)
        self.sources = (self.mtconnect, self.opcua, self.mqtt)
        self.microphone, self.stop = PacedMicrophone(), threading.Event()
        self.problem: BaseException | None = None

    def run(self) -> None:
        try:
            self._all()
        except BaseException as error:
            self.problem = error
        self.stop.set()

    def _all(self) -> None:
        wait_until(lambda: self.microphone.place > RATE // 2, seconds=60.0)  # a model is loaded first
        for witness in self.sources:
            witness.start()
            wait_until(lambda witness=witness: witness.connected)  # type: ignore[misc]
        self._load(1)
        self.agent.cut_next = True  # in the middle of a document
        self._load(2)
        self._overrun()
        self._load(3)
        self.agent.skew_s = 2.0
        self._load(4)
        self._hostile(BOMB)
        self._load(5)
        self._hostile(GREAT)
        self._load(6)
        self._server_gone()
        self._broker_gone()

    def _load(self, value: int) -> None:
        for _ in range(10):
            self.agent.put("load", value)
            time.sleep(0.05)
        time.sleep(0.5)

    def _overrun(self) -> None:
        with self.agent.lock:
            self.agent.cut_next = True
            for _ in range(3 * KEPT):
                self.agent.kept.append((self.agent.next, "line", "77", "2030-01-01T00:00:00Z"))
                self.agent.next += 1
            self.agent.lock.notify_all()
        time.sleep(1.0)

    def _hostile(self, document: bytes) -> None:
        before = self.mtconnect.n_connections
        self.agent.hostile = document
        self.agent.cut_next = True
        self.agent.put("line", "5")
        wait_until(lambda: self.mtconnect.n_connections > before + 1)
        self.agent.hostile = None
        wait_until(lambda: self.mtconnect.connected)

    def _server_gone(self) -> None:
        self.server.stop()
        wait_until(lambda: not self.opcua.connected)
        self.server = UaServer(self.port)
        self.server.write("override", 60.0)
        wait_until(lambda: self.opcua.connected, seconds=30.0)
        time.sleep(0.5)

    def _broker_gone(self) -> None:
        self._told_by_broker(70)
        self.broker.stop()
        wait_until(lambda: not self.mqtt.connected)
        self.broker.start()
        wait_until(lambda: self.mqtt.connected, seconds=30.0)
        self._told_by_broker(80)

    def _told_by_broker(self, override: int) -> None:
        time.sleep(0.3)  # the topic is asked for once the connection stands
        self.broker.say(f'{{"feed_override": {override}}}')
        time.sleep(0.7)

    def close(self) -> None:
        for witness in self.sources:
            witness.close()
        self.agent.stop()
        self.server.stop()


def heard(faults: Faults, folder: Path) -> Run:
    thread = threading.Thread(target=faults.run)
    thread.start()
    run = live_run(
        faults.microphone,
        rate=RATE,
        folder=folder,
        screens=[],
        stop=faults.stop,
        timeline=None,
        job=None,
        keep=KEEPS["sound"],
        name="noise",
        witnesses=lambda: [item for one in faults.sources for item in one.read(now=faults.microphone.place)],
    )
    thread.join()
    return run


@pytest.mark.slow
def test_cut_documents_overruns_set_clocks_hostile_xml_and_lost_servers_leave_the_run_whole(
    tmp_path: Path,
    broker: Broker,
) -> None:
    faults = Faults(broker)
    try:
        run = heard(faults, tmp_path / "run")
    finally:
        faults.close()
    if faults.problem is not None:
        raise faults.problem
    said = json.loads((run.folder / "run.json").read_text(encoding="utf-8"))["recording"]
    assert said["gaps"] == []
    assert said["duration_s"] == pytest.approx(faults.microphone.place / RATE, abs=0.1)
    assert {sample.percent for sample in run.loads} >= {1.0, 2.0, 3.0, 4.0, 5.0, 6.0}
    assert [sample.at for sample in run.loads] == sorted(sample.at for sample in run.loads)
    fours = [sample.at for sample in run.loads if sample.percent == 4.0]
    fives = [sample.at for sample in run.loads if sample.percent == 5.0]
    assert max(fours) <= min(fives)
    assert faults.mtconnect.n_clock_steps >= 1
    gone = {gap["source"] for gap in said["source_gaps"]}
    assert gone == {"MTConnect", "OPC UA", "MQTT"}
    told = {mark.value for mark in run.marks}
    assert told >= {60.0, 70.0, 80.0}  # 60 and 80 by a server and a broker that came back
