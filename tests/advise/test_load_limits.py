"""Load of each contact against the sheet, worked by hand."""

from dataclasses import replace

import pytest

from listen.advise import Advise
from listen.followed import Verdict, VerdictKind
from listen.states import ContactLoad
from listen.told import Flag
from tests.follow.runs import contact, timeline_of

pytestmark = pytest.mark.closed
RATE = 8000
PASSES = [(2.0 + 3.0 * i, 4.0 + 3.0 * i) for i in range(6)]
EXPECTED = [10.0, 20.0, 10.0, 5.0, 10.0, 10.0]
CONTACTS = tuple(
    replace(contact(i, a, b), load_percent=expected)
    for i, ((a, b), expected) in enumerate(zip(PASSES, EXPECTED, strict=True))
)
PROGRAM = timeline_of(PASSES, contacts=CONTACTS)


def load(i: int, rise: float, kind: str) -> ContactLoad:
    start, stop = (round(t * RATE) for t in PASSES[i])
    return ContactLoad(start=start + 800, stop=stop + 800, decided_at=stop + 2000, rise=rise, kind=kind)


def verdict(i: int) -> Verdict:
    start, stop = (round(t * RATE) for t in PASSES[i])
    return Verdict(
        contact=CONTACTS[i].id,
        kind=VerdictKind.AS_EXPECTED,
        probability=0.9,
        called_at=stop + 100,
        heard_onset=start,
        heard_offset=stop,
    )


def flags(
    rises: list[float], *, kind: str = "current_a", load_first: bool = False
) -> list[tuple[str, int | None]]:
    advise, said = Advise(PROGRAM, RATE), []
    for i, rise in enumerate(rises):
        pair = (verdict(i), load(i, rise, kind))
        said += [item for one in (pair[::-1] if load_first else pair) for item in advise.push(one)]
    return [(item.kind, item.contact) for item in said if isinstance(item, Flag)]


@pytest.mark.parametrize("load_first", [False, True])
@pytest.mark.parametrize("kind", ["current_a", "load_percent"])
def test_a_contact_that_draws_more_or_less_than_the_sheet_beside_the_others_is_a_flag(
    kind: str, load_first: bool
) -> None:
    """By hand: all draw 1.1 times the sheet; the fourth twice that (10 for 5), the sixth a third of it."""
    said = flags([11.0, 22.0, 11.0, 11.0, 11.0, 3.7], kind=kind, load_first=load_first)
    assert said == [("load too high", CONTACTS[3].id), ("load too low", CONTACTS[5].id)]


def test_a_sheet_that_is_off_by_one_factor_everywhere_is_no_flag() -> None:
    assert flags([6.0, 12.0, 6.0, 3.0, 6.0, 6.0], kind="load_percent") == []


def test_before_there_are_others_only_percent_far_above_the_sheet_is_a_flag() -> None:
    assert flags([30.0], kind="load_percent") == [("load too high", CONTACTS[0].id)]
    assert flags([30.0], kind="current_a") == []
    assert flags([3.0], kind="load_percent") == []


def test_the_flag_says_how_much_of_what_is_expected() -> None:
    advise = Advise(PROGRAM, RATE)
    (said,) = [*advise.push(verdict(0)), *advise.push(load(0, 30.0, "load_percent"))]
    assert "300 % of what is expected" in said.text
    assert "Hold" in said.text


def test_a_load_that_overlaps_no_contact_and_a_contact_without_load_say_nothing() -> None:
    advise = Advise(PROGRAM, RATE)
    assert advise.push(verdict(0)) == ()
    assert advise.push(load(3, 30.0, "load_percent")) == ()
