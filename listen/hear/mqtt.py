"""Load and marks from an MQTT topic: a plain number, or JSON with names as load logs have them."""

import json
from collections.abc import Mapping
from math import isfinite
from typing import Any

from listen.errors import DeviceError, InputError
from listen.hear.load_columns import KEYS
from listen.hear.witness import KNOWN_KEYS, WORDS, Witness

GREATEST_BYTES = 65_536
KEEP_ALIVE_S = 5
LOOP_S = 0.2
CONNECT_S = 5.0


class MqttWitness(Witness):
    """Subscribes to one topic; connects again when the broker is gone.

    Parameters
    ----------
    address : str
        ``host`` or ``host:port`` of the broker.
    topic : str
    rate : int
        Audio sample rate [Hz].
    plain : str
        What a plain number is, one of `LOAD_KINDS`.
    lines_of_blocks : mapping | None
        Line in the program of each N word.

    Raises
    ------
    InputError
        If paho-mqtt is not installed, or the address cannot be read.
    """

    name = "MQTT"

    def __init__(
        self,
        address: str,
        topic: str,
        *,
        rate: int,
        plain: str = "load_percent",
        lines_of_blocks: Mapping[str, int] | None = None,
    ) -> None:
        super().__init__(rate=rate, lines_of_blocks=lines_of_blocks)
        host, _, port = address.partition(":")
        if not host or (port and not port.isdigit()):
            raise InputError(f"a broker's address reads host or host:port, got {address!r}")
        self._host, self._port = host, int(port or 1883)
        self._topic, self._plain = topic, plain
        self._mqtt = _library()

    def _listen(self) -> None:
        client = self._mqtt.Client(self._mqtt.CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
        client.connect_timeout = CONNECT_S
        client.on_connect = self._connected
        client.on_message = lambda client, data, message: self._message(message.payload)
        try:
            client.connect(self._host, self._port, keepalive=KEEP_ALIVE_S)
            while not self.ended.is_set():
                if client.loop(timeout=LOOP_S) != self._mqtt.MQTT_ERR_SUCCESS:
                    raise DeviceError("the broker ended the connection")
        finally:
            client.disconnect()

    def _connected(self, client: Any, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self.problem = f"the broker refuses: {reason}"
            return
        client.subscribe(self._topic)
        self.connected = True

    def _message(self, payload: bytes) -> None:
        for key, value in read_message(payload, plain=self._plain).items():
            self._saw(key, value)


def read_message(payload: bytes, *, plain: str) -> dict[str, float | str]:
    """What a message says, by key; what cannot be read says nothing.

    Examples
    --------
    >>> read_message(b"12.5", plain="load_percent")
    {'load_percent': 12.5}
    >>> read_message(b'{"load": 3, "execution": "ACTIVE", "colour": "red"}', plain="load_percent")
    {'load_percent': 3.0, 'execution': 'ACTIVE'}
    >>> read_message(b'{"spindle_turns": true, "load": false}', plain="load_percent")
    {'spindle_turns': 1.0}
    """
    if len(payload) > GREATEST_BYTES:
        return {}
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    if not isinstance(said, dict):
        said = {plain: said}
    values: dict[str, float | str] = {}
    for word, value in said.items():
        key = next((key for key, names in KEYS.items() if word == key or word in names), word)
        if key not in KNOWN_KEYS:
            continue
        if key in WORDS:
            if isinstance(value, str):
                values[key] = value[:200]
        elif isinstance(value, bool) != (key == "spindle_turns"):
            continue
        elif isinstance(value, int | float) and isfinite(value):
            values[key] = float(value)
    return values


def _library() -> Any:
    try:
        from paho.mqtt import client
    except ImportError:
        raise InputError("reading MQTT needs paho-mqtt; install cut-listen[mqtt]") from None
    return client
