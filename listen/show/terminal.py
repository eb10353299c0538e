"""The live run in a terminal, for a machine without a browser: the same facts, large as text can be."""

import queue
import time
from types import TracebackType
from typing import Any, Self

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from listen.blocks import Block, Gap
from listen.lengths import length_number
from listen.marks import Look, Mark
from listen.show.board import Board
from listen.show.contract import FIXED_LINE, Told
from listen.timeline import Timeline

STATE_WORDS = {
    None: "CANNOT TELL YET",
    "air": "AIR",
    "entry": "CONTACT",
    "steady": "IN THE CUT",
    "exit": "EXIT",
}
BARS = {None: "·", "air": "▁", "entry": "▄", "steady": "█", "exit": "▄"}
REFRESH_HZ = 10.0
QUESTIONS = (
    "Before cycle start: spindle turning, the right way? Coolant? Overrides low? "
    "Single block as you want it? Door shut, hands away?\n"
    "Reach in only when the spindle stands still. How to hold, look and go on, the machine's manual says."
)


class TerminalScreen:
    """Draws the newest state ten times a second; takes no marks.

    Parameters
    ----------
    rate : int
        [Hz]
    timeline : Timeline | None
    console : Console | None
        Where to draw; None for the terminal.
    """

    def __init__(
        self, *, rate: int, timeline: Timeline | None = None, console: Console | None = None
    ) -> None:
        self.inbox: queue.SimpleQueue[Mark | Look] = queue.SimpleQueue()
        self._unit = timeline.shown_in if timeline else "mm"
        self._board = Board(rate=rate, timeline=timeline, keeps="yes")
        self._live = Live(
            self.drawing(), console=console or Console(), refresh_per_second=REFRESH_HZ, auto_refresh=False
        )
        self._drawn_s = 0.0

    def hear(self, item: Block | Gap) -> None:
        """Take sound."""
        self._board.hear(item)
        if time.monotonic() - self._drawn_s >= 1.0 / REFRESH_HZ:
            self._draw()

    def tell(self, *items: Told) -> None:
        """Take what was decided."""
        self._board.tell(*items)
        self._draw()

    def stand(self, *, listening: bool, recording: bool, trouble: str = "") -> None:
        """Say whether microphone and disk work."""
        before = self._board.now["listening"]
        self._board.stand(listening=listening, recording=recording, trouble=trouble)
        if before != listening:
            self._draw()

    def end(self, words: str) -> None:
        """Say that the run has ended, and what became of it."""
        self._board.end(words)
        self._draw()

    def drawing(self) -> Group:
        """The four things, as text."""
        now = self._board.now
        hears = now["listening"] and not now["muted"]
        listening = "LISTENING" if hears else "NOT LISTENING"
        recording = now["ended"] or now["trouble"] or ("recording" if now["recording"] else "not recording")
        state = now["state"] if hears else None
        word = STATE_WORDS[state] + (", CHATTER" if now["chatter"] and state == "steady" else "")
        cue = now["cue"]["text"] if now["cue"] and now["t"] < now["cue"]["until_s"] else ""
        flag = now["flag"]
        following = "\n".join(
            part for part in (_next_words(now["next"], self._unit), now["approach"]) if part
        )
        held = [Panel(Text(f"{now['spindle']}\n{QUESTIONS}".strip()), title="held")] if now["held"] else []
        return Group(
            Text(FIXED_LINE, style="reverse"),
            Text(f"{listening}   {recording}   {now['t']:.0f} s", style="bold"),
            Panel(Text(f"{BARS[state] * 3}  {word}\n     {cue}", style="bold"), title="now"),
            Panel(Text(following), title="next"),
            *held,
            Panel(Text(f"{flag['at_s']:.0f} s  {flag['text']}" if flag else "none"), title="last flag"),
        )

    def _draw(self) -> None:
        self._drawn_s = time.monotonic()
        self._live.update(self.drawing(), refresh=True)

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()


def _next_words(following: dict[str, Any] | None, unit: str) -> str:
    if following is None:
        return "-"
    place = following["place"]
    assert isinstance(place, list)
    touch = "" if place[2] is None else f", Z {length_number(place[2], unit, 2)} at touch"
    soon = f", in about {following['in_s']:.0f} s" if following["in_s"] else ""
    return f"T{following['tool']}, {following['block']}{touch}, {following['way']}{soon}"
