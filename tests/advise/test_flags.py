"""What a person is told, worked by hand: one cause, one flag."""

import re

import pytest

from listen.advise import Advise
from listen.states import Event, Finding, State
from listen.timeline import Cue, Flag, Position, Strength, Timeline, Verdict, VerdictKind
from tests.follow.runs import contact, timeline_of

pytestmark = pytest.mark.closed
RATE = 8000
PASSES = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(6)]
PROGRAM = timeline_of(PASSES)


def holes() -> Timeline:
    """Six plunges."""
    drilled = tuple(contact(i, a, b, way="drilling") for i, (a, b) in enumerate(PASSES))
    return timeline_of(PASSES, contacts=drilled)


def verdict(number: int | None, kind: VerdictKind, **more: object) -> Verdict:
    heard = None if kind == VerdictKind.NOT_HEARD else 100
    given: dict[str, object] = {
        "contact": number,
        "kind": kind,
        "probability": 0.95,
        "called_at": 1000,
        "heard_onset": heard,
        "reason": "line 10: heard 5.00 s, expected 6.00 s",
    }
    return Verdict(**(given | more))  # type: ignore[arg-type]


def flags(advise: Advise, *items: Verdict | Finding | Event | Position | Cue) -> list[Flag]:
    return [said for item in items for said in advise.push(item) if isinstance(said, Flag)]


def test_a_broken_tool_is_one_flag_however_many_passes_follow() -> None:
    later = [verdict(n, VerdictKind.NOT_HEARD) for n in (3, 4, 5, 6)]
    found = flags(Advise(PROGRAM, RATE), verdict(2, VerdictKind.ENDED_EARLY), *later)
    assert [flag.kind for flag in found] == ["ended early"]


def test_a_dry_run_is_one_finding() -> None:
    found = flags(Advise(PROGRAM, RATE), *(verdict(n, VerdictKind.NOT_HEARD) for n in range(1, 7)))
    assert [flag.kind for flag in found] == ["not heard"]
    assert "nothing heard so far" in found[0].text


def test_two_missing_contacts_with_a_good_one_between_are_two_flags() -> None:
    found = flags(
        Advise(PROGRAM, RATE),
        verdict(1, VerdictKind.AS_EXPECTED),
        verdict(2, VerdictKind.NOT_HEARD),
        verdict(3, VerdictKind.AS_EXPECTED),
        verdict(4, VerdictKind.NOT_HEARD),
    )
    assert [flag.contact for flag in found] == [2, 4]


def test_a_wrong_length_is_one_flag_and_one_estimate() -> None:
    """2.1, 1.9, 2.0 mm: median 2.0 mm."""
    advise = Advise(holes(), RATE)
    said: list[Flag | Cue] = []
    for number, early_mm in enumerate((2.1, 1.9, 2.0, 2.1), start=1):
        given = verdict(number, VerdictKind.STARTED_EARLY, early_by_mm=early_mm, witness="earlier contact")
        said += advise.push(given)
    assert [type(item) for item in said] == [Flag, Cue]
    assert "check tool length or work offset" in said[0].text
    assert said[1].kind == "length offset"
    assert "2.0 ±" in said[1].text


def test_a_row_of_early_side_entries_is_one_flag_without_a_claim_on_length() -> None:
    """From side entries no claim of a wrong length can be made; a good one between ends the row."""
    early = [
        verdict(n, VerdictKind.STARTED_EARLY, early_by_mm=2.0, witness="earlier contact") for n in (1, 2, 4)
    ]
    good = verdict(3, VerdictKind.AS_EXPECTED)
    found = flags(Advise(PROGRAM, RATE), early[0], early[1], good, early[2])
    assert [flag.contact for flag in found] == [1, 4]
    assert not any("length or work" in flag.text for flag in found)


def test_an_unsure_verdict_is_no_flag() -> None:
    assert not flags(Advise(PROGRAM, RATE), verdict(1, VerdictKind.STARTED_EARLY, probability=0.62))


def test_heavier_contacts_in_a_row_are_one_flag() -> None:
    given = [
        verdict(n, VerdictKind.AS_EXPECTED, strength=s)
        for n, s in enumerate([Strength.AS_EXPECTED, Strength.HEAVIER, Strength.HEAVIER], start=1)
    ]
    assert [flag.kind for flag in flags(Advise(PROGRAM, RATE), *given)] == ["heavier"]


def test_any_contact_in_a_raised_dry_run_is_a_flag_and_silence_is_none() -> None:
    advise = Advise(timeline_of(PASSES, kind="raised dry run"), RATE)
    touch = Event(state=State.ENTRY, at=800, decided_at=1000, probability=0.9)
    found = flags(advise, verdict(1, VerdictKind.NOT_HEARD), touch)
    assert [flag.kind for flag in found] == ["contact in a raised dry run"]


def test_a_wrong_speed_is_told_with_the_speed_it_would_be() -> None:
    """5 flutes at 9000 rpm give 750 Hz; 600 Hz is 7200 rpm, or four flutes: 60 · 600 / 9000 = 4."""
    advise = Advise(PROGRAM, RATE)
    here = Position(at=0, program_time=2.0, line=10, spread=0.1, rate=1.0, next_contact=1)
    off = Finding(
        kind="tooth pass off",
        start=8000,
        stop=12000,
        decided_at=12000,
        frequency_hz=600.0,
        level_db=10.0,
        probability=0.95,
    )
    found = flags(advise, here, off, off)
    assert len(found) == 1
    assert "600 Hz says 7200 rpm or 4 flutes, expected 750 Hz" in found[0].text


def test_a_hold_cue_waits_for_a_sure_position_and_a_contact_cue_does_not() -> None:
    advise = Advise(PROGRAM, RATE)
    hold, touch = (Cue(at=1, kind=kind, contact=1, text="") for kind in ("hold now", "contact"))
    assert advise.push(hold) == ()
    assert advise.push(touch) == (touch,)
    advise.push(Position(at=0, program_time=2.0, line=10, spread=0.1, rate=1.0, next_contact=1))
    assert advise.push(hold) == (hold,)


def test_nothing_on_screen_says_that_it_is_safe() -> None:
    """The tool never says that a start is in order, nor proposes raising an override."""
    advise = Advise(PROGRAM, RATE)
    kinds = [kind for kind in VerdictKind if kind != VerdictKind.UNEXPECTED]
    for kind in kinds:
        for said in advise.push(verdict(1, kind)):
            assert not re.search(r"\b(safe|ok|okay|good|raise)\b", said.text.lower())
