"""A room to listen in: a real sound server, sound played into it, and `cut-listen live` itself."""

import atexit
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import psutil
from numpy.typing import NDArray
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import ClientConnection, connect

from listen.synth import EVALUATION_RANGES, draw_clip
from tests.sound_server.server import RATE, SoundServer

ROOT = Path(__file__).resolve().parents[2]


@contextmanager
def room() -> Iterator[SoundServer]:
    """A sound server in a folder that is gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        server = SoundServer(Path(folder))
        try:
            yield server
        finally:
            server.stop()


def made_sound(seconds: float, *, seed: int) -> NDArray[np.float64]:
    """Cuts and air of an invented machine, shape (n_samples,)."""
    rng = np.random.default_rng(seed)
    samples = draw_clip(rng, ranges=EVALUATION_RANGES, rate=RATE, duration_s=seconds).samples
    return np.asarray(samples, dtype=np.float64)


@contextmanager
def playing(server: SoundServer, samples: NDArray[np.float64]) -> Iterator[None]:
    """The sound again and again, as long as it is needed."""
    over = threading.Event()

    def again() -> None:
        while not over.is_set():
            player = server.play(samples)
            while player.poll() is None:
                if over.wait(0.05):
                    player.kill()
            player.wait()

    thread = threading.Thread(target=again)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


class LiveCommand:
    """One `cut-listen live` in a process of its own.

    Parameters
    ----------
    out : Path
        The run folder.
    server : SoundServer
        The room that it listens in.
    more : str
        Further arguments.
    """

    def __init__(self, out: Path, server: SoundServer, *more: str) -> None:
        self.out = out
        command = [sys.executable, "-m", "listen.cli", "live", *more, "--out", str(out)]
        self.process = subprocess.Popen(
            [*command, "--rate", str(RATE), "--device", "pulse"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**server.environment, "PYTHONPATH": str(ROOT)},
        )
        self.address = self._address()
        atexit.register(self.process.kill)  # nothing stays behind where a bench is broken off

    def _address(self) -> str:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if found := re.search(r"http://\S+", line):
                return found.group()
        assert self.process.stderr is not None
        raise RuntimeError(self.process.stderr.read())

    def kill(self) -> None:
        """As a power cut: nothing can be put in order."""
        self.process.send_signal(signal.SIGKILL)
        self.process.communicate()

    def end(self) -> str:
        """Ctrl-C; what it said."""
        self.process.send_signal(signal.SIGINT)
        said, complaint = self.process.communicate(timeout=600)
        if self.process.returncode not in (0, 1):
            raise RuntimeError(complaint)
        return str(said) + str(complaint)

    def used(self) -> tuple[float, float]:
        """Processor time [s] and resident memory [bytes] of it and the processes it started."""
        own = psutil.Process(self.process.pid)
        family = [own, *own.children(recursive=True)]
        times = [one.cpu_times() for one in family]
        return sum(t.user + t.system for t in times), sum(one.memory_info().rss for one in family)


class Watcher:
    """A page that keeps the newest frame; goes on until it is closed."""

    def __init__(self, address: str) -> None:
        host = address.removeprefix("http://").split("/")[0]
        self.now: dict[str, Any] = {"t": 0.0}
        self.n_frames = 0
        self.ages_s: list[float] = []
        self._page: ClientConnection = connect(f"ws://{host}/live", origin=f"http://{host}", max_size=None)  # type: ignore[arg-type]
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        try:
            for message in self._page:
                told = json.loads(message)
                if "now" in told:
                    self.now = told["now"]
                    self.n_frames += 1
        except ConnectionClosed:
            return

    def wait_until(self, seconds: float) -> None:
        """Until the stream is so long."""
        until = time.monotonic() + seconds + 20.0
        while self.now["t"] < seconds and time.monotonic() < until:
            time.sleep(0.01)

    def close(self) -> None:
        """Leave."""
        self._page.close()
        self._thread.join(2.0)


@contextmanager
def small_disk(kilobytes: int) -> Iterator[Path]:
    """A real file system with so much room; needs to be run as root.

    Raises
    ------
    RuntimeError
        Where it cannot be mounted.
    """
    with tempfile.TemporaryDirectory() as folder:
        words = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "none", folder]
        done = subprocess.run(words, capture_output=True, text=True)
        if done.returncode:
            raise RuntimeError(f"a small file system cannot be mounted: {done.stderr.strip()}")
        try:
            yield Path(folder)
        finally:
            subprocess.run(["umount", folder], check=True)


def load_average() -> float:
    """Of the last minute: figures under load are worse."""
    return os.getloadavg()[0]
