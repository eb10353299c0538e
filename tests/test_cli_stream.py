"""Output that nobody reads: `cut-listen job part.nc | head` did its work or not, by luck."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.cli_stream import BROKEN_PIPE

pytestmark = pytest.mark.closed
JOBS = Path(__file__).parent / "jobs"


def unread(arguments: list[str], folder: Path, *, errors_too: bool = False) -> tuple[int, str]:
    """Exit code and errors of the real command, whose output goes into a pipe that nobody reads."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "listen.cli", *arguments],
        stdout=writer,
        stderr=writer if errors_too else subprocess.PIPE,
        text=True,
        check=False,
        cwd=folder,
        timeout=120,
    )
    os.close(writer)
    return done.returncode, done.stderr or ""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("two_passes.toml", "two_passes.nc"):
        (tmp_path / name).write_bytes((JOBS / name).read_bytes())
    return tmp_path


def test_the_code_is_that_of_a_broken_pipe() -> None:
    """128 and the number of the signal: greater than 128, as POSIX.1-2017, XCU 2.8.2, has it."""
    import signal

    assert BROKEN_PIPE == 128 + signal.SIGPIPE


def test_a_job_is_written_though_nobody_reads(folder: Path) -> None:
    command = [
        "job",
        "two_passes.nc",
        "--size",
        "3x2x1",
        "--tools",
        "T1 flat end mill 0.5 3",
        "--out",
        "new.toml",
    ]
    assert unread(command, folder) == (BROKEN_PIPE, "")
    assert (folder / "new.toml").is_file()


def test_a_page_is_written_though_nobody_reads(folder: Path) -> None:
    code, said = unread(["expect", "two_passes.toml", "--contacts", "--figures", "--html", "a.html"], folder)
    assert (code, said) == (BROKEN_PIPE, "")
    assert (folder / "a.html").is_file()


def test_a_replay_is_whole_though_nobody_reads(folder: Path) -> None:
    soundfile.write(folder / "air.wav", np.random.default_rng(1).normal(0.0, 0.01, 48000), 48000)
    assert unread(["replay", "air.wav", "--out", "run"], folder) == (BROKEN_PIPE, "")
    assert (folder / "run" / "timeline.html").is_file()


@pytest.mark.parametrize("command", [["--help"], ["--version"], ["runs", "list"], ["expect", "--help"]])
def test_what_only_prints_ends_without_a_word(command: list[str], folder: Path) -> None:
    assert unread(command, folder) == (BROKEN_PIPE, "")


def test_a_refusal_that_nobody_reads_is_still_a_refusal(folder: Path) -> None:
    assert unread(["expect", "nothing.toml"], folder, errors_too=True) == (2, "")


@pytest.mark.skipif(
    not Path("/dev/full").exists(), reason="only some systems have a device that is always full"
)
def test_an_output_that_is_full_is_one_line(folder: Path) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "listen.cli", "expect", "two_passes.toml"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            cwd=folder,
            timeout=120,
        )
    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        "cut-listen: what is printed cannot be written: No space left on device"
    ]
