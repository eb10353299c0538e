"""OPC UA for machine tools (OPC 40501-1) as witness: override, channel state, spindle; more by a node map."""

import asyncio
from collections.abc import Mapping
from datetime import UTC
from typing import Any

from listen.errors import DeviceError, InputError
from listen.hear.witness import KNOWN_KEYS, WORDS, Witness

PERIOD_MS = 100
CHECK_S = 1.0
PATIENCE_S = 4.0
DEEPEST = 12
MOST_NODES = 5000
# Names of OPC 40501-1, ChannelMonitoringType and SpindleMonitoringType.
NAMES = {
    "FeedOverride": "feed_override",
    "RapidOverride": "rapid_override",
    "ChannelState": "execution",
    "IsRotating": "spindle_turns",
}
# ChannelState of OPC 40501-1: Active 0, Interrupted 1, Reset 2; a feed hold has no state of its own there.
CHANNEL_STATES = {0: "ACTIVE", 1: "INTERRUPTED", 2: "STOPPED"}


class OpcUaWitness(Witness):
    """Subscribes to what it finds by name, and to the nodes of a map; connects again by itself.

    Parameters
    ----------
    url : str
        ``opc.tcp://address:port/…``
    rate : int
        Audio sample rate [Hz].
    nodes : mapping | None
        Node id of each key, for what the standard does not name, such as load:
        ``{"load_percent": "ns=2;s=Spindle.Load"}``.
    lines_of_blocks : mapping | None
        Line in the program of each N word.

    Raises
    ------
    InputError
        If asyncua is not installed, the address cannot be read, or the map names an unknown key.
    """

    name = "OPC UA"

    def __init__(
        self,
        url: str,
        *,
        rate: int,
        nodes: Mapping[str, str] | None = None,
        lines_of_blocks: Mapping[str, int] | None = None,
    ) -> None:
        super().__init__(rate=rate, lines_of_blocks=lines_of_blocks)
        if not url.startswith("opc.tcp://"):
            raise InputError(f"an OPC UA address begins with opc.tcp://, got {url!r}")
        unknown = sorted(set(nodes or {}) - set(KNOWN_KEYS))
        if unknown:
            raise InputError(f"a node map knows {', '.join(KNOWN_KEYS)}; got {unknown[0]!r}")
        self._url, self._nodes = url, dict(nodes or {})
        self._asyncua = _library()

    def _listen(self) -> None:
        try:
            asyncio.run(self._subscribe())
        except (TimeoutError, asyncio.CancelledError):
            raise DeviceError("the OPC UA server does not answer") from None
        except self._asyncua.ua.UaError as error:
            raise DeviceError(f"the OPC UA server: {type(error).__name__}") from None

    async def _subscribe(self) -> None:
        async with self._asyncua.Client(self._url, timeout=PATIENCE_S) as client:
            self._told: set[Any] = set()
            self._keys = {
                client.get_node(node).nodeid: (client.get_node(node), key)
                for key, node in self._nodes.items()
            }
            await self._find(client.nodes.objects, 0)
            if not self._keys:
                raise DeviceError("the OPC UA server has no override or state by the standard's names")
            subscription = await client.create_subscription(PERIOD_MS, self)
            await subscription.subscribe_data_change([node for node, _ in self._keys.values()])
            self.connected = True
            while not self.ended.is_set():
                await asyncio.sleep(CHECK_S / 5.0)
                await asyncio.wait_for(client.check_connection(), PATIENCE_S)

    async def _find(self, node: Any, depth: int) -> None:
        """Look for the standard's names below a node."""
        if depth > DEEPEST or len(self._keys) > MOST_NODES:
            return
        for child in await node.get_children():
            name = (await child.read_browse_name()).Name
            key = NAMES.get(name)
            if key is not None and key not in self._nodes:
                self._keys.setdefault(child.nodeid, (child, key))
            elif depth or name != "Server":
                await self._find(child, depth + 1)

    def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
        """Take a change; the name is the library's."""
        key = self._keys[node.nodeid][1]
        stamp = data.monitored_item.Value.SourceTimestamp
        fresh = node.nodeid in self._told  # the first value of a node may be as old as the server
        self._told.add(node.nodeid)
        stamp_s = stamp.replace(tzinfo=UTC).timestamp() if stamp is not None and fresh else None
        if key == "execution" and isinstance(value, int):
            self._saw(key, CHANNEL_STATES.get(int(value), str(value)), stamp_s=stamp_s)
        elif key in WORDS:
            self._saw(key, str(value)[:200], stamp_s=stamp_s)
        elif isinstance(value, int | float) and value == value:
            self._saw(key, float(value), stamp_s=stamp_s)


def _library() -> Any:
    try:
        import asyncua
    except ImportError:
        raise InputError("reading OPC UA needs asyncua; install cut-listen[opcua]") from None
    return asyncua
