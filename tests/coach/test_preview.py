"""The preview of a job: what is made is what the sheet expects, and what was planted."""

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.coach.own_runs import own_examples
from listen.coach.preview import (
    LEAD_IN_S,
    LEAD_OUT_S,
    RATE,
    PreviewSettings,
    contacts_of_passes,
    cut_timeline,
    make_preview,
    make_sound,
    read_range,
)
from listen.errors import InputError, RecordingError
from listen.followed import VerdictKind
from listen.job_file import load_job
from listen.plan import plan_job
from listen.record import Run
from listen.record.reference import mark_reference
from listen.record.words import run_sentence
from listen.replay_run import replay_recording
from listen.timeline import Timeline

pytestmark = pytest.mark.closed
TURN_S = 60.0 / 9000.0  # the first tooth touches within one turn
JOB = Path(__file__).parents[1] / "jobs" / "two_passes.toml"


@pytest.fixture(scope="module")
def timeline() -> Timeline:
    return plan_job(load_job(JOB)).timeline


def no_page(run: Run, path: Path) -> None:
    """A page is tested elsewhere."""


def previewed(timeline: Timeline, folder: Path, settings: PreviewSettings) -> Run:
    return make_preview(timeline, folder, settings=settings, write_page=no_page)


def test_what_is_made_is_what_the_sheet_expects(timeline: Timeline, tmp_path: Path) -> None:
    run = previewed(timeline, tmp_path / "run", PreviewSettings())
    assert run.header.is_made
    assert run_sentence(run) == "preview, made and not heard: 2 contacts"
    with pytest.raises(InputError, match="must have been heard at a machine"):
        mark_reference(tmp_path / "run", by="AB")
    with pytest.raises(RecordingError, match="is of made sound, of a preview"):
        own_examples(tmp_path / "run", rate=24000)
    assert [c.verdict for c in run.contacts] == [VerdictKind.AS_EXPECTED] * 2
    for contact, expected in zip(run.contacts, timeline.contacts, strict=True):
        assert contact.heard is not None
        length = (contact.heard.offset - contact.heard.onset) / RATE
        assert length == pytest.approx(expected.stop - expected.start, abs=TURN_S)
        assert contact.expected is not None
        assert contact.heard.onset == pytest.approx(contact.expected.onset, abs=TURN_S * RATE)


def test_the_ear_hears_in_it_what_the_sheet_expects(timeline: Timeline, tmp_path: Path) -> None:
    """By the sheet: two contacts, both as expected, nothing else, no flag; `tools/bench preview` has more."""
    made = previewed(timeline, tmp_path / "made", PreviewSettings())
    assert made.sound_path is not None
    run = replay_recording(made.sound_path, job=JOB, out=tmp_path / "heard", write_page=no_page)
    assert [c.verdict for c in run.contacts] == [VerdictKind.AS_EXPECTED] * len(timeline.contacts)
    assert run.flags == ()


def test_a_preview_of_a_part_is_heard_against_that_part(tmp_path: Path) -> None:
    """The second contact alone, at 100 %: against the whole program it was taken for the first, cut short."""
    job = load_job(JOB)
    settings = PreviewSettings(contacts=(2, 2), feed_override=100.0)
    made = tmp_path / "made"
    make_preview(plan_job(job).timeline, made, settings=settings, job=job, write_page=no_page)
    run = replay_recording(made, job=None, out=tmp_path / "heard", write_page=no_page)
    assert [(contact.id, contact.verdict) for contact in run.contacts] == [(2, VerdictKind.AS_EXPECTED)]
    assert run_sentence(run).endswith("; its sound was made")
    with pytest.raises(InputError, match="is of made sound, of a preview; a reference must have been heard"):
        mark_reference(tmp_path / "heard", by="AB")
    again = replay_recording(tmp_path / "heard", job=None, out=tmp_path / "again", write_page=no_page)
    assert again.header.of_made_sound
    assert not again.header.is_made
    whole = replay_recording(made, job=JOB, out=tmp_path / "whole", write_page=no_page)
    assert [contact.id for contact in whole.contacts] == [1, 2]


@pytest.mark.parametrize(
    ("fault", "verdict"),
    [
        ("early", "started early"),
        ("missing", "not heard"),
        ("half-way", "ended early"),
        ("dull", "as expected"),
        ("rubbing", "as expected"),
    ],
)
def test_a_planted_fault_is_named(timeline: Timeline, tmp_path: Path, fault: str, verdict: str) -> None:
    run = previewed(timeline, tmp_path / "run", PreviewSettings(fault=fault))
    assert [str(c.verdict) for c in run.contacts] == ["as expected", verdict]


def test_a_tenth_of_the_feed_takes_ten_times_as_long(timeline: Timeline) -> None:
    """By hand: a contact at constant feed lasts length over feed; a turn's 7 ms are 1 % of the shorter."""
    whole, slow = (
        make_sound(
            cut_timeline(plan_at(timeline, percent), (1, 1)), PreviewSettings(contacts=(1, 1))
        ).truth.contacts[0]
        for percent in (100.0, 10.0)
    )
    assert (slow.stop - slow.start) / (whole.stop - whole.start) == pytest.approx(10.0, rel=0.02)


def plan_at(timeline: Timeline, percent: float) -> Timeline:
    return replace(timeline, feed_override=percent)


def test_only_the_contacts_asked_for_are_made(timeline: Timeline) -> None:
    cut = cut_timeline(timeline, (2, 2))
    assert [contact.id for contact in cut.contacts] == [2]
    assert cut.contacts[0].start == pytest.approx(LEAD_IN_S)
    assert np.all(cut.spans.start_s[1:] == cut.spans.stop_s[:-1])
    assert cut.spans.start_s[0] == 0.0
    with pytest.raises(InputError, match="has 2 contacts, none of them from 5 to 6"):
        cut_timeline(timeline, (5, 6))


def test_a_program_that_is_too_long_is_cut_after_the_last_contact_that_fits(
    timeline: Timeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its first comes within the lead-in, so that it begins at the start; the rest was made as air."""
    early = replace(timeline, contacts=(replace(timeline.contacts[0], start=1.0, stop=2.0),))
    monkeypatch.setattr("listen.coach.preview.LONGEST_S", 5.0)
    assert early.duration * 100.0 / early.feed_override > 5.0
    assert cut_timeline(replace(early, feed_override=100.0), None).duration == pytest.approx(2.0 + LEAD_OUT_S)


def test_passes_are_those_of_the_sheet(timeline: Timeline) -> None:
    ids = [i for one in timeline.passes for i in one.contact_ids]
    assert contacts_of_passes(timeline, (1, 9)) == (min(ids), max(ids))
    first = timeline.passes[0].contact_ids
    assert contacts_of_passes(timeline, (1, 1)) == (min(first), max(first))
    with pytest.raises(InputError, match="none of them from 8 to 9"):
        contacts_of_passes(timeline, (8, 9))


@pytest.mark.parametrize("text", ["a-b", "1-", "-2", "1-2-3"])
def test_a_range_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="written as 2-5 or 3"):
        read_range(text)


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"feed_override": float("nan")}, "got nan"),
        ({"fault": "earlier"}, "got 'earlier'"),
        ({"contacts": (3, 2)}, r"got \(3, 2\)"),
    ],
)
def test_nonsense_is_refused(settings: dict[str, object], told: str) -> None:
    with pytest.raises(InputError, match=told):
        PreviewSettings(**settings)  # type: ignore[arg-type]


def test_it_is_faster_than_twenty_times_real_time(timeline: Timeline) -> None:
    make_sound(timeline, PreviewSettings())  # compiles
    began = time.process_time()
    made = make_sound(timeline, PreviewSettings())
    assert time.process_time() - began < made.samples.size / RATE / 20.0 + 0.5


def test_the_sound_may_be_small_or_a_wav_beside_the_run_s_own(timeline: Timeline, tmp_path: Path) -> None:
    for sound, names in (("opus", ["sound.ogg"]), ("wav", ["sound.flac", "sound.wav"])):
        make_preview(
            timeline,
            tmp_path / sound,
            settings=PreviewSettings(contacts=(1, 1)),
            sound=sound,
            write_page=no_page,
        )
        assert sorted(path.name for path in (tmp_path / sound).glob("sound.*")) == names
    same, _ = soundfile.read(tmp_path / "wav" / "sound.wav", dtype="int16")
    kept, _ = soundfile.read(tmp_path / "wav" / "sound.flac", dtype="int16")
    np.testing.assert_allclose(same.astype(float), kept.astype(float), rtol=0, atol=1.0)
    with pytest.raises(InputError, match="sound must be one of flac, opus, wav; got 'mp3'"):
        make_preview(timeline, tmp_path / "mp3", settings=PreviewSettings(), sound="mp3", write_page=no_page)
