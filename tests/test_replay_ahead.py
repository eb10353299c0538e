"""Sound read and measured ahead, while what came before is judged: the same run, whatever happens."""

import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

import listen.replay_run
from listen.blocks import Block, Gap
from listen.ears import SoundEar, shipped_model
from listen.errors import RecordingError
from listen.record import Run
from listen.replay_run import replay_recording

pytestmark = pytest.mark.parity
RECORDINGS = Path(__file__).resolve().parents[1] / "recordings_synthetic"
RATE = 48000


@pytest.fixture(scope="module")
def samples() -> NDArray[np.float64]:
    """The made run with a silence in the middle, after which the ear begins anew."""
    heard, rate = soundfile.read(RECORDINGS / "never.ogg")
    assert rate == RATE
    heard[14 * RATE : 15 * RATE] = 0.0
    return np.asarray(heard)


@pytest.fixture(scope="module")
def recording(samples: NDArray[np.float64], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recording") / "take.flac"
    soundfile.write(path, samples, RATE, subtype="PCM_16")
    return path


def replayed(recording: Path, out: Path) -> Run:
    return replay_recording(
        recording, out=out, job=RECORDINGS / "step.toml", keep="features", write_page=lambda run, path: None
    )


def no_threads_left() -> bool:
    names = [each.name for each in threading.enumerate()]
    return not [name for name in names if name.startswith(("read ahead", "sound of a run"))]


def test_the_run_is_the_same_measured_ahead_or_not(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Events, verdicts, flags and every measured frame, to the bit."""
    replayed(recording, tmp_path / "ahead")
    monkeypatch.setattr(listen.replay_run, "_ahead", lambda inputs, ear, source: inputs)
    replayed(recording, tmp_path / "in turn")
    names = sorted(path.name for path in (tmp_path / "ahead").iterdir() if path.is_file())
    assert {"decisions.jsonl", "features.bin", "run.json"} <= set(names)
    for name in names:
        one, other = ((tmp_path / folder / name).read_bytes() for folder in ("ahead", "in turn"))
        assert one == other, name
    assert no_threads_left()


def test_an_ear_decides_the_same_of_what_was_prepared(samples: NDArray[np.float64]) -> None:
    """Any cut, all prepared at first or each just before; a gap among them."""
    stream: list[Block | Gap] = []
    for start in range(0, 20 * RATE, 7_777):
        stream.append(Block(samples=samples[start : start + 7_777], start=start, rate=RATE))
    at = stream[-1].stop
    stream.append(Gap(start=at, stop=at + RATE, reason="pulled out"))
    stream.append(Block(samples=samples[at : at + RATE], start=at + RATE, rate=RATE))

    def told(ahead: int) -> list[str]:
        ear = SoundEar(shipped_model(), rate=RATE, keep=True)
        heard = []
        for n, given in enumerate(stream):
            if ahead and n % ahead == 0:
                for later in stream[n : n + ahead]:
                    ear.prepare(later)
            heard += [str(item) for item in ear.push(given)]
        return [*heard, *map(str, ear.close()), *map(str, ear.look_again())]

    assert told(0) == told(1) == told(len(stream))


def test_what_the_reading_raises_ends_the_replay_and_leaves_nothing(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(path: Path, *, block_samples: int, channel: int | None = None) -> Iterator[Block]:
        for start in (0, block_samples):
            yield Block(samples=np.full(block_samples, 0.01), start=start, rate=RATE)
        raise RecordingError("take.flac cannot be read past sample 96000")

    monkeypatch.setattr(listen.replay_run, "read_blocks", broken)
    with pytest.raises(RecordingError, match="cannot be read past sample 96000"):
        replayed(recording, tmp_path / "run")
    assert list(tmp_path.iterdir()) == []
    assert no_threads_left()


def test_what_the_judging_raises_ends_the_reading(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(self: SoundEar, given: object) -> tuple[()]:
        raise ArithmeticError("the ear broke")

    monkeypatch.setattr(SoundEar, "push", broken)
    with pytest.raises(ArithmeticError, match="the ear broke"):
        replayed(recording, tmp_path / "run")
    assert list(tmp_path.iterdir()) == []
    assert no_threads_left()
