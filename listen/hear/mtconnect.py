"""A machine's MTConnect agent (ANSI/MTC1.4) as witness: load, execution, override, line, position."""

import http.client
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import BinaryIO
from urllib.parse import urlsplit
from xml.etree.ElementTree import Element

from listen.errors import DeviceError, InputError
from listen.hear.safe_xml import GREATEST_BYTES, read_xml
from listen.hear.witness import WORDS, Witness

HEARTBEAT_MS = 1000
PATIENCE_S = 2.5  # two heartbeats and a half without a byte: the agent is gone
COUNT = 500
UNAVAILABLE = "UNAVAILABLE"
PLAIN = {
    "EXECUTION": "execution",
    "PATH_FEEDRATE_OVERRIDE": "feed_override",
    "LINE_NUMBER": "line",
    "LINE": "line",
    "BLOCK": "block",
    "ROTARY_VELOCITY": "spindle_rpm",
    "SPINDLE_SPEED": "spindle_rpm",
    "PROGRAM": "program",
    "TOOL_NUMBER": "tool",
    "WORK_OFFSET": "work_offset",
}
LONGEST_WORDS = 200
TURNING = ("Rotary", "Spindle")
SPEEDS = ("ROTARY_VELOCITY", "SPINDLE_SPEED")


class MTConnectWitness(Witness):
    """Probe, current, then a stream of samples; begins anew when the agent does.

    Parameters
    ----------
    url : str
        ``http://address:port`` or with a device's name behind it.
    rate : int
        Audio sample rate [Hz].
    lines_of_blocks : mapping | None
        Line in the program of each N word.
    """

    name = "MTConnect"

    def __init__(self, url: str, *, rate: int, lines_of_blocks: Mapping[str, int] | None = None) -> None:
        super().__init__(rate=rate, lines_of_blocks=lines_of_blocks)
        parts = urlsplit(url if "//" in url else f"http://{url}")
        if parts.scheme != "http" or not parts.hostname:
            raise InputError(f"an agent's address reads http://address:port, got {url!r}")
        self._host, self._port = parts.hostname, parts.port or 5000
        self._path = parts.path.rstrip("/")
        self._keys: dict[str, str] = {}
        self._instance = ""

    def _listen(self) -> None:
        self._keys = data_items(self._document("/probe"))
        if not self._keys:
            raise DeviceError("the agent names no load, execution, override, line or position of a machine")
        following = self._take(self._document("/current"), fresh=False)
        while not self.ended.is_set():
            following = self._stream(following)

    def _document(self, what: str) -> Element:
        connection = http.client.HTTPConnection(self._host, self._port, timeout=PATIENCE_S)
        try:
            connection.request("GET", f"{self._path}{what}", headers={"Accept": "text/xml"})
            root = read_xml(connection.getresponse().read(GREATEST_BYTES + 1))
        except http.client.HTTPException as error:
            raise DeviceError(f"the agent does not speak HTTP: {type(error).__name__}") from None
        finally:
            connection.close()
        _refuse_error(root)
        return root

    def _stream(self, following: int) -> int:
        """Take documents until the stream ends; gives the sequence to go on from."""
        connection = http.client.HTTPConnection(self._host, self._port, timeout=PATIENCE_S)
        query = f"from={following}&interval=0&heartbeat={HEARTBEAT_MS}&count={COUNT}"
        try:
            connection.request("GET", f"{self._path}/sample?{query}")
            answer = connection.getresponse()
            boundary = answer.headers.get_param("boundary")
            if answer.headers.get_content_maintype() != "multipart" or not isinstance(boundary, str):
                return self._after_refusal(read_xml(answer.read(GREATEST_BYTES + 1)))
            for document in parts_of(answer, boundary):
                following = self._take(read_xml(document))
                if self.ended.is_set():
                    return following
        except http.client.HTTPException as error:
            raise DeviceError(f"the agent's stream broke: {type(error).__name__}") from None
        finally:
            connection.close()
        raise DeviceError("the agent ended the stream")

    def _after_refusal(self, root: Element) -> int:
        """What was asked for is no longer kept: go on from what is current."""
        codes = {error.get("errorCode", "") for error in root.iter("Error")}
        if codes == {"OUT_OF_RANGE"}:
            return self._take(self._document("/current"), fresh=False)
        _refuse_error(root)
        return self._take(root)

    def _take(self, root: Element, *, fresh: bool = True) -> int:
        """Take the values of a document; those of `current` may be hours old, so their stamps say nothing."""
        header = root.find("Header")
        if header is None or root.tag != "MTConnectStreams":
            raise DeviceError(f"the agent sent {root.tag}, MTConnectStreams was expected")
        instance = header.get("instanceId", "")
        if self._instance and instance != self._instance:
            self._instance = ""
            raise DeviceError("the agent was started anew")
        self._instance = instance
        for seen in root.iter():
            key = self._keys.get(seen.get("dataItemId", ""))
            if key is not None:
                self._value(key, seen, _seconds(seen.get("timestamp", "")) if fresh else None)
        self.connected = True
        return _whole(header.get("nextSequence", ""))

    def _value(self, key: str, seen: Element, stamp_s: float | None) -> None:
        text = (seen.text or "").strip()
        if not text or text == UNAVAILABLE:
            return
        if key == "place":
            for axis, part in zip("xyz", text.split(), strict=False):
                self._number(axis, part, stamp_s)
        elif key in WORDS:
            self._saw(key, text[:LONGEST_WORDS], stamp_s=stamp_s)
        else:
            self._number(key, text, stamp_s)

    def _number(self, key: str, text: str, stamp_s: float | None) -> None:
        try:
            value = float(text)
        except ValueError:
            return  # a word where a number should be says nothing
        if abs(value) < 1e9:
            self._saw(key, value, stamp_s=stamp_s)


def data_items(probe: Element) -> dict[str, str]:
    """Which data items of a probe document are of use: key by id.

    Of several axes that turn, the spindle is the one that has a mode of its own with SPINDLE in it, else
    the one whose speed is told, else the first; the load of a rotary table is not the spindle's.
    """
    keys: dict[str, str] = {}
    turning = [one for tag in TURNING for one in probe.iter(tag)]
    spindle = max(turning, key=_is_spindle, default=None)

    def walk(element: Element, inside: bool, axis: str) -> None:
        if element.tag == "DataItem":
            key = _key(element, inside, axis)
            if key:
                keys.setdefault(element.get("id", ""), key)
            return
        if element.tag in (*TURNING, "Linear"):
            inside, axis = element is spindle, element.get("name", "").lower()[:1]
            if element.tag in TURNING and not inside:
                return
        for child in element:
            walk(child, inside, axis)

    walk(probe, False, "")
    has_path = "place" in keys.values()
    return {item: key for item, key in keys.items() if not (has_path and key in "xyz")}


def _is_spindle(component: Element) -> int:
    """How clearly an axis that turns is a spindle."""
    items = list(component.iter("DataItem"))
    modes = {
        (value.text or "").strip()
        for item in items
        if item.get("type") == "ROTARY_MODE"
        for value in item.iter("Value")
    }
    if "SPINDLE" in modes or component.tag == "Spindle":
        return 2
    return int(not modes and any(item.get("type") in SPEEDS for item in items))


def _key(item: Element, turning: bool, axis: str) -> str:
    kind, part = item.get("type", ""), item.get("subType", "")
    if kind == "LOAD":
        return "load_percent" if turning else ""
    if kind == "PATH_POSITION":
        return "place" if part in ("", "ACTUAL") and item.get("coordinateSystem") != "MACHINE" else ""
    if kind == "POSITION":
        wanted = part in ("", "ACTUAL") and item.get("coordinateSystem") == "WORK"
        return axis if wanted and axis in ("x", "y", "z") else ""
    if kind == "PATH_FEEDRATE_OVERRIDE" and part == "RAPID":
        return "rapid_override"
    if (
        part in ("COMMANDED", "PROGRAMMED" if kind == "ROTARY_VELOCITY" else "", "INCREMENTAL", "JOG")
        and part
    ):
        return ""
    return PLAIN.get(kind, "")


def parts_of(stream: BinaryIO | http.client.HTTPResponse, boundary: str) -> Iterator[bytes]:
    """Bodies of a multipart/x-mixed-replace stream (RFC 2046, section 5.1), as they come.

    Raises
    ------
    DeviceError
        If a part has no length, or one that is too great; and if the stream ends inside a part.
    """
    mark = b"--" + boundary.strip('"').removeprefix("--").encode()
    while line := stream.readline(1000):
        if not line.startswith(mark):
            continue
        length = -1
        while header := stream.readline(1000).strip():
            name, _, value = header.partition(b":")
            if name.strip().lower() == b"content-length":
                length = _whole(value.strip().decode("latin-1"))
        if not 0 <= length <= GREATEST_BYTES:
            raise DeviceError(f"a document of {length} bytes is announced, 0 to {GREATEST_BYTES} are read")
        body = stream.read(length)
        if len(body) < length:
            raise DeviceError("the agent's stream ended in the middle of a document")
        if body:
            yield body


def _refuse_error(root: Element) -> None:
    errors = [error.get("errorCode", "?") for error in root.iter("Error")]
    if root.tag == "MTConnectError" or errors:
        raise DeviceError(f"the agent refuses: {', '.join(errors)[:100] or 'no reason given'}")


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 19):
        raise DeviceError(f"the agent sent {text[:20]!r} where a whole number was expected")
    return int(text)


def _seconds(text: str) -> float | None:
    try:
        return datetime.fromisoformat(text).timestamp()
    except ValueError:
        return None
