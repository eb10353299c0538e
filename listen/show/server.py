"""The live server: one page, its parts, and a WebSocket with the newest frame.

Conventions
-----------
The server hands out what it read from the package when it started; no path that comes from
outside reaches the file system. A page can add marks to the run, nothing else.
"""

import asyncio
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from importlib.resources import files

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from listen.errors import DeviceError, InputError
from listen.record.keep import Start
from listen.show.board import Board, Cursor
from listen.show.gate import COOKIE, HEADERS, Gate
from listen.show.marks import GREATEST_BYTES, read_said

SILENT_FRAME_S = 0.16  # without word from the board a page is told again what it knows
GOODBYE_S = 0.1  # for pages that are leaving: a connection that closes already is not closed twice
SLOW_S = 5.0  # a page that takes no frame for so long is let go
MOST_PAGES = 40
MOST_MARKS = 20  # in ten seconds from one page
PARTS = {
    "live.js": "text/javascript",
    "beep.js": "text/javascript",
    "live.css": "text/css",
    "look.css": "text/css",
    "scope.js": "text/javascript",
    "track.js": "text/javascript",
    "words.js": "text/javascript",
    "ink.js": "text/javascript",
}


class LiveServer:
    """Serves a `Board` until stopped; runs in a thread of its own.

    Parameters
    ----------
    board : Board
    port : int
        0 lets the system choose; `address` says which.
    lan : str | None
        Address of this computer on the network to serve there too, with a key; None for this
        computer alone.

    Raises
    ------
    DeviceError
        If the port is taken.
    """

    def __init__(self, board: Board, *, port: int = 0, lan: str | None = None) -> None:
        self.board = board
        self.n_pages = 0
        self.on_key: Callable[[], None] = lambda: None  # a key was used: `address` has the next one
        self._socket = _bound(lan or "127.0.0.1", port)
        self._host = f"{lan or '127.0.0.1'}:{self._socket.getsockname()[1]}"
        local = f"localhost:{self._socket.getsockname()[1]}"
        self.gate = Gate([self._host] if lan else [self._host, local], needs_key=lan is not None)
        self._wake: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server = _QuietServer(_settings(_application(self)))
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        board.on_change = self._change

    @property
    def address(self) -> str:
        """What to open: on the network with the one-time key of the next screen."""
        key = f"/enter?key={self.gate.key}" if self.gate.needs_key else "/"
        return f"http://{self._host}{key}"

    def stop(self) -> None:
        """Say goodbye to all pages and end."""
        self.board.on_change = lambda: None
        self._server.should_exit = True
        self._call(self._server.wake)
        self._change()
        self._thread.join(5.0)

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop, self._wake = asyncio.get_running_loop(), asyncio.Event()
        await self._server.serve(sockets=[self._socket])

    def _change(self) -> None:
        """There is something new to show. Called from any thread."""
        if self._wake is not None:
            self._call(self._wake.set)

    def _call(self, what: Callable[[], None]) -> None:
        if self._loop is None or self._loop.is_closed():
            return
        try:
            self._loop.call_soon_threadsafe(what)
        except RuntimeError:
            return  # the loop ended in between

    async def frames(self, page: WebSocket) -> None:
        """Send the newest frame again and again; what a slow page missed is skipped, not queued."""
        hello, cursor, ends = "", Cursor(), False
        while not ends:
            ends = self._server.should_exit  # who leaves has seen the last word
            if hello is not self.board.hello:  # at the start, and when it was agreed what is recorded
                text = hello = self.board.hello
                cursor = Cursor()
            else:
                text, cursor = self.board.frame(cursor)
            async with asyncio.timeout(SLOW_S):
                await page.send_text(text)
            if not ends:
                await self._next_frame()
        await page.close(1001)

    async def _next_frame(self) -> None:
        """One timer for all pages: who wakes first wakes the others, so that they share each frame."""
        assert self._wake is not None
        assert self._loop is not None
        timer = self._loop.call_later(SILENT_FRAME_S, self._wake.set)
        try:
            await self._wake.wait()
        finally:
            timer.cancel()
        self._wake.clear()

    async def marks(self, page: WebSocket) -> None:
        """Take marks from a page; too many, too long or unknown ones end the connection."""
        times: deque[float] = deque(maxlen=MOST_MARKS)
        while True:
            message = await page.receive()
            if message["type"] == "websocket.disconnect":
                return
            now = time.monotonic()
            if len(times) == MOST_MARKS and now - times[0] < 10.0:
                raise InputError("too many marks at once")
            times.append(now)
            text = message.get("text")
            if not isinstance(text, str):
                raise InputError("a mark must be text")
            said = read_said(text, at=self.board.place_now())
            if isinstance(said, Start):
                self.board.answers.put(said)
            else:
                self.board.inbox.put(said)


class _QuietServer(uvicorn.Server):
    """Looks about once a second, not ten times: the ticks of an idle server cost a sixth of a page."""

    _ticked: asyncio.Event | None = None

    async def main_loop(self) -> None:
        """Wait until it is to end; the date in the headers is kept right."""
        self._ticked = asyncio.Event()
        while not await self.on_tick(0):
            timer = asyncio.get_running_loop().call_later(1.0, self._ticked.set)
            await self._ticked.wait()
            self._ticked.clear()
            timer.cancel()
        await asyncio.sleep(GOODBYE_S)

    def wake(self) -> None:
        """Look now; called in the thread of the loop."""
        if self._ticked is not None:
            self._ticked.set()


def _application(server: LiveServer) -> ASGIApp:
    parts = {name: _part(name) for name in PARTS}
    page = _part("live.html")

    async def front(request: Request) -> Response:
        return Response(page, media_type="text/html")

    async def part(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in parts:
            return PlainTextResponse("there is no such part", status_code=404)
        return Response(parts[name], media_type=PARTS[name])

    async def stream(page: WebSocket) -> None:
        if server.n_pages >= MOST_PAGES:
            await page.close(1013)
            return
        server.n_pages += 1
        try:
            await page.accept()
            await _converse(server, page)
        finally:
            server.n_pages -= 1

    routes = [Route("/", front), Route("/static/{name}", part), WebSocketRoute("/live", stream)]
    return _Guard(Starlette(routes=routes), server)


async def _converse(server: LiveServer, page: WebSocket) -> None:
    """Frames out and marks in, until one of the two ends."""
    tasks = [asyncio.ensure_future(server.frames(page)), asyncio.ensure_future(server.marks(page))]
    _, waiting = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    for task in waiting:
        task.cancel()
    results = await asyncio.gather(*tasks, return_exceptions=True)
    refused = [result for result in results if isinstance(result, InputError)]
    try:
        if refused:
            await page.close(1008, str(refused[0])[:100])
        elif any(isinstance(result, TimeoutError) for result in results):
            async with asyncio.timeout(1.0):
                await page.close(1013)
    except (RuntimeError, WebSocketDisconnect, TimeoutError, OSError):
        return  # it is gone already


class _Guard:
    """Checks host, origin and pass before anything else, and adds the headers to every answer."""

    def __init__(self, inner: ASGIApp, server: LiveServer) -> None:
        self._inner = inner
        self._server = server

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._inner(scope, receive, send)
            return
        answer = self._refusal(scope)
        if answer is None:
            await self._inner(scope, receive, _with_headers(send))
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        else:
            await answer(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope) -> Response | None:
        gate = self._server.gate
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        if not gate.host_is_known(headers.get("host", "")):
            return PlainTextResponse("this address is not served here", status_code=421)
        is_socket = scope["type"] == "websocket"
        if not gate.origin_is_known(headers.get("origin"), needed=is_socket):
            return PlainTextResponse("another page may not ask here", status_code=403)
        if not is_socket and scope["method"] not in ("GET", "HEAD"):
            return PlainTextResponse("there is nothing to change here", status_code=405)
        if scope["path"] == "/enter":
            return self._enter(Request(scope))
        if not gate.may_enter(headers.get("cookie")):
            return PlainTextResponse(
                "This screen has no key. Open the address that the terminal shows now.", status_code=401
            )
        return None

    def _enter(self, request: Request) -> Response:
        given = self._server.gate.admit(request.query_params.get("key", ""))
        if given is None:
            return PlainTextResponse(
                "This key is wrong or was used already. Open the address that the terminal shows now.",
                status_code=401,
            )
        self._server.on_key()
        response = RedirectResponse("/", status_code=303)
        response.set_cookie(COOKIE, given, httponly=True, samesite="strict", path="/")
        return response


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            extra = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
            message = {**message, "headers": [*message.get("headers", []), *extra]}
        await send(message)

    return sending


def _settings(application: ASGIApp) -> uvicorn.Config:
    return uvicorn.Config(
        application,
        log_level="error",
        access_log=False,
        server_header=False,
        lifespan="off",
        ws="websockets-sansio",
        ws_max_size=GREATEST_BYTES,
        ws_per_message_deflate=False,
        ws_ping_interval=10.0,
        ws_ping_timeout=10.0,
        limit_concurrency=3 * MOST_PAGES,
        h11_max_incomplete_event_size=16_384,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=1,
    )


def _bound(address: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((address, port))
        made.listen(128)  # who comes before the server is up waits, and is not turned away
    except (OSError, OverflowError) as error:
        made.close()
        raise DeviceError(
            f"the live page cannot be served at {address}:{port}: "
            f"{getattr(error, 'strerror', None) or error}; choose another --port"
        ) from None
    return made


def _part(name: str) -> str:
    return (files("listen.show") / "static" / name).read_text(encoding="utf-8")


def network_address() -> str:
    """Address of the computer on the network that leads out; nothing is sent.

    Raises
    ------
    DeviceError
        If there is no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): routed, never reached
        except OSError as error:
            raise DeviceError(f"--lan needs a network, and there is none: {error.strerror}") from None
        return str(probe.getsockname()[0])
