"""`cut-listen devices` as a person runs it, on sounds that are really played: each fault, and what to do."""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.sound_server.server import RATE, SoundServer

pytestmark = [pytest.mark.sound_server, pytest.mark.closed]
SECONDS = np.arange(60 * RATE) / RATE
COMMAND = [sys.executable, "-m", "listen.cli", "devices"]


def noise(level_db: float) -> NDArray[np.float64]:
    return np.random.default_rng(1).normal(0.0, 10.0 ** (level_db / 20.0), SECONDS.size)


def hum() -> NDArray[np.float64]:
    return 0.1 * np.sin(2 * np.pi * 50 * SECONDS) + noise(-50.0)


SOUNDS = {
    "nothing is in the way": (noise(-30.0), "Nothing stands in the way."),
    "silence": (np.zeros(RATE), "switched on, plugged in, chosen, and not muted"),
    "too quiet": (noise(-70.0), "Turn up the microphone's gain"),
    "clipping": (np.clip(noise(-6.0), -0.5, 0.5), "Turn down the microphone's gain"),
    "mains hum": (hum(), "away from mains and drive cables"),
}


@pytest.mark.parametrize("name", SOUNDS)
def test_each_fault_is_named_with_what_to_do(sound_server: SoundServer, name: str) -> None:
    samples, remedy = SOUNDS[name]
    player = sound_server.play(samples)
    time.sleep(0.5)
    done = subprocess.run(
        [*COMMAND, "pulse", "--seconds", "1.5"], capture_output=True, text=True, check=False, timeout=60
    )
    player.kill()
    player.wait()
    assert done.returncode == (0 if name == "nothing is in the way" else 1), done.stdout + done.stderr
    assert remedy in done.stdout
    assert "dB of full scale, at 48000 Hz" in done.stdout


def test_the_list_says_where_to_put_it(sound_server: SoundServer) -> None:
    done = subprocess.run(COMMAND, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0
    for words in ("pulse", "48000", "outside the guard", "no cable", "contact pickup"):
        assert words in done.stdout


class AtTheMachine:
    """Answers the prompts of `devices --spindle`, and plays what a machine would do."""

    def __init__(self, server: SoundServer, folder: Path) -> None:
        self._server = server
        self.process = subprocess.Popen(
            [*COMMAND, "pulse", "--spindle", "--seconds", "1.5"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=folder,
        )
        self._players: list[subprocess.Popen[bytes]] = []
        self.said = ""

    def until(self, words: str) -> None:
        assert self.process.stdout is not None
        while words not in self.said:
            letter = self.process.stdout.read(1)
            assert letter, self.said + (self.process.stderr.read() if self.process.stderr else "")
            self.said += letter

    def enter(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()

    def sounds(self, samples: NDArray[np.float64]) -> None:
        self._players.append(self._server.play(samples))

    def stops(self) -> None:
        player = self._players.pop()
        player.kill()
        player.wait()

    def end(self) -> str:
        said, complaint = self.process.communicate(timeout=60)
        for player in self._players:
            player.kill()
            player.wait()
        return self.said + said + complaint


@pytest.mark.parametrize(
    ("spindle_db", "knock", "code", "told"),
    [
        (-35.0, 0.5, 0, ("Nothing stands in the way.",)),
        (-58.0, 0.002, 1, ("microphone nearer to the spindle", "where table and work are heard")),
    ],
)
def test_spindle_and_knock_are_told_in_db_at_the_machine(
    sound_server: SoundServer,
    tmp_path: Path,
    spindle_db: float,
    knock: float,
    code: int,
    told: tuple[str, ...],
) -> None:
    machine = AtTheMachine(sound_server, tmp_path)
    machine.sounds(noise(-60.0))
    machine.until("nobody talking. Press Enter to listen. ")
    machine.enter()
    machine.until("with a knuckle on the table. ")
    machine.enter()
    taps = np.where(SECONDS[: 12 * RATE] % 3.0 < 0.04, knock, 0.0)  # the microphone opens when it can
    machine.sounds(taps * np.random.default_rng(2).normal(size=taps.size).clip(-1.0, 1.0))
    machine.until("start the spindle in air")
    machine.stops()
    machine.sounds(noise(spindle_db))
    time.sleep(1.0)
    machine.enter()
    said = machine.end()
    assert machine.process.returncode == code, said
    assert all(words in said for words in told), said
    assert "dB above the room, 300 to 8000 Hz" in said
