"""What the replay page is told."""

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from listen.blocks import Block
from listen.followed import Strength, Verdict, VerdictKind
from listen.record import RunWriter
from listen.record.words import run_sentence
from listen.report import contact_table
from listen.show.run_page import run_page
from listen.timeline import Timeline
from listen.told import Flag
from tests.follow.runs import timeline_of

pytestmark = pytest.mark.closed
RATE = 8000


def test_flags_stand_in_the_order_in_which_they_happened(tmp_path: Path) -> None:
    """One that was found when the run was heard again was written last, and may be the first to look at."""
    with RunWriter(tmp_path / "run", rate=RATE, live=False, sound="none") as writer:
        writer.push(Block(samples=np.zeros(RATE * 9), start=0, rate=RATE))
        for at_s, kind in ((7, "not heard"), (3, "started early")):
            writer.push(Flag(at=at_s * RATE, kind=kind, contact=None, text="Look."))
        run = writer.finish()
    assert [flag["kind"] for flag in run_page(run)["flags"]] == ["started early", "not heard"]


def called(timeline: Timeline, kind: VerdictKind, probability: float) -> Verdict:
    """A call of the only contact, heard a second early."""
    return Verdict(
        contact=timeline.contacts[0].id,
        kind=kind,
        probability=probability,
        called_at=7 * RATE,
        expected_onset=2 * RATE,
        expected_offset=6 * RATE,
        heard_onset=RATE,
        heard_offset=6 * RATE,
        early_by_mm=None,
        witness="",
        strength=Strength.CANNOT_TELL,
        reason="",
    )


@pytest.mark.parametrize(("probability", "word"), [(0.69, "likely"), (0.95, "sure")])
def test_the_page_says_how_sure_a_call_was_at_the_time(tmp_path: Path, probability: float, word: str) -> None:
    """By hand: one expected contact that was called early while it ran, and nothing else."""
    timeline = timeline_of([(2.0, 6.0)])
    early = called(timeline, VerdictKind.STARTED_EARLY, probability)
    with RunWriter(tmp_path / "run", rate=RATE, live=False, sound="none", timeline=timeline) as writer:
        writer.push(Block(samples=np.zeros(RATE * 9), start=0, rate=RATE), early)
        run = writer.finish()
    (row,) = run_page(run)["contacts"]
    assert row["live"] == {"verdict": "started early", "sure": word, "called_s": 7.0}


def test_a_contact_that_cannot_be_told_is_named_and_no_surer_than_that(tmp_path: Path) -> None:
    timeline = timeline_of([(2.0, 6.0)])
    untold = called(timeline, VerdictKind.CANNOT_TELL, 0.4)
    with RunWriter(tmp_path / "run", rate=RATE, live=False, sound="none", timeline=timeline) as writer:
        writer.push(Block(samples=np.zeros(RATE * 9), start=0, rate=RATE), untold)
        run = writer.finish()
    assert run_sentence(run).endswith(f"1 cannot tell ({timeline.contacts[0].block})")
    columns = contact_table(run).columns
    assert [next(iter(column.cells)) for column in columns[-2:]] == ["cannot tell", "-"]


def test_contacts_after_the_end_and_pecks_of_one_line_are_counted_as_such(tmp_path: Path) -> None:
    """By hand: four untold within 9 s, two of them on line 79, and one that would come at 20 s."""
    timeline = timeline_of([(1.0, 2.0), (3.0, 4.0), (5.0, 6.0), (7.0, 8.0), (20.0, 21.0)])
    first = replace(timeline.contacts[0], block="line 79")
    pecks = tuple(replace(contact, block="line 79") for contact in timeline.contacts[1:2])
    contacts = (first, *pecks, *timeline.contacts[2:])
    timeline = replace(timeline, contacts=contacts)
    untold = [
        replace(
            called(timeline, VerdictKind.CANNOT_TELL, 0.4),
            contact=contact.id,
            expected_onset=round(contact.start * RATE),
            expected_offset=round(contact.stop * RATE),
        )
        for contact in contacts
    ]
    with RunWriter(tmp_path / "run", rate=RATE, live=False, sound="none", timeline=timeline) as writer:
        writer.push(Block(samples=np.zeros(RATE * 9), start=0, rate=RATE), *untold)
        run = writer.finish()
    labels = [row["label"] for row in run_page(run)["contacts"]]
    assert labels[:3] == ["line 79, contact 1", "line 79, contact 2", contacts[2].block]
    third, fourth = contacts[2].block, contacts[3].block
    told = f"5 expected, 0 heard as expected, 0 not heard, 4 cannot tell (line 79, {third}, {fourth})"
    assert run_sentence(run) == f"{told}, 1 after the end of the recording"


def test_the_table_names_contact_and_tool_on_a_narrow_terminal(tmp_path: Path) -> None:
    """80 columns, half an hour into a recording: number and tool were squeezed out to one letter a line."""
    timeline = timeline_of([(1002.0, 1006.0)])
    contact = replace(timeline.contacts[0], block="N240 in O2000.nc")
    early = called(replace(timeline, contacts=(contact,)), VerdictKind.STARTED_EARLY, 0.99)
    early = replace(early, heard_onset=1001 * RATE, heard_offset=1006 * RATE, early_by_mm=2.5, witness="mark")
    early = replace(early, expected_onset=1002 * RATE, expected_offset=1006 * RATE, strength=Strength.HEAVIER)
    timeline = replace(timeline, contacts=(contact,))
    with RunWriter(tmp_path / "run", rate=RATE, live=False, sound="none", timeline=timeline) as writer:
        writer.push(Block(samples=np.zeros(RATE), start=0, rate=RATE), early)
        run = writer.finish()
    screen = io.StringIO()
    Console(file=screen, width=80).print(contact_table(run))
    head, _, row, *_ = (line for line in screen.getvalue().splitlines() if line.strip())
    assert head.split()[:3] == ["#", "tool", "line"]
    number, tool = str(contact.id), f"T{contact.tool}"
    assert row.split()[:5] == [number, tool, "N240", "in", "O2000.nc"]
    assert "1002.00\u20131006.00" in row
    assert "1001.00\u20131006.00" in row
