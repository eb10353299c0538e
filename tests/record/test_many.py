"""Many recordings: any number of workers, and a real cluster, give the same runs."""

import subprocess
import time
from functools import partial
from pathlib import Path

import pytest
import soundfile

from listen.cli_replay import replay_into
from listen.errors import InputError
from listen.record.many import Done, find_recordings, folders_for, replay_many
from tests.record.made_run import write_made_run

pytestmark = pytest.mark.closed
RECORDINGS = Path(__file__).resolve().parents[2] / "recordings_synthetic"


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    """Ten seconds each of two made recordings, and a file that is none."""
    folder = tmp_path_factory.mktemp("in")
    for name in ("early", "good"):
        samples, rate = soundfile.read(RECORDINGS / f"{name}.ogg", frames=10 * 48000)
        soundfile.write(folder / f"{name}.flac", samples, rate)
    (folder / "bad.wav").write_bytes(b"RIFF, but no sound")
    return find_recordings([str(folder)])


LISTEN = partial(replay_into, job=RECORDINGS / "step.toml")


def contents(out: Path) -> dict[str, bytes]:
    """Every run.json by the name of its run."""
    return {path.parent.name: path.read_bytes() for path in sorted(out.glob("*/run.json"))}


def test_workers_and_cluster_give_byte_identical_runs(tmp_path: Path, recordings: tuple[Path, ...]) -> None:
    """The real listener, in this process, in two others, and on a real Dask cluster of two."""
    from distributed import LocalCluster

    one = replay_many(recordings, tmp_path / "one", LISTEN)
    two = replay_many(recordings, tmp_path / "two", LISTEN, workers=2)
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        many = replay_many(recordings, tmp_path / "many", LISTEN, cluster=cluster.scheduler_address)
    assert [(done.recording.name, done.how) for done in one] == [
        ("bad.wav", "refused"),
        ("early.flac", "done"),
        ("good.flac", "done"),
    ]
    assert [(d.recording, d.how) for d in two] == [(d.recording, d.how) for d in one]
    assert [(d.recording, d.how) for d in many] == [(d.recording, d.how) for d in one]
    assert len(contents(tmp_path / "one")) == 2
    assert contents(tmp_path / "two") == contents(tmp_path / "one")
    assert contents(tmp_path / "many") == contents(tmp_path / "one")


def test_it_takes_up_where_it_stopped(tmp_path: Path, recordings: tuple[Path, ...]) -> None:
    told: list[Done] = []
    out = tmp_path / "out"
    replay_many(recordings[:2], out, LISTEN)
    before = (out / "early" / "run.json").stat().st_mtime_ns
    left = out / f".good.{_ended_process()}.part"  # by a worker that was killed
    left.mkdir()
    (left / "decisions.jsonl").write_text("cut off")
    found = replay_many(recordings, out, LISTEN, progress=told.append)
    assert [done.how for done in found] == ["refused", "was done already", "done"]
    assert "bad.wav" in found[0].reason
    assert (out / "early" / "run.json").stat().st_mtime_ns == before
    assert len(told) == 3
    assert not left.exists()


def _ended_process() -> int:
    with subprocess.Popen(["true"]) as process:
        return process.pid


def test_globs_and_folders_lead_to_recordings(tmp_path: Path) -> None:
    for name in ("a", "b", "c", "d"):
        write_made_run(tmp_path / "in" / name, seconds=1.0)
    assert [path.name for path in find_recordings([str(tmp_path / "in" / "[a-c]")])] == ["a", "b", "c"]
    assert len(find_recordings([str(tmp_path / "in"), str(tmp_path / "in" / "a")])) == 4
    assert find_recordings([str(tmp_path / "in" / "a" / "*.flac")])[0].name == "sound.flac"
    with pytest.raises(InputError, match="leads to none"):
        find_recordings([str(tmp_path / "nowhere" / "*.wav")])


def test_recordings_of_one_name_get_folders_of_their_own(tmp_path: Path) -> None:
    names = [tmp_path / "x" / "cut.wav", tmp_path / "y" / "cut.wav", tmp_path / "cut.flac"]
    assert [folder.name for folder in folders_for(names, tmp_path)] == ["cut", "cut 2", "cut 3"]


def test_an_address_without_a_cluster_is_refused(tmp_path: Path, recordings: tuple[Path, ...]) -> None:
    start = time.monotonic()
    with pytest.raises(InputError, match="must be the address of a Dask scheduler"):
        replay_many(recordings, tmp_path / "out", LISTEN, cluster="tcp://127.0.0.1:9")
    assert time.monotonic() - start < 30
