"""Flags that only the whole run shows, worked by hand."""

from dataclasses import replace

import pytest

from listen.advise import flags_afterwards
from listen.followed import Verdict, VerdictKind
from listen.told import Flag
from tests.follow.runs import timeline_of

pytestmark = pytest.mark.closed
RATE = 8000
END = 30 * RATE
PASSES = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(6)]
PROGRAM = timeline_of(PASSES)


def verdict(number: int, kind: VerdictKind) -> Verdict:
    """As the whole run gives it: called at its end, 0.95 sure."""
    start, stop = (round(at * RATE) for at in PASSES[number - 1])
    is_silent = kind in (VerdictKind.NOT_HEARD, VerdictKind.CANNOT_TELL)
    heard = (None, None) if is_silent else (start, stop)
    return Verdict(
        contact=number,
        kind=kind,
        probability=0.95,
        called_at=END,
        expected_onset=start,
        expected_offset=stop,
        heard_onset=heard[0],
        heard_offset=heard[1],
        reason="line 10: heard 5.00 s, expected 6.00 s",
    )


def verdicts(**kinds: VerdictKind) -> list[Verdict]:
    """All six as expected but for those named, as `c2=...`."""
    return [verdict(n, kinds.get(f"c{n}", VerdictKind.AS_EXPECTED)) for n in range(1, 7)]


def told(kind: str, contact: int | None) -> Flag:
    return Flag(at=5 * RATE, kind=kind, contact=contact, text="at the time")


def of(found: tuple[Flag, ...]) -> list[tuple[str, int | None, float]]:
    return [(flag.kind, flag.contact, flag.at / RATE) for flag in found]


def test_a_run_as_expected_raises_none() -> None:
    assert flags_afterwards(PROGRAM, verdicts(), [], RATE) == ()


def test_what_was_missed_at_the_time_is_one_flag_at_its_place() -> None:
    """A tool lost in pass 3, called as expected at the time: one cause, one flag, where pass 3 ended."""
    lost = verdicts(c3=VerdictKind.ENDED_EARLY, **{f"c{n}": VerdictKind.NOT_HEARD for n in (4, 5, 6)})
    found = flags_afterwards(PROGRAM, lost, [], RATE)
    assert of(found) == [("ended early", 3, 10.0)]
    assert found[0].text.endswith("Found when the run was heard again, not at the time.")


@pytest.mark.parametrize(
    ("kind", "contact"), [("ended early", 3), ("not heard", 4), ("not heard", 6), ("started late", 3)]
)
def test_what_was_flagged_at_the_time_is_not_flagged_again(kind: str, contact: int) -> None:
    lost = verdicts(c3=VerdictKind.ENDED_EARLY, **{f"c{n}": VerdictKind.NOT_HEARD for n in (4, 5, 6)})
    assert flags_afterwards(PROGRAM, lost, [told(kind, contact)], RATE) == ()


def test_a_row_flagged_at_its_first_is_not_flagged_again_where_that_one_cannot_be_told() -> None:
    """Two passes taken out: flagged at the first of them, which the whole run leaves open."""
    taken_out = verdicts(c3=VerdictKind.CANNOT_TELL, c4=VerdictKind.NOT_HEARD)
    assert flags_afterwards(PROGRAM, taken_out, [told("not heard", 3)], RATE) == ()
    assert of(flags_afterwards(PROGRAM, taken_out, [told("not heard", 1)], RATE)) == [("not heard", 4, 13.0)]


def test_a_flag_for_another_cause_does_not_cover_it() -> None:
    """Chatter in pass 2 and pass 5 not heard say nothing of pass 2 that began early."""
    found = flags_afterwards(
        PROGRAM,
        verdicts(c2=VerdictKind.STARTED_EARLY, c5=VerdictKind.NOT_HEARD),
        [told("chatter", 2), told("not heard", 5)],
        RATE,
    )
    assert of(found) == [("started early", 2, 7.0)]


@pytest.mark.parametrize(
    ("kind", "later_s", "flagged"),
    [("unexpected", 3.0, 0), ("unexpected", -3.0, 0), ("unexpected", 3.1, 1), ("started late", 0.0, 1)],
)
def test_a_contact_that_no_line_explains_was_told_by_a_flag_of_its_kind_and_near_it(
    kind: str, later_s: float, flagged: int
) -> None:
    """It has no number by which to know it again: heard from 20 to 21 s, told within 3 s of its end."""
    strange = replace(
        verdict(6, VerdictKind.AS_EXPECTED),
        kind=VerdictKind.UNEXPECTED,
        contact=None,
        expected_onset=None,
        expected_offset=None,
        heard_onset=20 * RATE,
        heard_offset=21 * RATE,
    )
    at_the_time = Flag(at=round((21.0 + later_s) * RATE), kind=kind, contact=None, text="at the time")
    found = flags_afterwards(PROGRAM, [*verdicts(), strange], [at_the_time], RATE)
    assert of(found) == [("unexpected", None, 21.0)] * flagged
