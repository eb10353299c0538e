"""A real sound server: PulseAudio with a null sink, its monitor read through ALSA and PortAudio."""

import os
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

RATE = 48000
NAMES = ("HOME", "XDG_RUNTIME_DIR", "PULSE_SERVER", "PULSE_SOURCE", "PULSE_SINK")  # what clients look at
SINK = ("module-null-sink", "sink_name=mill", f"rate={RATE}")


class SoundServer:
    """One PulseAudio of our own, in a folder of its own; works for root and without a session."""

    def __init__(self, folder: Path, *, channels: int = 1) -> None:
        self.folder = folder
        self.sink = (*SINK, f"channels={channels}")
        self.socket = folder / "socket"
        for name in ("run", "home"):
            (folder / name).mkdir(mode=0o700)
        self.environment = {
            **os.environ,
            "HOME": str(folder / "home"),
            "XDG_RUNTIME_DIR": str(folder / "run"),
            "PULSE_SERVER": f"unix:{self.socket}",
            "PULSE_SOURCE": "mill.monitor",
            "PULSE_SINK": "mill",
        }
        self.start()

    def start(self) -> None:
        self.log = (self.folder / "log").open("a")
        command = ["pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1"]
        command += ["--disable-shm=yes", "--realtime=no", "--high-priority=no"]
        command += ["-L", f"module-native-protocol-unix socket={self.socket} auth-anonymous=1"]
        command += ["-L", " ".join(self.sink)]
        self.process = subprocess.Popen(
            command, env=self.environment, stdout=self.log, stderr=self.log, start_new_session=True
        )
        until = time.monotonic() + 10.0
        while time.monotonic() < until and self._control("list", "short", "sinks").returncode:
            time.sleep(0.05)
        self.keep_prompt()

    def keep_prompt(self) -> None:
        """A client that asks for low latency: without one a null sink gives sound every two seconds only."""
        self.keeper = subprocess.Popen(
            ["parec", "--raw", "--latency-msec=10", "-d", "mill.monitor"],
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def _control(self, *words: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(["pactl", *words], env=self.environment, capture_output=True, text=True)

    def remove_sink(self) -> None:
        self._control("unload-module", "module-null-sink")

    def restore_sink(self) -> None:
        self._control("load-module", *self.sink)
        self.keeper.kill()
        self.keeper.wait()
        self.keep_prompt()

    def mute(self, muted: bool) -> None:
        """As the key on a headset, or a slider in the computer's settings, does it."""
        self._control("set-source-mute", "mill.monitor", "1" if muted else "0")

    def wait_for_sound(self) -> None:
        """Until another program gets sound from the sink: a null sink gives its first after two seconds."""
        words = ["parec", "--raw", "--latency-msec=10", "-d", "mill.monitor"]
        with subprocess.Popen(words, env=self.environment, stdout=subprocess.PIPE) as witness:
            assert witness.stdout is not None
            witness.stdout.read(1)
            witness.kill()

    def play(self, samples: NDArray[np.float64], *, latency_ms: int = 30) -> "subprocess.Popen[bytes]":
        path = self.folder / f"play{time.monotonic_ns()}.wav"
        soundfile.write(path, samples, RATE)
        return subprocess.Popen(
            ["paplay", f"--latency-msec={latency_ms}", "--device=mill", str(path)],
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def stop(self) -> None:
        self.keeper.kill()
        self.keeper.wait()
        self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(5.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.log.close()
