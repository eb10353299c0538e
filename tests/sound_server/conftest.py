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
    if not (shutil.which("pulseaudio") and shutil.which("paplay")):
        assert "CI" not in os.environ, "pulseaudio and pulseaudio-utils must be installed where CI runs"
        pytest.skip("pulseaudio is not installed")
    folder = tmp_path / "pulse"
    folder.mkdir()
    server = SoundServer(folder)
    for name in NAMES:
        monkeypatch.setenv(name, server.environment[name])
    yield server
    server.stop()
