"""The sound server as a fixture."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.sound_server.server import NAMES, SoundServer


@pytest.fixture
def sound_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SoundServer]:
    """A running server; its environment is this process's own while the test runs."""
    yield from _running(tmp_path, monkeypatch, channels=1)


@pytest.fixture
def two_channel_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SoundServer]:
    """The same with a sound card of two channels."""
    yield from _running(tmp_path, monkeypatch, channels=2)


def _running(folder: Path, monkeypatch: pytest.MonkeyPatch, *, channels: int) -> Iterator[SoundServer]:
    if not (shutil.which("pulseaudio") and shutil.which("paplay")):
        assert "CI" not in os.environ, "pulseaudio and pulseaudio-utils must be installed where CI runs"
        pytest.skip("pulseaudio is not installed")
    home = folder / "pulse"
    home.mkdir()
    server = SoundServer(home, channels=channels)
    for name in NAMES:
        monkeypatch.setenv(name, server.environment[name])
    yield server
    server.stop()
