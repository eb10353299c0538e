"""Spindle heard or not: what is told in a hold, and what half a second of air must be like."""

import dataclasses

import pytest

from listen.advise import Advise
from listen.advise.spindle import Heard, spindle_heard
from listen.followed import Position
from listen.marks import Mark, MarkKind
from listen.states import AirSound, Event, State
from listen.timeline import Timeline
from listen.told import Cue
from tests.follow.runs import timeline_of

pytestmark = pytest.mark.closed
RATE = 8000
NAN = float("nan")
TURNS = AirSound(at=RATE, below_db=0.5, over_quiet_db=14.0, lines_hz=(300.0, 602.0))


def stands(at_s: float, n: int = 3) -> list[AirSound]:
    """The last `n` half seconds before `at_s` without a spindle."""
    times = [round((at_s - 0.5 * (n - 1 - i)) * RATE) for i in range(n)]
    return [AirSound(at=at, below_db=12.0, over_quiet_db=0.5) for at in times]


def turns(at_s: float, n: int = 2) -> list[AirSound]:
    """The same with the spindle turning."""
    return [dataclasses.replace(TURNS, at=air.at) for air in stands(at_s, n)]


PROGRAM: Timeline = timeline_of([(2.0, 6.0), (10.0, 14.0)])  # 9000 rpm: 150 Hz


@pytest.mark.parametrize(
    ("air", "heard"),
    [
        ({}, Heard.YES),
        ({"lines_hz": (300.0,)}, Heard.UNSURE),  # one line may be chance
        ({"lines_hz": (330.0, 620.0)}, Heard.UNSURE),  # a pump
        ({"over_quiet_db": 3.0}, Heard.UNSURE),  # nothing quieter is known: what a stop sounds like
        ({"below_db": -9.0}, Heard.UNSURE),  # louder than the air: coolant, talk
        ({"below_db": NAN}, Heard.UNSURE),  # no contact yet, so no air to hold it against
        ({"below_db": 4.5}, Heard.UNSURE),
        ({"below_db": 8.0}, Heard.UNSURE),  # quieter, and its lines are there: coolant off
        ({"below_db": 8.0, "lines_hz": ()}, Heard.UNSURE),  # half-way down: coolant off, or a fan
        ({"below_db": 8.0, "lines_hz": (), "over_quiet_db": 4.0}, Heard.NO),
        ({"below_db": 3.0, "lines_hz": (), "over_quiet_db": 0.0}, Heard.UNSURE),  # hardly a difference
        ({"lines_hz": (), "gone_hz": (300.0, 602.0)}, Heard.NO),
        ({"lines_hz": (), "gone_hz": (300.0,)}, Heard.UNSURE),
        ({"lines_hz": (), "gone_hz": (300.0, 602.0), "below_db": -3.0}, Heard.UNSURE),  # drowned
        ({"below_db": 4.5, "lines_hz": (), "over_quiet_db": 1.0}, Heard.NO),
    ],
)
def test_when_in_doubt_unsure(air: dict[str, object], heard: Heard) -> None:
    given = {"below_db": 0.5, "over_quiet_db": 14.0, "lines_hz": (300.0, 602.0)} | air
    assert spindle_heard(AirSound(at=0, **given), rpm=9000.0) is heard  # type: ignore[arg-type]


@pytest.mark.parametrize("rpm", [0.0, 900.0])
def test_without_a_speed_or_with_one_whose_lines_run_together_it_is_never_yes(rpm: float) -> None:
    assert spindle_heard(TURNS, rpm=rpm) is Heard.UNSURE


def mark(kind: MarkKind, at_s: float = 1.0) -> Mark:
    return Mark(at=round(at_s * RATE), kind=kind, source="operator")


def place(at_s: float, rate: float = 1.0) -> Position:
    at = round(at_s * RATE)
    return Position(at=at, program_time=8.0, line=12, spread=0.1, rate=rate, next_contact=2)


def told(*items: Mark | Position | AirSound | Event) -> list[str]:
    found = Advise(PROGRAM, RATE).push(*items)
    return [item.kind for item in found if isinstance(item, Cue) and item.kind.startswith("spindle")]


def test_nothing_is_told_while_the_program_runs() -> None:
    assert told(place(0.5), *turns(1.0), *stands(2.5), place(3.0)) == []


def test_in_a_hold_it_is_told_once_and_again_when_it_changes() -> None:
    assert told(place(0.5), *turns(1.0), mark(MarkKind.HOLD), *turns(1.5), *stands(3.5), place(3.5, 0.0)) == [
        "spindle heard",
        "spindle unsure",
        "spindle not heard",
    ]


def test_one_odd_half_second_changes_no_word() -> None:
    odd = dataclasses.replace(TURNS, at=round(1.5 * RATE), lines_hz=())
    assert told(place(0.5), *turns(1.0), mark(MarkKind.HOLD), odd, *turns(2.0, 1)) == ["spindle heard"]


def test_standing_still_for_a_while_is_a_hold_too() -> None:
    """Three places in a row; one or two are a guess."""
    places = [place(1.0, 0.0), place(1.5, 0.0), place(2.0, 0.0)]
    assert told(*stands(1.0), *places[:2]) == []
    assert told(*stands(1.0), *places) == ["spindle not heard"]


def test_old_sound_is_no_evidence() -> None:
    assert told(place(0.5), *turns(1.0), mark(MarkKind.HOLD, 4.0)) == ["spindle unsure"]


def test_going_on_without_a_spindle_is_told_at_once() -> None:
    advise = Advise(PROGRAM, RATE)
    advise.push(place(0.5), mark(MarkKind.HOLD), *stands(2.0))
    found = [item for item in advise.push(mark(MarkKind.RESUME, 2.0)) if isinstance(item, Cue)]
    assert found[-1].text == "SPINDLE NOT HEARD, and the program goes on: hold."


def test_a_spindle_that_was_stopped_in_the_hold_is_asked_for() -> None:
    before = (place(0.5), mark(MarkKind.HOLD), mark(MarkKind.SPINDLE_OFF))
    assert told(*before, mark(MarkKind.RESUME, 5.0))[-1] == "spindle not heard"
    assert told(*before, mark(MarkKind.SPINDLE_ON, 4.0), mark(MarkKind.RESUME, 5.0)) == ["spindle unsure"]


def test_a_contact_ends_the_hold() -> None:
    touch = Event(state=State.ENTRY, at=RATE, decided_at=RATE, probability=0.9)
    assert told(place(0.5), mark(MarkKind.HOLD, 0.6), touch, *stands(3.0)) == ["spindle unsure"]
