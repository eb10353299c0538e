"""Witnesses with real peers on loopback: an MTConnect agent, an OPC UA server, an MQTT broker."""

import asyncio
import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from listen.blocks import LoadSample, SourceState
from listen.errors import DeviceError, InputError
from listen.hear.mqtt import MqttWitness
from listen.hear.mtconnect import MTConnectWitness, data_items
from listen.hear.opcua import OpcUaWitness
from listen.hear.safe_xml import read_xml
from listen.hear.witness import Observation, Translator, Witness
from listen.marks import Mark, MarkKind
from tests.hear.mtconnect_agent import KEPT, Agent

RATE = 8000
Items = list[LoadSample | Mark | SourceState]


class Reading:
    """Reads a witness on a stream that runs with the clock, and waits for what should come."""

    def __init__(self, witness: Witness) -> None:
        self.witness = witness
        self.items: Items = []
        self._began = time.monotonic()
        witness.start()

    def now(self) -> int:
        return round((time.monotonic() - self._began + 10.0) * RATE)

    def until(self, wanted: Callable[[Items], Any], seconds: float = 8.0) -> float:
        began = time.monotonic()
        while time.monotonic() - began < seconds:
            self.items += self.witness.read(now=self.now())
            if wanted(self.items):
                return time.monotonic() - began
            time.sleep(0.01)
        raise AssertionError(f"did not come: {self.items[-5:]}, {self.witness.problem}")

    def has(self, kind: MarkKind, value: float | None = None) -> Callable[[Items], bool]:
        def check(items: Items) -> bool:
            return any(
                isinstance(item, Mark) and item.kind == kind and (value is None or item.value == value)
                for item in items
            )

        return check


def loads(items: Items) -> list[float]:
    return [item.percent for item in items if isinstance(item, LoadSample)]


def has_load(value: float) -> Callable[[Items], bool]:
    return lambda items: value in loads(items)


@pytest.fixture
def agent() -> Iterator[Agent]:
    made = Agent()
    yield made
    made.stop()


@pytest.fixture
def reading(agent: Agent) -> Iterator[Reading]:
    witness = MTConnectWitness(agent.url, rate=RATE)
    made = Reading(witness)
    yield made
    witness.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.mark.closed
def test_the_probe_names_what_is_of_use_and_the_rest_is_left(agent: Agent) -> None:
    keys = data_items(read_xml(agent.probe().encode()))
    assert keys == {
        "load": "load_percent",
        "speed": "spindle_rpm",
        "path": "place",
        "exec": "execution",
        "ovr": "feed_override",
        "line": "line",
        "program": "program",
        "tool": "tool",
        "offset": "work_offset",
    }


@pytest.mark.closed
def test_the_load_of_a_rotary_table_is_not_the_spindle_s(agent: Agent) -> None:
    """ANSI/MTC1.4 part 2: ROTARY_MODE is SPINDLE, INDEX or CONTOUR; a fixed one stands in Constraints."""
    table = (
        '<Rotary id="b" name="A"><DataItems><DataItem id="b_load" category="SAMPLE" type="LOAD"/>'
        '<DataItem id="b_speed" category="SAMPLE" type="ROTARY_VELOCITY" subType="ACTUAL"/>'
        '<DataItem id="b_mode" category="EVENT" type="ROTARY_MODE"><Constraints><Value>CONTOUR</Value>'
        "</Constraints></DataItem></DataItems></Rotary>"
    )
    probe = agent.probe().replace('<Rotary id="c"', f'{table}<Rotary id="c"')
    keys = data_items(read_xml(probe.encode()))
    assert keys["load"] == "load_percent"
    assert not {"b_load", "b_speed", "b_mode"} & keys.keys()


@pytest.mark.closed
def test_hold_override_line_load_and_place_come_within_one_update(agent: Agent, reading: Reading) -> None:
    agent.put("exec", "ACTIVE")
    reading.until(reading.has(MarkKind.CYCLE_START))
    for item, value, check in (
        ("exec", "FEED_HOLD", reading.has(MarkKind.HOLD)),
        ("exec", "ACTIVE", reading.has(MarkKind.RESUME)),
        ("ovr", "20", reading.has(MarkKind.FEED_OVERRIDE, 20.0)),
        ("line", "42", reading.has(MarkKind.LINE, 42.0)),
        ("speed", "9000", reading.has(MarkKind.SPINDLE_SPEED, 9000.0)),
        ("tool", "3", reading.has(MarkKind.TOOL, 3.0)),
        ("program", "BRACKET", reading.has(MarkKind.PROGRAM)),
        ("offset", "G54", reading.has(MarkKind.WORK_OFFSET)),
        ("path", "1.5 -2 0.25", reading.has(MarkKind.POSITION)),
        ("load", "17.5", lambda items: loads(items) == [17.5]),
    ):
        agent.put(item, value)
        assert reading.until(check) < 0.5, item
        last = reading.items[-1]
        assert not isinstance(last, SourceState)
        assert abs(last.at - reading.now()) < 0.5 * RATE
    place = next(m.place for m in reading.items[::-1] if isinstance(m, Mark) and m.kind == MarkKind.POSITION)
    assert place == (1.5, -2.0, 0.25)


@pytest.mark.closed
def test_an_agent_killed_and_started_anew_is_listened_to_again(agent: Agent, reading: Reading) -> None:
    agent.put("line", "7")
    reading.until(reading.has(MarkKind.LINE, 7.0))
    port = agent.server.server_port
    agent.stop()
    began = time.monotonic()
    while reading.witness.connected:
        assert time.monotonic() - began < 5.0
        time.sleep(0.02)
    again = Agent(port=port, instance=2)
    try:
        again.put("line", "8")
        reading.until(reading.has(MarkKind.LINE, 8.0), seconds=10.0)
        stands = [item.listening for item in reading.items if isinstance(item, SourceState)]
        assert stands == [True, False, True]
    finally:
        again.stop()


@pytest.mark.closed
def test_a_stream_cut_in_the_middle_of_a_document_loses_nothing_that_is_kept(
    agent: Agent, reading: Reading
) -> None:
    agent.put("line", "1")
    reading.until(reading.has(MarkKind.LINE, 1.0))
    agent.cut_next = True
    agent.put("line", "2")
    reading.until(reading.has(MarkKind.LINE, 2.0))
    assert reading.witness.n_connections == 2


@pytest.mark.closed
def test_a_buffer_that_overran_goes_on_from_what_is_current(agent: Agent, reading: Reading) -> None:
    agent.put("line", "1")
    reading.until(reading.has(MarkKind.LINE, 1.0))
    with agent.lock:
        agent.cut_next = True
        for value in range(3 * KEPT):
            agent.kept.append((agent.next, "load", str(value), "2030-01-01T00:00:00Z"))
            agent.next += 1
        agent.kept.append((agent.next, "line", "9", "2030-01-01T00:00:00Z"))
        agent.next += 1
        agent.lock.notify_all()
    reading.until(reading.has(MarkKind.LINE, 9.0))


@pytest.mark.closed
def test_an_agent_whose_clock_is_set_keeps_its_marks_in_time(agent: Agent, reading: Reading) -> None:
    for step in (0.0, 2.0, -2.0):
        agent.skew_s = step
        for value in range(15):
            agent.put("load", value + 100 * step)
            time.sleep(0.02)
        last = 14 + 100 * step
        reading.until(has_load(last))
        assert abs(reading.items[-1].at - reading.now()) < 0.3 * RATE
    assert reading.witness.n_clock_steps == 2


BOMB = b'<!DOCTYPE a [<!ENTITY b "bbbbbbbbbb">' + b"".join(
    b'<!ENTITY %c "&%c;&%c;&%c;&%c;">' % (c + 1, c, c, c, c) for c in range(98, 120)
) + b"]><a>&x;</a>"  # fmt: skip
FILE = b'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><a>&x;</a>'


@pytest.mark.closed
@pytest.mark.parametrize("document", [BOMB, FILE, b"<a>" * 5000, b"no xml", b"<a/>", b""])
def test_hostile_documents_are_refused_and_the_source_returns(agent: Agent, document: bytes) -> None:
    agent.hostile = document
    witness = MTConnectWitness(agent.url, rate=RATE)
    reading = Reading(witness)
    began = time.monotonic()
    while not witness.problem:
        assert time.monotonic() - began < 5.0
        time.sleep(0.01)
    assert not witness.connected
    agent.hostile = None
    agent.put("line", "3")
    reading.until(reading.has(MarkKind.LINE, 3.0))
    witness.close()


@pytest.mark.closed
def test_a_document_of_100_mb_is_refused_without_being_read() -> None:
    with pytest.raises(DeviceError, match="at most 8000000 are read"):
        read_xml(b" " * 8_000_001)
    with pytest.raises(DeviceError, match="declares a document type"):
        read_xml(BOMB)
    began = time.monotonic()
    server = socket.create_server(("127.0.0.1", 0))

    def pour() -> None:
        client, _ = server.accept()
        client.recv(1000)
        client.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 100000000\r\n\r\n")
        try:
            for _ in range(100):
                client.sendall(b"<a>" + b" " * 999_997)
        except OSError:
            pass
        client.close()

    thread = threading.Thread(target=pour)
    thread.start()
    witness = MTConnectWitness(f"127.0.0.1:{server.getsockname()[1]}", rate=RATE)
    witness.start()
    while not witness.problem:
        assert time.monotonic() - began < 8.0
        time.sleep(0.02)
    assert "bytes, at most" in witness.problem
    server.close()
    witness.close()
    thread.join()


@pytest.mark.closed
def test_observations_become_marks_once_and_late_stamps_keep_their_time() -> None:
    translator = Translator(rate=RATE, lines_of_blocks={"N20": 5})

    def item(key: str, value: float | str, stamp: float | None, arrived: float) -> LoadSample | Mark | None:
        seen = Observation(key=key, value=value, stamp_s=stamp, arrived_s=arrived)
        return translator.item(seen, now=round(100 * RATE + arrived * RATE), now_s=arrived)

    for second in range(5):
        item("load_percent", 1.0, 1000.0 + second, second + 0.05)
    late = item("load_percent", 2.0, 1005.0, 5.45)
    assert late is not None
    assert late.at == pytest.approx(105.05 * RATE, abs=2)
    block = item("block", "N20 G1 X5", None, 6.0)
    assert isinstance(block, Mark)
    assert (block.kind, block.value) == (MarkKind.LINE, 5.0)
    assert item("block", "N20 G1 X5", None, 6.1) is None
    assert item("block", "(note)", None, 6.2) is None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator["Broker"]:
    if shutil.which("mosquitto") is None:
        assert "CI" not in os.environ, "mosquitto must be installed where CI runs"
        pytest.skip("mosquitto is not installed")
    made = Broker(tmp_path)
    yield made
    made.stop()


class Broker:
    """A mosquitto of our own."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self.config = folder / "mosquitto.conf"
        self.config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\nuser root\n")
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            ["mosquitto", "-c", str(self.config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until = time.monotonic() + 5.0
        while time.monotonic() < until:
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.2).close()
                return
            except OSError:
                time.sleep(0.05)

    def say(self, text: str) -> None:
        from paho.mqtt import publish

        publish.single("mill/load", text, hostname="127.0.0.1", port=self.port)

    def stop(self) -> None:
        self.process.kill()
        self.process.wait()


def wait_for_connection(witness: Witness, wanted: bool) -> None:
    until = time.monotonic() + 15.0
    while witness.connected != wanted:
        assert time.monotonic() < until, witness.problem
        time.sleep(0.02)


@pytest.mark.closed
def test_a_broker_s_messages_come_through_and_it_may_go_and_return(broker: Broker) -> None:
    witness = MqttWitness(f"127.0.0.1:{broker.port}", "mill/load", rate=RATE)
    reading = Reading(witness)
    wait_for_connection(witness, True)
    time.sleep(0.2)
    broker.say("12.5")
    broker.say('{"load": 13, "line": 7, "feed_override": 50}')
    broker.say("{broken")
    broker.say('{"load": NaN}')
    reading.until(lambda items: loads(items) == [12.5, 13.0])
    reading.until(reading.has(MarkKind.LINE, 7.0))
    broker.stop()
    wait_for_connection(witness, False)
    broker.start()
    wait_for_connection(witness, True)
    time.sleep(0.2)
    broker.say("14")
    reading.until(lambda items: loads(items)[-1:] == [14.0])
    witness.close()


class UaServer:
    """An asyncua server with a machine by the names of OPC 40501-1, in a thread of its own."""

    def __init__(self, port: int) -> None:
        self.url = f"opc.tcp://127.0.0.1:{port}/machine"
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._do(self._start())

    def _do(self, work: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(20.0)

    async def _start(self) -> None:
        from asyncua import Server

        self._server = Server()
        await self._server.init()
        self._server.set_endpoint(self.url)
        space = await self._server.register_namespace("urn:invented:mill")
        objects = self._server.nodes.objects
        channel = await (await objects.add_object(space, "Monitoring")).add_object(space, "Channel1")
        self._nodes = {
            "override": await channel.add_variable(space, "FeedOverride", 100.0),
            "state": await channel.add_variable(space, "ChannelState", 2),
            "load": await channel.add_variable("ns=2;s=Load", "SpindleLoad", 1.0),
            "turns": await channel.add_variable(space, "IsRotating", False),
        }
        await self._server.start()

    def write(self, name: str, value: float) -> None:
        self._do(self._nodes[name].write_value(value))

    def stop(self) -> None:
        self._do(self._server.stop())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()


@pytest.mark.closed
@pytest.mark.filterwarnings("ignore::DeprecationWarning:asyncua")
def test_an_opc_ua_server_s_override_state_and_load_come_through_and_it_may_go() -> None:
    port = free_port()
    server = UaServer(port)
    witness = OpcUaWitness(server.url, rate=RATE, nodes={"load_percent": "ns=2;s=Load"})
    reading = Reading(witness)
    reading.until(reading.has(MarkKind.FEED_OVERRIDE, 100.0))
    assert not reading.has(MarkKind.SPINDLE_OFF)(reading.items)  # it has not begun to turn
    for name, value, check in (
        ("state", 0, reading.has(MarkKind.RESUME)),
        ("state", 1, reading.has(MarkKind.HOLD)),
        ("override", 30.0, reading.has(MarkKind.FEED_OVERRIDE, 30.0)),
        ("turns", True, reading.has(MarkKind.SPINDLE_ON)),
        ("turns", False, reading.has(MarkKind.SPINDLE_OFF)),
        ("load", 25.0, lambda items: loads(items)[-1] == 25.0),
    ):
        server.write(name, value)
        assert reading.until(check) < 1.0, name
    server.stop()
    wait_for_connection(witness, False)
    again = UaServer(port)
    again.write("override", 60.0)
    reading.until(reading.has(MarkKind.FEED_OVERRIDE, 60.0), seconds=20.0)
    witness.close()
    again.stop()


@pytest.mark.closed
def test_addresses_and_maps_that_cannot_be_meant_are_refused() -> None:
    with pytest.raises(InputError, match="an agent's address reads http://address:port, got 'ftp://mill'"):
        MTConnectWitness("ftp://mill", rate=RATE)
    with pytest.raises(InputError, match=r"begins with opc\.tcp://"):
        OpcUaWitness("http://mill", rate=RATE)
    with pytest.raises(InputError, match=r"a node map knows .* got 'torque'"):
        OpcUaWitness("opc.tcp://mill", rate=RATE, nodes={"torque": "ns=2;i=1"})
    with pytest.raises(InputError, match="a broker's address reads host or host:port"):
        MqttWitness(":x", "t", rate=RATE)
