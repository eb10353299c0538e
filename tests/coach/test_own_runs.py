"""Examples from the operator's own runs: what is played is what was heard."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Block
from listen.coach.own_runs import MARGIN_S, PEAK, _chosen, _example, own_examples
from listen.errors import RecordingError
from listen.record import RunWriter, read_run
from listen.record.reference import mark_reference
from tests.record.made_run import write_made_run

pytestmark = pytest.mark.closed
RATE = 24000


def test_flagged_cuts_come_first_with_their_air(tmp_path: Path) -> None:
    run = write_made_run(tmp_path / "monday", rate=16000, sound="flac")
    examples = own_examples(tmp_path / "monday", rate=RATE)
    flagged = {flag.contact for flag in run.flags}
    heard = [row for row in run.contacts if row.heard]
    first = sorted(heard, key=lambda row: (row.id not in flagged, row.id))[0]
    assert first.heard is not None
    assert examples[0].title == f"monday, {first.block or 'no contact line'}"
    assert str(first.verdict) in examples[0].why
    length_s = (first.heard.offset - first.heard.onset) / run.rate
    assert examples[0].samples.size / RATE == pytest.approx(length_s + 2.0 * MARGIN_S, abs=0.01)
    assert np.max(np.abs(examples[0].samples)) == pytest.approx(PEAK)
    starts, stops = ([state[key] for state in examples[0].states] for key in ("from_s", "to_s"))
    assert starts[1:] == stops[:-1]
    assert starts[0] == 0.0


def test_a_reference_brings_its_note_and_a_plain_run_none(tmp_path: Path) -> None:
    write_made_run(tmp_path / "good", rate=16000)
    assert own_examples(tmp_path / "good", rate=RATE)[0].listen_for.startswith("Your own machine")
    flagged = {flag.contact for flag in read_run(tmp_path / "good").flags}
    assert flagged
    mark_reference(tmp_path / "good", by="AB", note="even tone")
    titles = [one.title for one in own_examples(tmp_path / "good", rate=RATE)]
    blocks = {row.id: row.block for row in read_run(tmp_path / "good").contacts}
    assert titles
    assert not {f"good, {blocks[number]}" for number in flagged if number} & set(titles)
    assert own_examples(tmp_path / "good", rate=RATE)[0].listen_for == "This is what we want: even tone (AB)"


def test_one_of_each_line_comes_before_a_second_and_each_has_its_name(tmp_path: Path) -> None:
    """Three pecks of a hole, then a slot: the slot is not left out, and no two are called alike."""
    run = write_made_run(tmp_path / "pecks", rate=16000)
    first = next(row for row in run.contacts if row.heard)
    blocks = ("N50", "N50", "N50", "N70")
    rows = tuple(replace(first, id=number, block=block) for number, block in enumerate(blocks, start=1))
    chosen = _chosen(replace(run, contacts=rows, flags=()), is_reference=False)
    assert [row.id for row in chosen] == [1, 4, 2, 3]
    titles = [_example(replace(run, contacts=rows), row, RATE, None).title for row in chosen]
    assert titles[:3] == ["pecks, N50, contact 1", "pecks, N70", "pecks, N50, contact 2"]


def test_a_run_without_a_job_is_refused(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "plain", rate=16000, live=False, sound="flac") as writer:
        writer.push(Block(samples=np.full(16000, 0.01), start=0, rate=16000))
        writer.finish()
    with pytest.raises(RecordingError, match=r"was heard without a job, .*; replay it with --job"):
        own_examples(tmp_path / "plain", rate=RATE)


def test_a_run_without_sound_is_refused(tmp_path: Path) -> None:
    write_made_run(tmp_path / "mute", rate=16000, sound="none")
    assert read_run(tmp_path / "mute").sound_path is None
    with pytest.raises(RecordingError, match="keeps no sound"):
        own_examples(tmp_path / "mute", rate=RATE)
