"""The live run in a terminal: the four things, the approach, and the questions of a hold."""

import io
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from listen.blocks import Block
from listen.followed import Position
from listen.hear.digital_silence import LEAST, SILENT_S
from listen.marks import Mark, MarkKind
from listen.show.board import MUTED_S, ZERO_POWER
from listen.show.terminal import TerminalScreen
from listen.states import Event, Finding, Standing, State
from listen.timeline import Timeline
from listen.told import Cue
from tests.follow.runs import timeline_of

pytestmark = pytest.mark.closed
RATE = 8000
PROGRAM: Timeline = timeline_of([(2.0, 6.0), (10.0, 14.0)])


def place(*, witness: str, rate: float = 1.0) -> Position:
    at = RATE // 2
    return Position(at=at, program_time=7.0, line=11, spread=0.1, rate=rate, next_contact=2, witness=witness)


def inside(state: State) -> tuple[Event, Position]:
    """At 3.0 s of program, where contact 1 is running."""
    event = Event(state=state, at=0, decided_at=1, probability=0.9)
    return event, replace(place(witness="earlier contact"), program_time=3.0, line=4, next_contact=1)


def drawn(*items: Position | Cue | Mark | Event) -> str:
    """What stands in the terminal after one second of sound, as one line."""
    console = Console(file=io.StringIO(), width=200)
    screen = TerminalScreen(rate=RATE, timeline=PROGRAM, console=console)
    screen.hear(Block(samples=np.full(RATE, 0.01), start=0, rate=RATE))
    for item in items:
        screen._board.tell(item)
    return shown(screen)


def shown(screen: TerminalScreen) -> str:
    """What stands in the terminal now, as one line."""
    sheet = Console(file=io.StringIO(), width=200)
    sheet.print(screen.drawing())
    assert isinstance(sheet.file, io.StringIO)
    return " ".join(sheet.file.getvalue().split())


def test_a_countdown_needs_a_witness() -> None:
    """By hand: contact 2 begins at 10.0 s of program, now is 7.0 s."""
    assert "line 12, Z 0.00 at touch, side cut, in about 3 s" in drawn(place(witness="earlier contact"))
    assert "in about" not in drawn(place(witness=""))


def test_in_the_cut_what_comes_next_is_the_contact_after_it() -> None:
    """By hand: contact 2 begins at 10.0 s of program, now is 3.0 s; contact 1 is next until it is heard."""
    shown = drawn(*inside(State.STEADY))
    assert "line 12, Z 0.00 at touch, side cut, in about 7 s" in shown
    assert "line 12" not in drawn(*inside(State.AIR))


def test_what_comes_next_does_not_jump_back_while_an_exit_is_only_supposed() -> None:
    over = Event(state=State.AIR, at=900, decided_at=950, probability=0.8, standing=Standing.PROVISIONAL)
    assert "line 12" in drawn(*inside(State.STEADY), over, inside(State.STEADY)[-1])


def test_contact_is_not_said_any_more_once_it_is_air() -> None:
    touch = Cue(at=RATE // 2, kind="contact", contact=2, text="Contact.")
    entry = Event(state=State.ENTRY, at=900, decided_at=950, probability=0.8, standing=Standing.PROVISIONAL)
    air = replace(entry, standing=Standing.WITHDRAWN)
    assert "Contact." in drawn(entry, touch)
    assert "Contact." not in drawn(entry, touch, air)


def test_the_next_height_of_an_approach_stays() -> None:
    rung = Cue(at=0, kind="next rung", contact=2, text="Hold at Z 12.50 (line 11).")
    assert "Hold at Z 12.50 (line 11)." in drawn(rung)


def test_in_a_hold_the_spindle_and_the_questions_are_there() -> None:
    hold = Mark(at=RATE // 2, kind=MarkKind.HOLD, source="operator")
    missing = Cue(at=RATE // 2, kind="spindle not heard", contact=None, text="SPINDLE NOT HEARD.")
    said = drawn(hold, missing)
    assert "SPINDLE NOT HEARD. " in said
    assert "Before cycle start: spindle turning, the right way?" in said
    assert "Before cycle start" not in drawn()


def test_the_fixed_line_is_always_there() -> None:
    assert drawn().startswith("This screen cannot stop the machine. Watch the machine.")


def test_a_muted_microphone_is_not_called_listening() -> None:
    """Zeros for as long as the ear takes for no sound at all; the bound is the ear's own."""
    assert pytest.approx(SILENT_S) == MUTED_S
    assert pytest.approx(LEAST**2) == ZERO_POWER
    screen = TerminalScreen(rate=RATE, console=Console(file=io.StringIO(), width=200))
    screen.hear(Block(samples=np.full(RATE, 0.01), start=0, rate=RATE))
    screen.tell(Event(state=State.AIR, at=0, decided_at=RATE, probability=1.0))
    assert "NOT LISTENING" not in shown(screen)
    screen.hear(Block(samples=np.zeros(RATE // 4), start=RATE, rate=RATE))
    assert "NOT LISTENING" not in shown(screen)
    screen.hear(Block(samples=np.zeros(RATE // 4), start=RATE + RATE // 4, rate=RATE))
    assert "NOT LISTENING" in shown(screen)
    assert "CANNOT TELL YET" in shown(screen)
    screen.hear(Block(samples=np.full(800, 0.01), start=RATE + RATE // 2, rate=RATE))
    assert "NOT LISTENING" not in shown(screen)


@pytest.mark.parametrize(("kind", "chatters"), [("chatter", True), ("sound changed", False)])
def test_only_chatter_is_shown_as_chatter(kind: str, chatters: bool) -> None:
    found = Finding(
        kind=kind, start=0, stop=RATE, decided_at=RATE, frequency_hz=900.0, level_db=9.0, probability=0.9
    )
    screen = TerminalScreen(rate=RATE, timeline=PROGRAM, console=Console(file=io.StringIO()))
    for second in range(2):
        screen.hear(Block(samples=np.full(RATE, 0.01), start=second * RATE, rate=RATE))
        screen._board.tell(found)
    assert screen._board.now["chatter"] is chatters
