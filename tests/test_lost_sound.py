"""A microphone that is muted or pulled out in the middle of a cut is no fault of the cut.

On the made recording of three good passes, with the sound of the second taken away from its middle on.
"""

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.ears import SoundEar, shipped_model
from listen.followed import Verdict, VerdictKind
from listen.job_file import load_job
from listen.plan import plan_job
from listen.second_hearing import SecondHearing, second_hearing
from listen.session import Decided, Session
from listen.told import Flag

pytestmark = pytest.mark.closed
MADE = Path(__file__).parents[1] / "recordings_synthetic"
BLOCK_S = 0.05
LOST = [(26.0, 34.0), (25.0, 26.5)]  # [s]; the second pass is cut from 24.3 to 27.6 s


@cache
def passes() -> tuple[NDArray[np.float64], int]:
    samples, rate = soundfile.read(MADE / "good.ogg", dtype="float64")
    return samples, rate


def given(start_s: float, stop_s: float, how: str) -> Iterator[Block | Gap]:
    """The recording without its sound between two times."""
    samples, rate = passes()
    size = round(BLOCK_S * rate)
    start, stop = round(start_s * rate) // size * size, round(stop_s * rate) // size * size
    for at in range(0, samples.size, size):
        end = min(at + size, samples.size)
        if not start <= at < stop:
            yield Block(samples=samples[at:end], start=at, rate=rate)
        elif how == "muted":
            yield Block(samples=np.zeros(end - at), start=at, rate=rate)
        elif how == "pulled out":  # a microphone that is away says so again and again
            yield Gap(start=at, stop=end, reason="unplugged")
        elif at == start:
            yield Gap(start=start, stop=stop, reason="unplugged")


def heard(start_s: float, stop_s: float, how: str) -> tuple[list[Decided | Gap], SecondHearing]:
    """What was given as gaps and told live, and what the whole run says afterwards."""
    rate = passes()[1]
    timeline = plan_job(load_job(MADE / "step.toml")).timeline
    ear = SoundEar(shipped_model(), rate=rate, keep=True)
    session = Session(timeline, ear=ear, rate=rate)
    told: list[Decided | Gap] = []
    for item in given(start_s, stop_s, how):
        told += [item] if isinstance(item, Gap) else []
        told += session.push(item)
    told += session.close()
    return told, second_hearing(ear, timeline, rate=rate, told=told, end=session.heard)


@pytest.mark.parametrize("how", ["muted", "pulled out", "lost at once"])
@pytest.mark.parametrize(("start_s", "stop_s"), LOST)
def test_a_cut_whose_end_was_not_heard_is_not_said_to_have_ended_early(
    start_s: float, stop_s: float, how: str
) -> None:
    told, again = heard(start_s, stop_s, how)
    live = [item.kind for item in told if isinstance(item, Verdict) and item.contact == 2]
    refined = [verdict.kind for verdict in again.verdicts if verdict.contact == 2]
    assert set(live) | set(refined) == {VerdictKind.CANNOT_TELL}
    assert not [item for item in (*told, *again.flags) if isinstance(item, Flag)]


def test_when_no_sound_came_is_kept_and_printed(tmp_path: Path) -> None:
    """Muted for eight seconds, of which the first 0.3 may be a loss on the way; and muted till the end."""
    samples, rate = passes()
    muted = samples.copy()
    muted[26 * rate : 34 * rate] = 0.0
    muted[38 * rate :] = 0.0
    soundfile.write(tmp_path / "run.flac", muted, rate)
    for name in ("step.toml", "step.nc"):
        shutil.copy(MADE / name, tmp_path)
    command = [sys.executable, "-m", "listen.cli", "replay", "run.flac", "--job", "step.toml", "--out", "run"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    gaps = json.loads((tmp_path / "run" / "run.json").read_text())["recording"]["gaps"]
    assert [(gap["from_s"], gap["until_s"]) for gap in gaps] == [
        (pytest.approx(26.3, abs=0.001), pytest.approx(34.0, abs=0.001)),
        (pytest.approx(38.3, abs=0.001), pytest.approx(samples.size / rate, abs=0.001)),
    ]
    said = re.sub(r"\s+", " ", done.stdout)
    assert "26.30 s no sound for 7.7 s: nothing but zeros came: the microphone was muted" in said
