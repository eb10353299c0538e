"""A small MTConnect agent for tests: probe, current and a streamed sample, sequences and restarts.

Element and attribute names, the multipart stream, the sequence rules and the errors are those of
ANSI/MTC1.4 (2018), parts 1 to 3.
"""

import json
import threading
import time
from collections import deque
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

VERSION = "1.4"
KEPT = 128
ITEMS = {  # id: (category element, element in a stream, type and subType of the probe)
    "load": ("Samples", "Load", "LOAD", ""),
    "speed": ("Samples", "RotaryVelocity", "ROTARY_VELOCITY", "ACTUAL"),
    "path": ("Samples", "PathPosition", "PATH_POSITION", "ACTUAL"),
    "exec": ("Events", "Execution", "EXECUTION", ""),
    "ovr": ("Events", "PathFeedrateOverride", "PATH_FEEDRATE_OVERRIDE", "PROGRAMMED"),
    "line": ("Events", "LineNumber", "LINE_NUMBER", "ABSOLUTE"),
    "program": ("Events", "Program", "PROGRAM", ""),
    "tool": ("Events", "ToolNumber", "TOOL_NUMBER", ""),
    "offset": ("Events", "WorkOffset", "WORK_OFFSET", ""),
}
UNITS = {"load": "PERCENT", "speed": "REVOLUTION/MINUTE", "path": "MILLIMETER_3D", "ovr": "PERCENT"}
ON_SPINDLE = ("load", "speed")


def data_item(name: str) -> str:
    group, _, kind, part = ITEMS[name]
    category = group.removesuffix("s").upper()
    more = (f' subType="{part}"' if part else "") + (f' units="{UNITS[name]}"' if name in UNITS else "")
    return f'<DataItem id="{name}" category="{category}" type="{kind}"{more}/>'


class Agent:
    """Serves one invented machine on a loopback port."""

    def __init__(self, *, port: int = 0, instance: int = 1, first: int = 1) -> None:
        self.instance = instance
        self.next = first
        self.kept: deque[tuple[int, str, str, str]] = deque(maxlen=KEPT)
        self.skew_s = 0.0
        self.hostile: bytes | None = None
        self.cut_next = False
        self.lock = threading.Condition()
        self.server = _Server(("127.0.0.1", port), _Handler)
        self.server.agent = self
        self.url = f"http://127.0.0.1:{self.server.server_port}"
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()

    def put(self, item: str, value: object) -> None:
        stamp = datetime.fromtimestamp(time.time() + self.skew_s, UTC).isoformat().replace("+00:00", "Z")
        with self.lock:
            self.kept.append((self.next, item, str(value), stamp))
            self.next += 1
            self.lock.notify_all()

    def stop(self) -> None:
        self.server.stopping = True
        with self.lock:
            self.lock.notify_all()
        self.server.shutdown()
        self.server.close_clients()
        self.server.server_close()

    def probe(self) -> str:
        def items(names: list[str]) -> str:
            return "".join(data_item(name) for name in names)

        path = [name for name in ITEMS if name not in ON_SPINDLE]
        return (
            f'<MTConnectDevices xmlns="urn:mtconnect.org:MTConnectDevices:{VERSION}">{self.header()}'
            '<Devices><Device id="d" name="mill" uuid="invented-1"><Components>'
            '<Axes id="a"><Components><Rotary id="c" name="C"><DataItems>'
            f"{items(list(ON_SPINDLE))}</DataItems></Rotary></Components></Axes>"
            '<Controller id="k"><Components><Path id="p"><DataItems>'
            f"{items(path)}</DataItems></Path></Components></Controller>"
            "</Components></Device></Devices></MTConnectDevices>"
        )

    def header(self) -> str:
        first = self.kept[0][0] if self.kept else self.next
        now = datetime.now(UTC).isoformat().replace("+00:00", "Z")
        return (
            f'<Header creationTime="{now}" sender="test" instanceId="{self.instance}" version="{VERSION}" '
            f'bufferSize="{KEPT}" nextSequence="{self.next}" firstSequence="{first}" '
            f'lastSequence="{self.next - 1}"/>'
        )

    def streams(self, values: list[tuple[int, str, str, str]]) -> str:
        parts = {"Samples": "", "Events": ""}
        for sequence, item, value, stamp in values:
            group, element, *_ = ITEMS[item]
            parts[group] += (
                f'<{element} dataItemId="{item}" sequence="{sequence}" timestamp="{stamp}">'
                f"{value}</{element}>"
            )
        inside = "".join(f"<{group}>{text}</{group}>" for group, text in parts.items() if text)
        return (
            f'<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:{VERSION}">{self.header()}'
            '<Streams><DeviceStream name="mill" uuid="invented-1">'
            f'<ComponentStream component="Path" componentId="p">{inside}</ComponentStream>'
            "</DeviceStream></Streams></MTConnectStreams>"
        )

    def current(self) -> str:
        newest = {item: (sequence, item, value, stamp) for sequence, item, value, stamp in self.kept}
        missing = [(self.next - 1, item, "UNAVAILABLE", "1970-01-01T00:00:00Z") for item in ITEMS]
        return self.streams([newest.get(entry[1], entry) for entry in missing])

    def error(self, code: str) -> str:
        return (
            f'<MTConnectError xmlns="urn:mtconnect.org:MTConnectError:{VERSION}">{self.header()}'
            f'<Errors><Error errorCode="{code}">{json.dumps(code)}</Error></Errors></MTConnectError>'
        )


class _Server(ThreadingHTTPServer):
    agent: Agent
    stopping = False
    daemon_threads = True
    allow_reuse_address = True
    block_on_close = False

    def __init__(self, *arguments: object) -> None:
        self.clients: set[object] = set()
        super().__init__(*arguments)  # type: ignore[arg-type]

    def close_clients(self) -> None:
        for client in list(self.clients):
            client.close()  # type: ignore[attr-defined]


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    protocol_version = "HTTP/1.1"

    def setup(self) -> None:
        super().setup()
        self.server.clients.add(self.connection)

    def log_message(self, *what: object) -> None:
        return

    def do_GET(self) -> None:
        agent = self.server.agent
        parts = urlsplit(self.path)
        try:
            if agent.hostile is not None:
                self._send(agent.hostile)
            elif parts.path == "/probe":
                self._send(agent.probe().encode())
            elif parts.path == "/current":
                self._send(agent.current().encode())
            elif parts.path == "/sample":
                self._sample(parse_qs(parts.query))
            else:
                self._send(agent.error("INVALID_URI").encode())
        except (BrokenPipeError, ConnectionResetError, ValueError, OSError):
            self.close_connection = True

    def _send(self, body: bytes) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/xml")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _sample(self, query: dict[str, list[str]]) -> None:
        agent, following = self.server.agent, int(query["from"][0])
        first = agent.kept[0][0] if agent.kept else agent.next
        if not first <= following <= agent.next:
            self._send(agent.error("OUT_OF_RANGE").encode())
            return
        self.send_response(200)
        self.send_header("Content-Type", "multipart/x-mixed-replace;boundary=made_up")
        self.send_header("Connection", "close")
        self.end_headers()
        heartbeat_s = int(query["heartbeat"][0]) / 1000.0
        while not self.server.stopping:
            with agent.lock:
                if agent.next <= following:
                    agent.lock.wait(heartbeat_s)
                values = [value for value in agent.kept if value[0] >= following]
                following = agent.next
                body = agent.streams(values).encode()
            head = f"--made_up\r\nContent-type: text/xml\r\nContent-length: {len(body)}\r\n\r\n".encode()
            if agent.cut_next:
                agent.cut_next = False
                self.wfile.write(head + body[: len(body) // 2])
                self.connection.close()
                return
            self.wfile.write(head + body + b"\r\n")
            self.wfile.flush()
        self.close_connection = True
