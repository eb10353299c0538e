"""Nothing lost: killed processes and full disks, for real."""

import errno
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Block
from listen.record import RunWriter, read_run, read_sound
from listen.record.check import check_run
from listen.record.run_json import write_whole
from tests.record.made_run import RATE, made_events, made_timeline

pytestmark = pytest.mark.closed

# Writes a run block by block, and tells how far it came before each next block: what was told is
# what must be there after the kill, less one second.
WRITER = """
import sys
import numpy as np
from pathlib import Path
from listen.blocks import Block
from listen.record import RunWriter
from listen.followed import Position
from tests.record.made_run import made_timeline
folder, sound, rate = Path(sys.argv[1]), sys.argv[2], 48000
rng = np.random.default_rng(0)
block = np.round(rng.standard_normal(rate // 10) * 3000) / 32768
writer = RunWriter(folder, rate=rate, live=True, sound=sound, timeline=made_timeline())
for i in range(100000):
    at = i * block.size
    writer.push(Block(samples=block, start=at, rate=rate))
    writer.push(Position(at=at + block.size, program_time=at / rate, line=i % 7, spread=0.1, rate=1.0))
    sys.stdout.write(f"{at + block.size}\\n")
    sys.stdout.flush()
"""
ROOT = Path(__file__).resolve().parents[2]


def killed_run(folder: Path, sound: str, after: int) -> int:
    """Write a run in a process of its own, kill it after so many blocks; how far it had told [samples]."""
    command = [sys.executable, "-c", WRITER, str(folder), sound]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        told = [int(process.stdout.readline()) for _ in range(after)]
        process.send_signal(signal.SIGKILL)
        told += [int(line) for line in process.stdout if line.endswith("\n")]
    return told[-1]


@pytest.mark.parametrize("sound", ["opus", "flac"])
def test_a_killed_process_loses_at_most_a_second(tmp_path: Path, sound: str) -> None:
    choose = random.Random(sound)
    for number in range(5):
        folder = tmp_path / str(number)
        told = killed_run(folder, sound, choose.randint(1, 80))
        run = read_run(folder)
        assert not run.complete
        assert run.positions[-1].at >= told - 48000  # thinned to at most one a fifth of a second
        assert run.duration >= told
        if told > 48000:
            assert run.sound_path is not None
            heard = sum(block.size for block in read_sound(run.sound_path, block_samples=48000))
            assert heard >= told - 48000
        assert all("cut off" in trouble.text or "short" in trouble.text for trouble in check_run(folder))


@pytest.fixture
def small_disk(tmp_path: Path) -> Path:
    """A real file system of a few megabytes, mounted for one test."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("a full disk can only be made by root, who may mount")
    return folder


@pytest.mark.parametrize("sound", ["opus", "flac"])
def test_a_full_disk_stops_the_recording_and_nothing_else(small_disk: Path, sound: str) -> None:
    try:
        writer = RunWriter(small_disk / "run", rate=48000, live=True, sound=sound, timeline=made_timeline())
        rng = np.random.default_rng(0)
        block = np.round(rng.standard_normal(48000) * 3000) / 32768
        full_at = None
        for second in range(400):
            writer.push(Block(samples=block, start=second * 48000, rate=48000))
            if not writer.recording:
                full_at = second + 1
                break
        assert full_at is not None
        assert "recording stopped at" in writer.problem
        assert "No space left on device" in writer.problem
        writer.push(*made_events())  # listening goes on
        writer.finish()
        run = read_run(small_disk / "run")
        assert not run.complete
        assert run.sound_path is not None
        heard = sum(block.size for block in read_sound(run.sound_path, block_samples=48000))
        assert heard >= (full_at - 2) * 48000  # the block that did not fit, and at most a second before
    finally:
        subprocess.run(["umount", "-l", str(small_disk)], check=True)


def test_the_writer_does_not_wait_for_the_disk(tmp_path: Path) -> None:
    """A second of sound and its decisions are taken in much less than a second, syncing included."""
    writer = RunWriter(tmp_path / "run", rate=RATE, live=True, sound="flac")
    block = np.zeros(RATE)
    slowest = 0.0
    for second in range(20):
        start = time.perf_counter()
        writer.push(Block(samples=block, start=second * RATE, rate=RATE))
        slowest = max(slowest, time.perf_counter() - start)
    writer.finish()
    assert slowest < 0.5


def test_a_text_that_does_not_fit_is_told_by_its_name_and_the_one_before_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(file: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    page = tmp_path / "page.html"
    write_whole(page, "before")
    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match=r"No space left") as told:
        write_whole(page, "after")
    assert told.value.filename == str(page)
    assert [path.read_text() for path in tmp_path.iterdir()] == ["before"]
