"""`cut-listen live` as a person runs it: a real sound server, the real command, the real page address."""

import json
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from listen.hear.digital_silence import REASON
from listen.job_file import load_job
from listen.plan import plan_job
from listen.replay_run import replay_recording
from listen.synth import EVALUATION_RANGES, Made, Script, draw_room, draw_voice, synthesise
from tests.sound_server.server import RATE, SoundServer

pytestmark = [pytest.mark.sound_server, pytest.mark.closed]
JOB = Path(__file__).parents[1] / "jobs" / "two_passes.toml"


def made_run() -> Made:
    rng = np.random.default_rng(3)
    return synthesise(
        plan_job(load_job(JOB)).timeline,
        script=Script(start_delay_s=1.0, tail_s=1.5, snr_db=24.0),
        voice=draw_voice(rng, EVALUATION_RANGES, RATE, n_tools=1),
        room=draw_room(rng, EVALUATION_RANGES, RATE),
        rate=RATE,
        rng=rng,
    )


def started(out: Path) -> "subprocess.Popen[str]":
    command = [sys.executable, "-m", "listen.cli", "live", str(JOB), "--out", str(out), "--rate", str(RATE)]
    return subprocess.Popen(
        [*command, "--device", "pulse"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def address_of(process: "subprocess.Popen[str]") -> str:
    assert process.stdout is not None
    for line in process.stdout:
        if found := re.search(r"http://\S+", line):
            return found.group()
    raise AssertionError(process.stderr.read() if process.stderr else "")


def decisions(run: dict[str, Any]) -> list[dict[str, Any]]:
    return [{k: v for k, v in event.items() if k != "offset_s"} for event in run["events"]]


def test_a_run_played_into_the_room_is_heard_shown_kept_and_replayed(
    sound_server: SoundServer, tmp_path: Path
) -> None:
    made = made_run()
    out = tmp_path / "run"
    process = started(out)
    address = address_of(process)
    with urllib.request.urlopen(address, timeout=5) as page:
        assert b"cannot stop the machine" in page.read()
    time.sleep(1.0)
    sound_server.play(made.samples).wait(timeout=60)
    time.sleep(0.5)
    process.send_signal(signal.SIGINT)
    said, complaint = process.communicate(timeout=30)
    assert process.returncode in (0, 1), complaint
    assert "2 expected" in said
    run = json.loads((out / "run.json").read_text())
    assert run["recording"]["duration_s"] >= made.samples.size / RATE
    lost = [gap for gap in run["recording"]["gaps"] if gap["reason"] != REASON]  # before and after: zeros
    lost_s = sum(gap["until_s"] - gap["from_s"] for gap in lost)
    assert lost_s <= 0.02 * run["recording"]["duration_s"], "this computer was too busy to record"
    assert [contact["heard"] is not None for contact in run["contacts"]] == [True, True]
    assert (out / "timeline.html").stat().st_size > 20_000
    replay_recording(out, out=tmp_path / "again", write_page=lambda run, path: None)
    again = json.loads((tmp_path / "again" / "run.json").read_text())
    assert decisions(again) == decisions(run)
    assert again["contacts"] == run["contacts"]


def test_a_microphone_that_is_not_there_is_one_line(sound_server: SoundServer, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "listen.cli", "live", "--device", "no such thing"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False, timeout=60)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "no such thing" in done.stderr
    assert list(tmp_path.glob("runs*")) == []
