"""A real Firefox, driven by WebDriver BiDi (a W3C draft) over its own socket: nothing else to install."""

import json
import re
import shutil
import subprocess
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from websockets.sync.client import connect

FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")
DEAD_PORT = 9  # "discard": where nothing answers, so that no network is reached
PREFERENCES = {
    "network.proxy.type": 1,
    "network.proxy.http": "127.0.0.1",
    "network.proxy.http_port": DEAD_PORT,
    "network.proxy.ssl": "127.0.0.1",
    "network.proxy.ssl_port": DEAD_PORT,
    "media.autoplay.default": 0,
    "media.autoplay.blocking_policy": 0,
    "browser.download.folderList": 2,
    "browser.download.useDownloadDir": True,
    "browser.download.always_ask_before_handling_new_types": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "app.update.enabled": False,
    "remote.prefs.recommended": True,
}


class Firefox:
    """One browser with one page in it.

    Parameters
    ----------
    folder : Path
        For its profile, and for what it saves.
    environment : mapping of str to str
        With a sound server in it: without one Firefox has no clock to play by.
    """

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self._environment = dict(environment)
        self.saved = folder / "saved"
        self.said: list[str] = []
        self._number = 0
        profile = folder / "profile"
        for made in (self.saved, profile):
            made.mkdir(parents=True, exist_ok=True)
        _write_preferences(profile, self.saved)
        self._profile = profile
        self._closing = ExitStack()

    def __enter__(self) -> Self:
        with ExitStack() as closing:
            process = closing.enter_context(self._start())
            closing.callback(process.terminate)
            self._socket = closing.enter_context(connect(_address(process), max_size=None, proxy=None))
            self.ask("session.new", capabilities={})
            self.ask("session.subscribe", events=["log.entryAdded"])
            self.context = self.ask("browsingContext.getTree")["contexts"][0]["context"]
            self._closing = closing.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._closing.close()

    def _start(self) -> subprocess.Popen[str]:
        assert FIREFOX is not None
        profile = str(self._profile)
        return subprocess.Popen(
            [FIREFOX, "--headless", "--no-remote", "--profile", profile, "--remote-debugging-port=0"],
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
            env=self._environment,
        )

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send one command and wait for its answer; what the page says meanwhile is kept in `said`."""
        self._number += 1
        self._socket.send(json.dumps({"id": self._number, "method": method, "params": parameters}))
        while True:
            told: dict[str, Any] = json.loads(self._socket.recv(timeout=60))
            if told.get("method") == "log.entryAdded":
                self.said.append(str(told["params"].get("text")))
            elif told.get("id") == self._number:
                assert told["type"] == "success", told
                result: dict[str, Any] = told["result"]
                return result

    def open(self, path: Path, *, width: int = 1366, height: int = 768) -> None:
        """Open a page from disk and wait until it is ready."""
        self.ask(
            "browsingContext.setViewport", context=self.context, viewport={"width": width, "height": height}
        )
        self.ask("browsingContext.navigate", context=self.context, url=path.as_uri(), wait="complete")
        self.wait_for("document.documentElement.dataset.ready")

    def run(self, expression: str) -> Any:
        """The value of an expression, awaited, as JSON carries it."""
        text = f"(async () => JSON.stringify((await ({expression})) ?? null))()"
        answer = self.ask(
            "script.evaluate", expression=text, target={"context": self.context}, awaitPromise=True
        )
        assert answer["type"] == "success", answer["exceptionDetails"]["text"]
        return json.loads(answer["result"]["value"])

    def wait_for(self, condition: str, *, seconds: float = 30.0) -> None:
        """Wait until a condition holds in the page."""
        waited = f"""new Promise((done, fail) => {{
          const began = performance.now();
          const look = () => {{
            if ({condition}) done(true);
            else if (performance.now() - began > {1000 * seconds}) fail(new Error("never: " + {condition!r}));
            else setTimeout(look, 20);
          }};
          look();
        }})"""
        self.run(waited)

    def click(self, selector: str) -> None:
        """Click the middle of an element, as a person would."""
        place = f"""(() => {{
          const element = document.querySelector({selector!r});
          element.scrollIntoView({{block: "center"}});
          const box = element.getBoundingClientRect();
          return [box.left + box.width / 2, box.top + box.height / 2];
        }})()"""
        self.pointer(*self.run(place))

    def pointer(self, x: float, y: float, *, to: tuple[float, float] | None = None) -> None:
        """Press at a place of the window and let go there, or elsewhere."""
        end = to or (x, y)
        between = ((x + end[0]) / 2, (y + end[1]) / 2)
        moves = [_move(x, y), {"type": "pointerDown", "button": 0}]
        moves += [_move(*between), _move(*end)] if to else []
        self._act("pointer", [*moves, {"type": "pointerUp", "button": 0}])

    def keys(self, text: str) -> None:
        """Press keys one after the other; what is no letter by its WebDriver code point."""
        presses = [{"type": kind, "value": key} for key in text for kind in ("keyDown", "keyUp")]
        self._act("key", presses)

    def _act(self, kind: str, actions: list[dict[str, Any]]) -> None:
        source = {"type": kind, "id": kind, "actions": actions}
        self.ask("input.performActions", context=self.context, actions=[source])
        self.run("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def _address(process: subprocess.Popen[str]) -> str:
    assert process.stderr is not None
    for line in process.stderr:
        found = re.search(r"WebDriver BiDi listening on (ws://\S+)", line)
        if found:
            return f"{found[1]}/session"
    raise AssertionError("Firefox ended before it listened")


def _move(x: float, y: float) -> dict[str, Any]:
    return {"type": "pointerMove", "x": round(x), "y": round(y)}


def _write_preferences(profile: Path, saved: Path) -> None:
    values = {**PREFERENCES, "browser.download.dir": str(saved)}
    lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in values.items()]
    (profile / "user.js").write_text("\n".join(lines) + "\n")
