"""The run folder: written, read back, refused, cut off."""

import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from listen.blocks import Block, Gap
from listen.errors import InputError, RecordingError
from listen.followed import VerdictKind
from listen.record import RunWriter, read_run, read_sound, run_values, schema
from tests.record.made_run import RATE, made_events, made_sound, made_timeline, write_made_run

pytestmark = pytest.mark.closed


def test_run_json_is_what_its_schema_says(tmp_path: Path) -> None:
    write_made_run(tmp_path / "run")
    values = json.loads((tmp_path / "run" / "run.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema("run-1"))
    jsonschema.validate(values, schema("run-1"))
    assert [contact["verdict"] for contact in values["contacts"]] == [
        "as expected",
        "started early",
        "not heard",
    ]
    assert values["contacts"][1]["heard"] == {"onset_s": 7.5, "offset_s": 10.0}
    assert values["contacts"][2]["heard"] is None
    assert values["looks"][0]["position"] == {"z": -2.0}


def test_a_run_comes_back_as_it_was_written(tmp_path: Path) -> None:
    written = write_made_run(tmp_path / "run")
    again = read_run(tmp_path / "run")
    assert run_values(again) == run_values(written)
    assert again.complete
    assert again.problem == ""
    assert again.events == made_events()
    assert again.timeline is not None
    assert again.timeline.contacts[0].block == "N50"
    assert math.isnan(again.timeline.contacts[0].mean_chip_mm)
    np.testing.assert_array_equal(again.timeline.spans.end, made_timeline().spans.end)


def test_flac_gives_sixteen_bit_sound_back_to_the_sample(tmp_path: Path) -> None:
    run = write_made_run(tmp_path / "run")
    assert run.sound_path is not None
    sound = np.concatenate(list(read_sound(run.sound_path, block_samples=1000)))
    np.testing.assert_array_equal(sound, made_sound())


def test_events_tsv_has_the_usual_columns(tmp_path: Path) -> None:
    write_made_run(tmp_path / "run")
    rows = (tmp_path / "run" / "events.tsv").read_text().splitlines()
    assert rows[0] == "onset\toffset\tevent_label"
    assert rows[2] == "2.000000\t2.200000\tentry"
    assert rows[-1] == "10.000000\t12.000000\tair"


@pytest.mark.parametrize("rate", [8000, 11025, 44100, 48000])
def test_opus_keeps_time_at_any_rate(tmp_path: Path, rate: int) -> None:
    run = write_made_run(tmp_path / "run", rate=rate, sound="opus")
    assert run.sound_path is not None
    sound = np.concatenate(list(read_sound(run.sound_path, block_samples=48000)))
    assert abs(sound.size / run.header.sound_rate - 12.0) < 0.001
    level = np.sqrt(np.mean(np.square(sound.reshape(-1, run.header.sound_rate // 20)), axis=1))
    loud = np.flatnonzero(level > 0.04) / 20
    assert 1.95 <= loud[0] <= 2.05
    assert 9.9 <= loud[-1] <= 10.0


def test_a_gap_is_silence_and_shifts_nothing(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", rate=RATE, live=True, sound="flac") as writer:
        writer.push(Block(samples=np.full(RATE, 0.25), start=0, rate=RATE))
        writer.push(Gap(start=RATE, stop=3 * RATE, reason="microphone unplugged"))
        writer.push(Block(samples=np.full(RATE, 0.5), start=3 * RATE, rate=RATE))
        run = writer.finish()
    assert run.duration == 4 * RATE
    assert run.sound_path is not None
    sound = np.concatenate(list(read_sound(run.sound_path, block_samples=RATE)))
    np.testing.assert_array_equal(sound[:: RATE // 2], [0.25, 0.25, 0, 0, 0, 0, 0.5, 0.5])
    assert run_values(run)["recording"]["gaps"] == [
        {"from_s": 1.0, "until_s": 3.0, "reason": "microphone unplugged"}
    ]


def test_a_refused_replay_leaves_nothing_behind(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "run"

    def refused() -> None:
        with RunWriter(folder, rate=RATE, live=False, timeline=made_timeline()) as writer:
            writer.push(Block(samples=np.zeros(RATE), start=0, rate=RATE))
            writer.push(Block(samples=np.full(RATE, np.nan), start=RATE, rate=RATE))

    with pytest.raises(InputError, match="audio must be finite"):
        refused()
    assert list(tmp_path.iterdir()) == []


def test_a_folder_with_a_run_is_not_written_over(tmp_path: Path) -> None:
    write_made_run(tmp_path / "run")
    with pytest.raises(RecordingError, match="holds a run already"):
        RunWriter(tmp_path / "run", rate=RATE, live=False)
    assert read_run(tmp_path / "run").complete
    with RunWriter(tmp_path / "run", rate=RATE, live=False, replace=True) as writer:
        writer.push(Block(samples=np.zeros(RATE), start=0, rate=RATE))
    assert read_run(tmp_path / "run").contacts == ()


def test_a_run_without_verdicts_cannot_tell(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", rate=RATE, live=False, timeline=made_timeline()) as writer:
        writer.push(Block(samples=np.zeros(RATE), start=0, rate=RATE))
        run = writer.finish()
    assert {contact.verdict for contact in run.contacts} == {VerdictKind.CANNOT_TELL}


@pytest.mark.parametrize("sound", ["opus", "flac"])
def test_a_folder_copied_while_it_is_written_opens(tmp_path: Path, sound: str) -> None:
    """At every tenth of a second: what is on the disk then is all but the last second."""
    import shutil

    writer = RunWriter(tmp_path / "run", rate=RATE, live=True, sound=sound, timeline=made_timeline())
    samples = made_sound()
    for start in range(0, 6 * RATE, RATE // 10):
        writer.push(Block(samples=samples[start : start + RATE // 10], start=start, rate=RATE))
        if start == 3 * RATE:
            writer.push(*made_events()[:4])
        if start % (RATE // 2) == 0 and start > 0:
            shutil.copytree(tmp_path / "run", tmp_path / "cut", dirs_exist_ok=True)
            cut = read_run(tmp_path / "cut")
            assert not cut.complete
            assert cut.duration >= start - RATE
            assert len(cut.events) == (4 if start >= 3 * RATE else 0)
            shutil.rmtree(tmp_path / "cut")
    writer.abandon()


def test_a_torn_last_line_is_passed_over(tmp_path: Path) -> None:
    write_made_run(tmp_path / "run")
    path = tmp_path / "run" / "decisions.jsonl"
    path.write_text(path.read_text()[:-20])
    run = read_run(tmp_path / "run")
    assert not run.complete
    assert run.duration == 12 * RATE


def test_a_damaged_line_is_named(tmp_path: Path) -> None:
    write_made_run(tmp_path / "run")
    path = tmp_path / "run" / "decisions.jsonl"
    lines = path.read_text().splitlines(keepends=True)
    lines[4] = lines[4].replace("{", "", 1)
    path.write_text("".join(lines))
    with pytest.raises(RecordingError, match=r"decisions.jsonl line 5: a decision must be one line of JSON"):
        read_run(tmp_path / "run")
