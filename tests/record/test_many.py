"""Many recordings: any number of workers, and a real cluster, give the same runs."""

import time
from pathlib import Path

import pytest

from listen.blocks import Block
from listen.errors import InputError, RecordingError
from listen.record import RunWriter, read_sound
from listen.record.many import Done, find_recordings, folders_for, replay_many
from listen.record.sound import sound_length
from tests.record.made_run import made_events, made_timeline, made_verdicts, write_made_run

pytestmark = pytest.mark.closed


def listen_again(recording: Path, folder: Path) -> None:
    """A stand-in for the listener that reads and writes real runs; refuses what is called "bad"."""
    if recording.name == "bad":
        raise RecordingError(f"{recording} must be good")
    sound = recording / "sound.flac"
    _, rate = sound_length(sound)
    with RunWriter(folder, rate=rate, live=False, timeline=made_timeline(), source=recording.name) as writer:
        start = 0
        for samples in read_sound(sound, block_samples=rate):
            writer.push(Block(samples=samples, start=start, rate=rate))
            start += samples.size
        writer.push(*made_events(rate), *made_verdicts(rate))
        writer.finish(refined=made_events(rate))


@pytest.fixture
def recordings(tmp_path: Path) -> tuple[Path, ...]:
    """Six small recordings, one of them refused."""
    for name in ("a", "b", "bad", "c", "d", "e"):
        write_made_run(tmp_path / "in" / name, seed=ord(name[-1]))
    return find_recordings([str(tmp_path / "in")])


def contents(out: Path) -> dict[str, bytes]:
    """Every run.json by the name of its run."""
    return {path.parent.name: path.read_bytes() for path in sorted(out.glob("*/run.json"))}


def test_workers_and_cluster_give_byte_identical_runs(tmp_path: Path, recordings: tuple[Path, ...]) -> None:
    from distributed import LocalCluster

    one = replay_many(recordings, tmp_path / "one", listen_again)
    two = replay_many(recordings, tmp_path / "two", listen_again, workers=2)
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        address = cluster.scheduler_address
        many = replay_many(recordings, tmp_path / "many", listen_again, cluster=address)
    assert [done.how for done in one] == ["done", "done", "refused", "done", "done", "done"]
    assert [(d.recording, d.how) for d in two] == [(d.recording, d.how) for d in one]
    assert [(d.recording, d.how) for d in many] == [(d.recording, d.how) for d in one]
    assert contents(tmp_path / "two") == contents(tmp_path / "one")
    assert contents(tmp_path / "many") == contents(tmp_path / "one")
    assert len(contents(tmp_path / "one")) == 5


def test_it_takes_up_where_it_stopped(tmp_path: Path, recordings: tuple[Path, ...]) -> None:
    told: list[Done] = []
    replay_many(recordings[:2], tmp_path / "out", listen_again)
    before = (tmp_path / "out" / "a" / "run.json").stat().st_mtime_ns
    found = replay_many(recordings, tmp_path / "out", listen_again, progress=told.append)
    assert [done.how for done in found][:3] == ["was done already", "was done already", "refused"]
    assert "must be good" in found[2].reason
    assert (tmp_path / "out" / "a" / "run.json").stat().st_mtime_ns == before
    assert len(told) == 6


def test_globs_and_folders_lead_to_recordings(tmp_path: Path, recordings: tuple[Path, ...]) -> None:
    assert [path.name for path in find_recordings([str(tmp_path / "in" / "[a-c]")])] == ["a", "b", "c"]
    assert len(find_recordings([str(tmp_path / "in"), str(tmp_path / "in" / "a")])) == 6
    assert find_recordings([str(tmp_path / "in" / "a" / "*.flac")])[0].name == "sound.flac"
    with pytest.raises(InputError, match="leads to none"):
        find_recordings([str(tmp_path / "nowhere" / "*.wav")])


def test_recordings_of_one_name_get_folders_of_their_own(tmp_path: Path) -> None:
    names = [tmp_path / "x" / "cut.wav", tmp_path / "y" / "cut.wav", tmp_path / "cut.flac"]
    assert [folder.name for folder in folders_for(names, tmp_path)] == ["cut", "cut 2", "cut 3"]


def test_an_address_without_a_cluster_is_refused(tmp_path: Path, recordings: tuple[Path, ...]) -> None:
    start = time.monotonic()
    with pytest.raises(InputError, match="must be the address of a Dask scheduler"):
        replay_many(recordings, tmp_path / "out", listen_again, cluster="tcp://127.0.0.1:9")
    assert time.monotonic() - start < 30
