"""Frames on disk: read back as written, whole records only, gaps where they were."""

from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Frames, Gap
from listen.errors import InputError, RecordingError
from listen.record.features import FEATURES_FILE, FeatureWriter, read_features
from listen.record.keep import KEEPS, keep_of

pytestmark = pytest.mark.closed


def written(folder: Path) -> FeatureWriter:
    return FeatureWriter(folder, rate=48000, hop=480, columns=("a", "b"), bands_hz=(100.0,))


def frames(at: list[int]) -> Frames:
    return Frames(at=np.array(at), values=np.array([[-60.0 - k, 1e6] for k in at]))


def test_frames_come_back_with_their_gaps_in_half_precision(tmp_path: Path) -> None:
    """By hand: float16 keeps -540 exactly and ends at 65504."""
    writer = written(tmp_path)
    for made in (frames([480, 960]), Gap(start=960, stop=960, reason="x"), frames([1440])):
        writer.push(made)
    writer.close()
    kept = read_features(tmp_path)
    assert [list(stretch.at) for stretch in kept.stretches] == [[480, 960], [1440]]
    assert kept.stretches[0].values.tolist() == [[-540.0, 65504.0], [-1020.0, 65504.0]]
    assert (kept.rate, kept.hop, kept.columns, kept.bands_hz) == (48000, 480, ("a", "b"), (100.0,))


def test_a_file_that_was_cut_off_gives_its_whole_records(tmp_path: Path) -> None:
    writer = written(tmp_path)
    writer.push(frames([480, 960]))
    writer.close()
    data = (tmp_path / FEATURES_FILE).read_bytes()
    (tmp_path / FEATURES_FILE).write_bytes(data[:-3])
    assert list(read_features(tmp_path).stretches[0].at) == [480]


def test_what_is_no_such_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"features\.bin must hold the measured frames"):
        read_features(tmp_path)


def test_what_is_kept_is_named_by_four_words() -> None:
    assert list(KEEPS) == ["sound", "small", "features", "decisions"]
    with pytest.raises(InputError, match="must be one of sound, small, features, decisions, got 'voices'"):
        keep_of("voices")
