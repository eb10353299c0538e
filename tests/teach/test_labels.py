"""A run with a person's labels, measured as the ear measures it."""

import json
from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Block, Frames, Gap
from listen.errors import RecordingError
from listen.record import RunWriter, Stretch
from listen.record.run import MADE
from listen.teach.labels import LabelledRun, measure_run, read_labelled_run

pytestmark = pytest.mark.closed
RATE = 16000


def write_run(
    folder: Path, *, sound: str = "flac", gap: Gap | None = None
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Four seconds of 16-bit noise through the real writer; the gap stands in for what it covers."""
    samples = np.round(np.random.default_rng(5).normal(0.0, 0.05, 4 * RATE) * 32768) / 32768
    with RunWriter(folder, rate=RATE, live=False, sound=sound) as writer:
        if gap is None:
            writer.push(Block(samples=samples, start=0, rate=RATE))
        else:
            writer.push(Block(samples=samples[: gap.start], start=0, rate=RATE), gap)
            writer.push(Block(samples=samples[gap.stop :], start=gap.stop, rate=RATE))
        writer.finish()
    return samples


def write_labels(folder: Path, *, by_hand: bool = True, rate: int = RATE) -> None:
    """One contact from 1 s to 2.5 s, as the page saves it."""
    contact = {
        "id": 1,
        "heard": None,
        "verdict": "not heard",
        "corrected": {"onset_s": 1.0, "offset_s": 2.5},
        "corrected_verdict": "as expected",
        "by_hand": by_hand,
        "note": "",
    }
    labels = {
        "format": "cut-listen labels 1",
        "program": "",
        "source": "made",
        "sample_rate": rate,
        "duration_s": 4.0,
        "by": "AB",
        "contacts": [contact],
    }
    (folder / "labels.json").write_text(json.dumps(labels), encoding="utf-8")


def frames_of(run: LabelledRun) -> Frames:
    (only,) = run.stretches
    return only


def test_frames_are_those_of_the_sound_and_cuts_are_in_its_samples(tmp_path: Path) -> None:
    """Labels at 8000 Hz, sound at 16000 Hz: 1.0 s is sample 16000 of the sound."""
    samples = write_run(tmp_path / "run")
    write_labels(tmp_path / "run", rate=8000)
    run = read_labelled_run(tmp_path / "run")
    whole = measure_run("whole", iter([Block(samples=samples, start=0, rate=RATE)]), (), rate=RATE)
    np.testing.assert_array_equal(frames_of(run).values, frames_of(whole).values)
    assert run.cuts == (Stretch(onset=16000, offset=40000),)
    assert run.intervals == [(1.0, 2.5)]


def test_a_preview_teaches_nothing(tmp_path: Path) -> None:
    write_run(tmp_path / "run")
    write_labels(tmp_path / "run", rate=RATE)
    lines = tmp_path / "run" / "decisions.jsonl"
    first, rest = lines.read_text().split("\n", 1)
    lines.write_text(json.dumps({**json.loads(first), "source": MADE}) + "\n" + rest)
    with pytest.raises(RecordingError, match="is of made sound, of a preview"):
        read_labelled_run(tmp_path / "run")


def test_a_gap_parts_the_run_and_is_not_heard_as_silence(tmp_path: Path) -> None:
    """The gap lies across a block's edge of one second."""
    gap = Gap(start=round(1.4 * RATE), stop=round(2.2 * RATE), reason="the microphone was away")
    write_run(tmp_path / "run", gap=gap)
    write_labels(tmp_path / "run")
    run = read_labelled_run(tmp_path / "run")
    first, second = run.stretches
    assert first.at[-1] <= gap.start
    assert second.at[0] > gap.stop
    gaps = [item for item in run.heard if isinstance(item, Gap)]
    assert (gaps[0].start, gaps[-1].stop) == (gap.start, gap.stop)


def test_what_cannot_teach_is_refused_with_what_to_do(tmp_path: Path) -> None:
    write_run(tmp_path / "run")
    with pytest.raises(RecordingError, match=r"has no labels\.json: correct its contacts on its page"):
        read_labelled_run(tmp_path / "run")
    write_labels(tmp_path / "run", by_hand=False)
    with pytest.raises(RecordingError, match="no contact that a person confirmed or corrected"):
        read_labelled_run(tmp_path / "run")
    write_run(tmp_path / "mute", sound="none")
    with pytest.raises(RecordingError, match="keeps no sound"):
        read_labelled_run(tmp_path / "mute")
