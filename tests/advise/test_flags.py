"""What a person is told, worked by hand: one cause, one flag."""

import re
from dataclasses import replace

import pytest

from listen.advise import Advise
from listen.followed import Position, Strength, Verdict, VerdictKind
from listen.marks import Mark, MarkKind
from listen.states import ContactSound, Event, Finding, State
from listen.timeline import Timeline
from listen.told import Cue, Flag
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


Given = Verdict | Finding | Event | Position | Cue | Mark | ContactSound


def flags(advise: Advise, *items: Given) -> list[Flag]:
    return [said for item in items for said in advise.push(item) if isinstance(said, Flag)]


def test_a_broken_tool_is_one_flag_however_many_passes_follow() -> None:
    later = [verdict(n, VerdictKind.NOT_HEARD) for n in (3, 4, 5, 6)]
    said = Advise(PROGRAM, RATE).push(verdict(2, VerdictKind.ENDED_EARLY), *later)
    assert [(type(item), item.kind, item.contact) for item in said] == [
        (Flag, "ended early", 2),
        (Cue, "nothing since", 2),
    ]
    assert "Nothing heard since contact 2 ended early" in said[1].text


def test_a_dry_run_is_one_finding() -> None:
    found = flags(Advise(PROGRAM, RATE), *(verdict(n, VerdictKind.NOT_HEARD) for n in range(1, 7)))
    assert [flag.kind for flag in found] == ["not heard"]
    assert "Nothing was heard so far." in found[0].text


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
    assert "2.1 mm early in Z" in said[0].text
    assert "Check tool length and work offset." in said[0].text
    assert said[1].kind == "length offset"
    assert "2.0 ±" in said[1].text


def test_plunges_that_are_early_by_different_amounts_have_one_cause_and_a_far_earlier_one_another() -> None:
    """Estimates scatter: 2.0, 3.1, 1.2 mm are one flag; 6.0 mm is more than 2.5 times their 2.0 mm."""
    advise = Advise(holes(), RATE)
    given = [
        verdict(n, VerdictKind.STARTED_EARLY, early_by_mm=early_mm, witness="earlier contact")
        for n, early_mm in enumerate((2.0, 3.1, 1.2, 6.0), start=1)
    ]
    assert [flag.contact for flag in flags(advise, *given)] == [1, 4]


def test_a_second_tool_that_is_early_by_as_much_is_no_new_flag() -> None:
    """T1 2.0 mm, T2 2.4 mm, within 30 %: one cause, and it is rather the offset; T3 by 5.0 mm is another."""
    tools = [contact(i, *place, way="drilling", tool=1 + i // 2) for i, place in enumerate(PASSES)]
    advise = Advise(timeline_of(PASSES, contacts=tuple(tools)), RATE)
    said: list[Flag | Cue] = []
    for number, early_mm in ((1, 2.0), (3, 2.4), (5, 5.0)):
        given = verdict(number, VerdictKind.STARTED_EARLY, early_by_mm=early_mm, witness="earlier contact")
        said += advise.push(given)
    assert [(type(item), item.contact) for item in said] == [(Flag, 1), (Cue, 3), (Flag, 5)]
    assert said[1].text == "T2 touches 2.4 mm early in Z, too: the work offset rather than a tool length?"


def test_a_contact_from_before_that_is_judged_in_the_silence_does_not_end_it() -> None:
    """Contact 2 ended early; contact 1, heard before it, is judged only afterwards: still one flag."""
    gone = verdict(2, VerdictKind.ENDED_EARLY, heard_onset=5000)
    unsure = verdict(1, VerdictKind.CANNOT_TELL, heard_onset=2000)
    later = [verdict(n, VerdictKind.NOT_HEARD, expected_onset=1000 * n + 5000) for n in (3, 4)]
    assert [flag.kind for flag in flags(Advise(PROGRAM, RATE), gone, unsure, *later)] == ["ended early"]
    again = verdict(3, VerdictKind.AS_EXPECTED, heard_onset=8000)
    told = [flag.kind for flag in flags(Advise(PROGRAM, RATE), gone, again, *later[1:])]
    assert told == ["ended early", "not heard"]


def test_a_row_of_early_side_entries_is_one_flag_without_a_claim_on_length() -> None:
    """From side entries no claim of a wrong length can be made; a good one between ends the row."""
    early = [
        verdict(n, VerdictKind.STARTED_EARLY, early_by_mm=2.0, witness="earlier contact") for n in (1, 2, 4)
    ]
    good = verdict(3, VerdictKind.AS_EXPECTED)
    found = flags(Advise(PROGRAM, RATE), early[0], early[1], good, early[2])
    assert [flag.contact for flag in found] == [1, 4]
    assert not any("in Z" in flag.text or "length and work" in flag.text for flag in found)


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
    knock = replace(touch, at=500, probability=0.8)  # what the ear is less sure of is said, and no flag
    found = flags(advise, verdict(1, VerdictKind.NOT_HEARD), knock, touch)
    assert [flag.kind for flag in found] == ["contact in a raised dry run"]


def sung(number: int, hz: float) -> list[ContactSound | Verdict]:
    """A contact that is over, with the tooth-pass frequency that its lines show."""
    start, stop = 10_000 * number, 10_000 * number + 8000
    sound = ContactSound(start=start, stop=stop, decided_at=stop, level_db=12.0, tooth_pass_hz=hz)
    return [sound, verdict(number, VerdictKind.AS_EXPECTED, heard_onset=start, heard_offset=stop)]


def test_a_wrong_speed_is_one_flag_with_the_speed_it_would_be() -> None:
    """5 flutes at 9000 rpm give 750 Hz; 600 Hz is 7200 rpm, or four flutes: 60 · 600 / 9000 = 4."""
    given = [item for n in (1, 2, 3, 4) for item in sung(n, 600.0)]
    found = flags(Advise(PROGRAM, RATE), *given)
    assert [(flag.kind, flag.contact) for flag in found] == [("tooth pass off", 2)]
    assert "says 7200 rpm or four flutes: 600 Hz in contacts 1 and 2, expected 750 Hz" in found[0].text


def test_a_speed_between_two_numbers_of_flutes_is_told_as_a_speed_alone() -> None:
    """652 Hz with 5 flutes is 7824 rpm; at 9000 rpm it would be 4.35 flutes."""
    found = flags(Advise(PROGRAM, RATE), *sung(1, 650.0), *sung(2, 652.0))
    assert "says 7824 rpm: 652 Hz" in found[0].text


@pytest.mark.parametrize(
    "tones",
    [
        (750.0, 760.0),  # as it should be, to 3 %
        (1500.0, 1500.0),  # its first harmonic
        (150.0, 150.0),  # the turning of the spindle
        (600.0, 650.0),  # two that do not agree
        (600.0, float("nan")),  # one alone
    ],
)
def test_no_wrong_speed_is_told_of(tones: tuple[float, float]) -> None:
    given = [item for n, hz in enumerate(tones, start=1) for item in sung(n, hz)]
    assert not flags(Advise(PROGRAM, RATE), *given)


@pytest.mark.parametrize(("way", "n_flags"), [("drilling", 0), ("side cut", 1)])
def test_a_hole_tells_no_speed(way: str, n_flags: int) -> None:
    """Both lips of a drill cut all the time: a line that stands out then is no tooth pass."""
    contacts = tuple(replace(each, way=way) for each in PROGRAM.contacts)
    advise = Advise(replace(PROGRAM, contacts=contacts), RATE)
    assert len(flags(advise, *sung(1, 234.0), *sung(2, 234.0))) == n_flags


def z_read(z: float) -> Mark:
    return Mark(at=9000, kind=MarkKind.POSITION, source="operator", place=(float("nan"), float("nan"), z))


def here(number: int) -> Position:
    return Position(at=0, program_time=2.0, line=10, spread=0.1, rate=1.0, next_contact=number)


TOUCH = Event(state=State.ENTRY, at=800, decided_at=1000, probability=0.9)
HOLD = Mark(at=8500, kind=MarkKind.HOLD, source="operator")


def test_a_z_read_while_touching_is_a_witness() -> None:
    """By hand: first touch is expected at Z 0; held in the touch the control reads Z 1.8."""
    advise = Advise(holes(), RATE)
    found = flags(advise, here(1), TOUCH, HOLD, z_read(1.8))
    assert [(flag.kind, flag.contact) for flag in found] == [("started early", 1)]
    assert "at least 1.8 mm early in Z" in found[0].text
    assert "Z 1.80 read while touching, first touch is expected at Z 0.00" in found[0].text
    again = verdict(1, VerdictKind.STARTED_EARLY, early_by_mm=2.0, witness="operator")
    assert not flags(advise, again)  # one cause, one flag


@pytest.mark.parametrize(
    "items",
    [
        (here(1), TOUCH, HOLD, z_read(-0.4)),  # a little into the cut, as it should be
        (here(1), TOUCH, z_read(1.8)),  # it moves
        (here(1), TOUCH, HOLD, here(2), z_read(20.0)),  # out again
        (here(1), HOLD, z_read(20.0)),  # nothing touched yet
    ],
)
def test_a_z_read_elsewhere_is_no_flag(items: tuple[Position | Event | Mark, ...]) -> None:
    assert not flags(Advise(holes(), RATE), *items)


def test_from_a_side_entry_a_z_that_was_read_tells_nothing_of_the_length() -> None:
    assert not flags(Advise(PROGRAM, RATE), here(1), TOUCH, HOLD, z_read(1.8))


def test_a_contact_that_goes_on_is_told_in_the_present() -> None:
    """Ended late: while it goes on the spindle must not be stopped; afterwards it is in the past."""
    given = {"expected_offset": 40_000, "expected_onset": 8000, "heard_onset": 8000}
    (on,) = flags(Advise(PROGRAM, RATE), verdict(1, VerdictKind.ENDED_LATE, **given))
    (over,) = flags(Advise(PROGRAM, RATE), verdict(1, VerdictKind.ENDED_LATE, heard_offset=56_000, **given))
    assert on.text.startswith("STILL CUTTING: contact 1, T1, line 10.")
    assert "Do not stop the spindle" in on.text
    assert over.text.startswith(
        "Ended late: contact 1, T1, line 10. Heard until 7.0 s, expected until 5.0 s."
    )


def test_a_flag_can_be_checked() -> None:
    """Times, line, expected against heard, and what ties the millimetres to a place."""
    given = verdict(
        2,
        VerdictKind.STARTED_EARLY,
        probability=0.9,
        heard_onset=8000,
        heard_offset=16_000,
        expected_onset=12_000,
        early_by_mm=8.13,
        witness="earlier contact",
    )
    (flag,) = flags(Advise(PROGRAM, RATE), given)
    assert flag.text == (
        "Likely started 8.1 mm early: contact 2, T1, line 12. Heard at 1.0 s, expected at 1.5 s, counted "
        "from the earlier contact. Check work offset, tool length and stock size."
    )


def test_a_guess_waits_for_a_sure_position_and_a_contact_does_not() -> None:
    advise = Advise(PROGRAM, RATE)
    early, touch = (Cue(at=1, kind=kind, contact=1, text="") for kind in ("before its line", "contact"))
    assert advise.push(early) == ()
    assert advise.push(touch) == (touch,)
    advise.push(here(1))
    assert advise.push(early) == (early,)


def test_nothing_on_screen_says_that_it_is_safe() -> None:
    """The tool never says that a start is in order, nor proposes raising an override."""
    advise = Advise(PROGRAM, RATE)
    kinds = [kind for kind in VerdictKind if kind != VerdictKind.UNEXPECTED]
    strengths = [verdict(1, VerdictKind.AS_EXPECTED, strength=s) for s in Strength]
    given = [*(verdict(1, kind) for kind in kinds), *strengths, *sung(1, 600.0), *sung(2, 600.0)]
    for item in given:
        for said in advise.push(item):
            assert not re.search(r"\b(safe|ok|okay|good|raise)\b", said.text.lower())


def test_a_row_of_contacts_that_no_line_explains_is_one_flag() -> None:
    """The place is lost: said once, and again only after a contact was where it should be."""
    strange = verdict(None, VerdictKind.UNEXPECTED)
    told = [strange, strange, strange, verdict(1, VerdictKind.AS_EXPECTED), strange]
    advise = Advise(PROGRAM, RATE)
    assert [len(advise.push(each)) for each in told] == [1, 0, 0, 0, 1]


def test_a_tool_in_the_spindle_that_the_program_does_not_call_is_said_once() -> None:
    """By hand: the program has T1; the control tells of T1, of none, of T7 twice."""
    marks = [
        Mark(at=RATE * i, kind=MarkKind.TOOL, source="controller", value=t)
        for i, t in enumerate((1, 0, 7, 7))
    ]
    said = flags(Advise(PROGRAM, RATE), *marks)
    assert [(flag.kind, flag.at) for flag in said] == [("another tool", 2 * RATE)]
    assert "T7 is in the spindle; this program has T1." in said[0].text


def test_a_sound_that_changed_once_a_turn_says_by_how_much_and_asks_for_the_cutter() -> None:
    found = Finding(
        kind="sound changed once a turn",
        start=8000,
        stop=21000,
        decided_at=21000,
        frequency_hz=150.0,
        level_db=7.6,
        probability=0.9,
    )
    (said,) = flags(Advise(PROGRAM, RATE), found)
    assert (said.kind, said.at) == ("sound changed once a turn", 21000)
    assert said.text == (
        "Sound changed once a turn at 1.0 s, 150 Hz. Its lines rose by 8 dB against those of the teeth: "
        "is a tooth broken? Look at the cutter."
    )


@pytest.mark.parametrize(
    ("kind", "start_s", "way", "told"),
    [
        ("chatter", 0.5, "drilling", 0),
        ("chatter", 3.0, "drilling", 1),
        ("chatter", 0.5, "side cut", 1),
        ("clipping", 0.5, "drilling", 1),
    ],
    ids=["while the point goes in", "in full", "side cut", "a microphone may clip at any time"],
)
def test_a_drill_that_sings_while_its_point_goes_in_is_no_chatter(
    kind: str, start_s: float, way: str, told: int
) -> None:
    """At a tenth of the feed 0.2 s of the program are 2 s: a drill may squeal for so long."""
    cuts = (contact(0, 2.0, 4.0, way=way, ramp_in=0.2, ramp_out=0.0),)
    start = round(start_s * RATE)  # the contact begins with the recording
    found = Finding(
        kind=kind,
        start=start,
        stop=start + RATE,
        decided_at=start + RATE,
        frequency_hz=1174.0,
        level_db=30.0,
        probability=0.95,
    )
    place = Position(
        at=start + RATE,
        program_time=2.0 + 0.1 * (start_s + 1.0),
        line=10,
        spread=0.01,
        rate=0.1,
        next_contact=1,
        witness="earlier contact",
    )
    advise = Advise(timeline_of([(2.0, 4.0)], contacts=cuts), RATE)
    assert len(flags(advise, place, found)) == told
