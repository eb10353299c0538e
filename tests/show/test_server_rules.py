"""The live server on a real socket: each network rule, with a request that breaks it."""

import asyncio
import json
import re
import socket
import time
from collections.abc import Iterator
from typing import Any

import httpx
import numpy as np
import pytest
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed, InvalidStatus

from listen.blocks import Block, Gap
from listen.errors import DeviceError, InputError
from listen.marks import Look, Mark, MarkKind
from listen.show.board import Board, Cursor
from listen.show.marks import read_said
from listen.show.server import LiveServer
from listen.states import Event, Finding, Standing, State
from listen.told import Flag

pytestmark = pytest.mark.closed
RATE = 16000


@pytest.fixture
def board() -> Board:
    return Board(rate=RATE, keeps="decisions and sound")


@pytest.fixture
def server(board: Board) -> Iterator[LiveServer]:
    made = LiveServer(board)
    yield made
    made.stop()


@pytest.fixture
def lan(board: Board) -> Iterator[LiveServer]:
    """As on a network, where a key is needed; on a loopback address of its own."""
    made = LiveServer(board, lan="127.0.0.2")
    yield made
    made.stop()


def host_of(server: LiveServer) -> str:
    return httpx.URL(server.address).netloc.decode()


def get(server: LiveServer, path: str = "/", **headers: str) -> httpx.Response:
    return httpx.get(f"http://{host_of(server)}{path}", headers=headers)


async def opened(server: LiveServer, *, origin: str | None = "", cookie: str = "") -> ClientConnection:
    host = host_of(server)
    return await connect(
        f"ws://{host}/live",
        origin=f"http://{host}" if origin == "" else origin,  # type: ignore[arg-type]
        additional_headers={"Cookie": cookie} if cookie else {},
        open_timeout=5,
    )


async def refused(server: LiveServer, **how: Any) -> int:
    with pytest.raises(InvalidStatus) as raised:
        await opened(server, **how)
    return raised.value.response.status_code


async def frame_where(page: ClientConnection, wanted: Any, seconds: float = 3.0) -> dict[str, Any]:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        message = json.loads(await asyncio.wait_for(page.recv(), seconds))
        if message["type"] == "frame" and wanted(message):
            return dict(message)
    raise AssertionError("no such frame came")


def event(state: State, at_s: float, standing: Standing = Standing.CONFIRMED) -> Event:
    at = round(at_s * RATE)
    return Event(state=state, at=at, decided_at=at + 1, probability=0.9, standing=standing)


def test_the_page_and_its_parts_come_with_a_strict_policy(server: LiveServer) -> None:
    page = get(server)
    assert page.status_code == 200
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert page.headers["x-content-type-options"] == "nosniff"
    for path in re.findall(r'(?:src|href)="(/[^"]+)"', page.text):
        part = get(server, path)
        assert part.status_code == 200, path
        assert part.headers["content-security-policy"] == policy
    assert not re.search(r"<style|<script(?! type=\"module\" src=)| style=|\bon\w+=", page.text)
    assert "server" not in page.headers


def test_every_module_that_the_page_imports_is_served(server: LiveServer) -> None:
    seen, waiting = set(), {"/static/live.js"}
    while waiting:
        path = waiting.pop()
        seen.add(path)
        part = get(server, path)
        assert part.status_code == 200, path
        found = re.findall(r'from "\./([\w.]+)"', part.text)
        waiting |= {f"/static/{name}" for name in found} - seen
    assert len(seen) >= 4


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example:80", "127.0.0.1:1", ""])
def test_a_foreign_host_is_refused(server: LiveServer, host: str) -> None:
    assert get(server, host=host).status_code in (400, 421)


def test_a_foreign_origin_is_refused(server: LiveServer) -> None:
    assert get(server, origin="http://evil.example").status_code == 403
    assert get(server, origin=f"https://{host_of(server)}").status_code == 403
    assert get(server, origin=f"http://{host_of(server)}").status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", None, "null"])
def test_a_socket_from_a_foreign_page_is_refused(server: LiveServer, origin: str | None) -> None:
    assert asyncio.run(refused(server, origin=origin)) == 403


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/%2e%2e/server.py",
        "/static/..%2fserver.py",
        "/static//etc/passwd",
        "/static/%2fetc%2fpasswd",
        "/static/live.html",
        "/etc/passwd",
        "/static/live.js%00",
    ],
)
def test_no_path_from_outside_reaches_a_file(server: LiveServer, path: str) -> None:
    address, _, port = host_of(server).partition(":")
    with socket.create_connection((address, int(port))) as raw:
        raw.sendall(f"GET {path} HTTP/1.1\r\nHost: {host_of(server)}\r\nConnection: close\r\n\r\n".encode())
        answer = b"".join(iter(lambda: raw.recv(65536), b""))
    assert re.match(rb"HTTP/1.1 (400|404) ", answer), answer[:80]
    assert b"import" not in answer
    assert b"root:" not in answer


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_only_reading_is_allowed(server: LiveServer, method: str) -> None:
    """Refused before any route is asked: where there is none, too, which the routes alone would call 404."""
    assert httpx.request(method, server.address).status_code == 405
    assert httpx.request(method, server.address + "nowhere").status_code == 405


def test_on_a_network_nothing_is_shown_without_a_key(lan: LiveServer) -> None:
    for path in ("/", "/static/live.js", "/enter", "/enter?key=", "/enter?key=guess"):
        assert get(lan, path).status_code == 401, path
    assert asyncio.run(refused(lan)) == 403
    assert asyncio.run(refused(lan, cookie="cut_listen=guess")) == 403


def test_a_key_serves_one_screen_whose_cookie_no_script_can_read(lan: LiveServer) -> None:
    said: list[str] = []
    lan.on_key = lambda: said.append(lan.address)
    address = lan.address
    entered = httpx.get(address)
    assert entered.status_code == 303
    cookie = entered.headers["set-cookie"]
    assert {"HttpOnly", "SameSite=strict"} <= {part.strip() for part in cookie.split(";")}
    assert httpx.get(address).status_code == 401
    assert said == [lan.address]
    assert lan.address != address
    shown = cookie.split(";")[0]
    assert get(lan, cookie=shown).status_code == 200

    async def joins() -> str:
        async with await opened(lan, cookie=shown) as page:
            return str(json.loads(await page.recv())["type"])

    assert asyncio.run(joins()) == "hello"


def test_a_late_page_gets_the_history_and_the_newest_state(server: LiveServer, board: Board) -> None:
    board.hear(Block(samples=np.zeros(RATE), start=0, rate=RATE))
    board.tell(event(State.ENTRY, 0.5), event(State.STEADY, 0.6))
    board.tell(Flag(at=9600, kind="started early", contact=None, text="look"))

    async def joins() -> dict[str, Any]:
        async with await opened(server) as page:
            assert json.loads(await page.recv())["keeps"] == "decisions and sound"
            return await frame_where(page, lambda frame: True)

    frame = asyncio.run(joins())
    assert [item["type"] for item in frame["log"]] == ["event", "event", "flag"]
    assert frame["now"]["state"] == "steady"
    assert frame["now"]["flag"]["text"] == "look"
    assert len(frame["spectrum"]["bytes"]) > 0


def test_what_is_decided_is_on_its_way_at_once(server: LiveServer, board: Board) -> None:
    async def watches() -> list[float]:
        took = []
        async with await opened(server) as page:
            await frame_where(page, lambda frame: True)
            for k in range(20):
                await asyncio.sleep(0.013)
                state = (State.ENTRY, State.AIR)[k % 2]
                began = time.monotonic()
                board.tell(event(state, 0.1 * k))
                await frame_where(page, lambda frame, state=state: frame["now"]["state"] == state)
                took.append(time.monotonic() - began)
        return took

    assert np.median(asyncio.run(watches())) < 0.03


def test_a_page_that_is_behind_gets_what_it_missed_and_others_do_not(board: Board) -> None:
    board.tell(event(State.ENTRY, 0.1))
    first, known = board.frame(Cursor())
    assert len(json.loads(first)["log"]) == 1
    assert json.loads(board.frame(known)[0])["log"] == []
    assert board.frame(Cursor())[0] == first


@pytest.mark.parametrize(("kind", "shown"), [("chatter", True), ("rubbing", False)])
def test_chatter_shows_for_as_long_as_it_lasts_and_two_seconds(board: Board, kind: str, shown: bool) -> None:
    board.tell(
        Finding(
            kind=kind,
            start=0,
            stop=RATE,
            decided_at=RATE,
            frequency_hz=900.0,
            level_db=20.0,
            probability=0.9,
        )
    )
    seen = []
    for second in range(4):
        board.hear(Block(samples=np.full(RATE, 0.01), start=second * RATE, rate=RATE))
        seen.append(board.now["chatter"])
    assert seen == [shown, shown, False, False]


def test_a_withdrawn_entry_goes_back_to_what_was(board: Board) -> None:
    board.tell(event(State.AIR, 0.0), event(State.ENTRY, 0.5, Standing.PROVISIONAL))
    assert (board.now["state"], board.now["sure"]) == ("entry", False)
    board.tell(event(State.ENTRY, 0.5, Standing.WITHDRAWN))
    assert (board.now["state"], board.now["sure"]) == ("air", True)


def test_marks_come_through_and_nothing_else(server: LiveServer, board: Board) -> None:
    board.hear(Gap(start=0, stop=RATE, reason="test"))

    async def says(*texts: str | bytes) -> int | None:
        async with await opened(server) as page:
            for text in texts:
                await page.send(text)
            try:
                while True:
                    await asyncio.wait_for(page.recv(), 0.5)
                    if not board.inbox.empty():
                        return None
            except ConnectionClosed as closed:
                return closed.rcvd.code if closed.rcvd else None

    assert asyncio.run(says('{"mark": "held"}')) is None
    mark = board.inbox.get_nowait()
    assert isinstance(mark, Mark)
    assert (mark.kind, mark.source) == (MarkKind.HOLD, "operator")
    assert RATE <= mark.at < 2 * RATE
    for wrong in ('{"mark": "start machine"}', "[]", b"\x00\x01", "x" * 900):
        assert asyncio.run(says(wrong)) == 1008
    assert asyncio.run(says("x" * 5000)) == 1009  # RFC 6455, 7.4.1: too big
    assert asyncio.run(says(*['{"look": "chips"}'] * 40)) in (None, 1008)
    assert board.inbox.qsize() <= 20


def test_too_many_marks_end_the_connection(server: LiveServer, board: Board) -> None:
    async def floods() -> int | None:
        async with await opened(server) as page:
            try:
                for _ in range(40):
                    await page.send('{"mark": "held"}')
                while True:
                    await asyncio.wait_for(page.recv(), 2.0)
            except ConnectionClosed as closed:
                return closed.rcvd.code if closed.rcvd else None

    assert asyncio.run(floods()) == 1008
    assert board.inbox.qsize() == 20


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ('{"mark": "feed override", "value": 20}', MarkKind.FEED_OVERRIDE, 20.0),
        ('{"mark": "started"}', MarkKind.CYCLE_START, None),
        ('{"mark": "position", "z": -1.5}', MarkKind.POSITION, None),
    ],
)
def test_a_mark_is_read(text: str, kind: MarkKind, value: float | None) -> None:
    mark = read_said(text, at=5)
    assert isinstance(mark, Mark)
    assert (mark.at, mark.kind) == (5, kind)
    assert value is None or mark.value == value
    if kind == MarkKind.POSITION:
        assert mark.place[2] == -1.5


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('{"mark": "feed override", "value": 2000}', "an override must be 0 to 200, got 2000"),
        ('{"mark": "feed override", "value": NaN}', "an override must be a number"),
        ('{"mark": "feed override", "value": true}', "an override must be a number"),
        ('{"mark": "held", "value": 1}', "no mark that is known"),
        ('{"look": ""}', "a note must be 1 to 300 letters"),
        ('{"look": 5}', "a note must be 1 to 300 letters"),
        ("[" * 900, "a mark must be"),
    ],
)
def test_what_is_no_mark_is_refused_with_a_reason(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_said(text, at=0)


def test_a_note_loses_what_cannot_be_printed() -> None:
    look = read_said('{"look": "burr\\u001b[31m left\\u202e"}', at=0)
    assert isinstance(look, Look)
    assert look.text == "burr[31m left"


def test_a_port_that_is_taken_is_one_line(server: LiveServer, board: Board) -> None:
    port = httpx.URL(server.address).port
    assert port is not None
    with pytest.raises(DeviceError, match=r"cannot be served at 127\.0\.0\.1") as raised:
        LiveServer(board, port=port)
    assert "\n" not in str(raised.value)


def test_a_page_that_takes_nothing_is_let_go_and_holds_up_nobody(
    server: LiveServer, board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("listen.show.server.SLOW_S", 0.5)

    async def stalls() -> int:
        stuck = await opened(server)
        stuck.transport.pause_reading()
        stuck.transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        async with await opened(server) as page:
            until = time.monotonic() + 15.0
            k = 0
            while server.n_pages > 1 and time.monotonic() < until:
                flags = [Flag(at=k, kind="x", contact=None, text="y" * 200) for _ in range(400)]
                board.tell(*flags)
                await frame_where(page, lambda frame: len(frame["log"]) > 0)
                k += 1
            board.tell(event(State.EXIT, 1.0))
            await frame_where(page, lambda frame: frame["now"]["state"] == "exit")
            pages = server.n_pages
        stuck.transport.abort()
        await asyncio.sleep(0.2)
        return pages

    assert asyncio.run(stalls()) == 1


def test_there_is_an_end_to_pages(server: LiveServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("listen.show.server.MOST_PAGES", 2)

    async def joins() -> int:
        async with await opened(server) as first, await opened(server) as second:
            assert json.loads(await first.recv())["type"] == json.loads(await second.recv())["type"]
            code = await refused(server)
        return code

    assert asyncio.run(joins()) == 403
