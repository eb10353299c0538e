"""What live pages show now, and what they have missed: written by the run, read by the server.

Conventions
-----------
The run's thread tells; the server's thread reads. Frames are never queued: a page gets the
newest, with what was decided since the last one that it got.
"""

import base64
import json
import math
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Gap
from listen.contact import Contact
from listen.followed import Position, Verdict
from listen.marks import Look, Mark, MarkKind
from listen.real_clock import RealClock
from listen.record.keep import KEEPS, KIND_WORDS, Start
from listen.record.spectrum import SpectrumColumns
from listen.show.contract import FIXED_LINE, Told, page_message, sheet_page
from listen.states import Event, Finding, Learnt, Standing, State
from listen.timeline import HoldPoint, Timeline
from listen.told import Cue, Flag

HOP_S = 0.05
SHOWN_S = 0.1  # while nothing is decided, pages are told anew after so much sound
DRAWN_S = 0.2  # four columns at a time cost little more than one
KEPT_COLUMNS = 1200  # a minute of spectrum for who joins late or was slow
KEPT_MESSAGES = 5000
KEPT_POSITIONS_S = 0.5  # the followed line is told this often
CHATTER_S = 2.0
LONGEST_SKIP_S = 2.0
MUTED_S = 0.3  # nothing but zeros for so long is no sound, as listen/hear/digital_silence.py has it
ZERO_POWER = 1e-14
APPROACH_CUES = ("next rung", "distance")
HOLD_CUES = ("exit heard", "hold now")  # true only until a press would come too late
CUE_S = 6.0
Kept = TypeVar("Kept")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cursor:
    """How far one page has been told: messages and spectrum columns."""

    message: int = 0
    column: int = 0


class Board:
    """The live run as pages see it.

    Parameters
    ----------
    rate : int
        [Hz]
    timeline : Timeline | None
    listing : sequence of str
        Lines of the program.
    keeps : str
        What is recorded, in words, shown at the start: "decisions and sound".
    warnings : sequence of str
        Of the sheet: shown before it records and in a hold.
    """

    def __init__(
        self,
        *,
        rate: int,
        timeline: Timeline | None = None,
        listing: Sequence[str] = (),
        keeps: str = "",
        warnings: Sequence[str] = (),
    ) -> None:
        self.rate = rate
        self._timeline = timeline
        self._unit = timeline.shown_in if timeline else "mm"
        self.inbox: queue.SimpleQueue[Mark | Look] = queue.SimpleQueue()
        self.answers: queue.SimpleQueue[Start] = queue.SimpleQueue()
        self.on_change: Callable[[], None] = lambda: None
        self._lock = threading.Lock()
        contacts = timeline.contacts if timeline else ()
        self._contacts = {contact.id: contact for contact in contacts}
        self._holds = {hold.contact: hold for hold in timeline.holds} if timeline else {}
        self._after = {one.id: other for one, other in pairwise(contacts)}
        self._columns = SpectrumColumns(rate, hop_s=HOP_S)
        self._spectrum: deque[bytes] = deque(maxlen=KEPT_COLUMNS)
        self._n_columns = 0
        self._waiting: list[NDArray[np.float64]] = []
        self._messages: deque[str] = deque(maxlen=KEPT_MESSAGES)
        self._n_messages = 0
        self._heard = 0
        self._zeros = 0  # so many samples of nothing came last
        self._heard_s = time.monotonic()
        self._show_from = 0
        self._now: dict[str, Any] = {
            "t": 0.0, "listening": True, "recording": bool(keeps), "trouble": "", "state": None,
            "sure": True, "chatter": False, "cue": None, "flag": None, "next": None, "held": False,
            "line": None, "file": "", "program_s": None, "level_db": None, "asking": None,
            "approach": "", "spindle": "", "learnt": 0.0, "ended": "", "muted": False,
        }  # fmt: skip
        self._made: tuple[Cursor, tuple[str, Cursor]] | None = None  # pages in step share one frame
        self._chatter_until = 0
        self._held = False
        self.n_flags = 0  # told so far
        self._begun: int | None = None  # the last contact that was under way
        self._position_at = -rate
        self._position: Position | None = None
        self._hold: HoldPoint | None = None  # whose cue is on show
        self._before: State | None = None
        self._clock = RealClock(timeline) if timeline else None
        self._sheet = sheet_page(timeline, listing) if timeline else None
        self._warnings = list(warnings)
        self.hello = self._hello(keeps)

    def _hello(self, keeps: str) -> str:
        return json.dumps(
            {
                "type": "hello",
                "fixed_line": FIXED_LINE,
                "keeps": keeps,
                "kinds": KIND_WORDS,
                "choices": {word: keep.said for word, keep in KEEPS.items()},
                "hop_s": self._columns.hop_s,
                "bands_hz": [round(float(hz), 1) for hz in self._columns.bands_hz],
                "sheet": self._sheet,
                "warnings": self._warnings,
            }
        )

    def ask(self, start: Start) -> None:
        """Ask for kind and what is kept; nothing is recorded until `begin`."""
        with self._lock:
            self._made = None
            self._now.update(asking={"kind": start.kind, "keep": start.keep}, recording=False)

    def wait(self, blocks: tuple[Block | Gap, ...], *, listening: bool) -> None:
        """Show that the microphone works while nothing is recorded."""
        with self._lock:
            self._made = None
            self._now["listening"] = listening
            for block in blocks:
                self._level(block)

    def answered(self) -> Start | None:
        """What a page answered, None while none has."""
        return None if self.answers.empty() else self.answers.get_nowait()

    def begin(self, start: Start) -> None:
        """What was agreed on; pages are told anew."""
        with self._lock:
            self._made = None
            self._now.update(asking=None, recording=True, level_db=None)
            if self._sheet is not None:
                self._sheet["kind"] = start.kind
            self.hello = self._hello(KEEPS[start.keep].said)
        self.on_change()

    def hear(self, item: Block | Gap) -> None:
        """Take what was heard, for spectrum, level and the clock."""
        with self._lock:
            self._made = None
            if isinstance(item, Block):
                self._level(item)
                self._waiting.append(item.samples)
                if sum(samples.size for samples in self._waiting) >= DRAWN_S * self.rate:
                    self._draw()
            else:
                self._level(item)
                self._draw()
                self._log(page_message(item, self.rate, self._unit))
                n_columns = min(KEPT_COLUMNS, round((item.stop - item.start) / self.rate / HOP_S))
                self._keep(np.zeros((n_columns, len(self._columns.bands_hz)), dtype=np.uint8))
            self._heard, self._heard_s = item.stop, time.monotonic()
            self._now["t"] = item.stop / self.rate
            self._now["chatter"] = item.stop < self._chatter_until
        if item.stop >= self._show_from:
            self._show_from = item.stop + round(SHOWN_S * self.rate)
            self.on_change()

    def _draw(self) -> None:
        """Spectrum of the sound that waits."""
        if self._waiting:
            self._keep(self._columns.push(np.concatenate(self._waiting)))
            self._waiting = []

    def _keep(self, columns: NDArray[np.uint8]) -> None:
        self._spectrum.extend(column.tobytes() for column in columns)
        self._n_columns += len(columns)

    def tell(self, *items: Told) -> None:
        """Take what was decided."""
        changed = False
        with self._lock:
            self._made = None
            for item in items:
                changed = self._tell(item) or changed
        if changed:
            self.on_change()

    def stand(self, *, listening: bool, recording: bool, trouble: str = "") -> None:
        """Say whether the microphone gives sound and the disk takes it."""
        with self._lock:
            self._made = None
            told = {"listening": listening, "recording": recording, "trouble": trouble}
            changed = any(self._now[key] != value for key, value in told.items())
            self._now.update(told)
        if changed:
            self.on_change()

    def end(self, words: str) -> None:
        """Say that the run has ended, and what became of it."""
        with self._lock:
            self._made = None
            self._now.update(listening=False, recording=False, ended=words)
        self.on_change()

    def frame(self, cursor: Cursor) -> tuple[str, Cursor]:
        """The newest frame as JSON, with what a page at `cursor` has not been told."""
        with self._lock:
            if self._made is None or self._made[0] != cursor:
                self._made = (cursor, self._frame(cursor))
            return self._made[1]

    @property
    def now(self) -> dict[str, Any]:
        """What shows now, by name."""
        with self._lock:
            return dict(self._now)

    def place_now(self) -> int:
        """Where the stream is now, between blocks by the clock [samples]."""
        with self._lock:
            since = min(LONGEST_SKIP_S, time.monotonic() - self._heard_s)
            return self._heard + round(since * self.rate)

    def _level(self, item: Block | Gap) -> None:
        if isinstance(item, Gap):
            self._zeros, self._now["muted"] = 0, False
        elif item.samples.size:
            power = float(np.dot(item.samples, item.samples)) / item.samples.size
            self._now["level_db"] = round(10.0 * math.log10(max(power, 1e-12)), 1)
            self._zeros = self._zeros + item.samples.size if power < ZERO_POWER else 0
            self._now["muted"] = self._zeros >= MUTED_S * self.rate

    def _frame(self, cursor: Cursor) -> tuple[str, Cursor]:
        missed = _last(self._messages, self._n_messages - cursor.message)
        columns = _last(self._spectrum, self._n_columns - cursor.column)
        now = json.dumps(self._now)
        begin = self._n_columns - len(columns)
        spectrum = json.dumps({"first": begin, "bytes": base64.b64encode(b"".join(columns)).decode()})
        told = Cursor(message=self._n_messages, column=self._n_columns)
        return f'{{"type":"frame","now":{now},"spectrum":{spectrum},"log":[{",".join(missed)}]}}', told

    def _tell(self, item: Told) -> bool:
        if isinstance(item, Position):
            return self._follow(item)
        self._log(page_message(item, self.rate, self._unit))
        if isinstance(item, Event):
            self._event(item)
            self._drop_contact_cue()
        elif isinstance(item, Finding) and item.kind == "chatter":
            self._chatter_until = item.stop + round(CHATTER_S * self.rate)
        elif isinstance(item, Cue):
            self._cue(item)
        elif isinstance(item, Flag):
            self.n_flags += 1
            self._now["flag"] = {"text": item.text, "kind": item.kind, "at_s": item.at / self.rate}
        elif isinstance(item, Mark):
            self._mark(item)
        elif isinstance(item, Learnt):
            self._now["learnt"] = item.part
        return not isinstance(item, Verdict)

    def _cue(self, cue: Cue) -> None:
        """Approach and spindle have a place of their own, where they stay for as long as they hold."""
        if cue.kind in APPROACH_CUES:
            self._now["approach"] = cue.text
            return
        if cue.kind.startswith("spindle"):
            self._now["spindle"] = cue.text
        at_s = cue.at / self.rate
        self._now["cue"] = {"text": cue.text, "kind": cue.kind, "at_s": at_s, "until_s": at_s + CUE_S}
        self._hold = self._holds.get(cue.contact or -1) if cue.kind in HOLD_CUES else None
        self._end_hold_cue()

    def _event(self, event: Event) -> None:
        if event.standing == Standing.WITHDRAWN:
            self._now["state"] = self._before and str(self._before)
            self._now["sure"] = True
            self._begun = None
            return
        if event.standing == Standing.CONFIRMED:
            self._before = event.state
            if event.state is State.ENTRY:
                self._now.update(approach="", spindle="")
        self._now["state"] = str(event.state)
        self._now["sure"] = event.standing == Standing.CONFIRMED

    def _drop_contact_cue(self) -> None:
        """CONTACT is said of now alone: in air it would contradict the state."""
        cue = self._now["cue"]
        if cue is not None and cue["kind"] == "contact" and not self._in_contact:
            self._now["cue"] = self._hold = None

    def _end_hold_cue(self) -> None:
        """A word to hold is no longer true where a press would stop too near the next touch."""
        if self._hold is None or self._position is None or self._clock is None:
            return
        left_s = self._clock.seconds(self._position.program_time, self._hold.until_s)
        cue, until_s = self._now["cue"], round(self._position.at / self.rate + left_s, 2)
        self._now["cue"] = {**cue, "until_s": min(until_s, cue["at_s"] + CUE_S)}

    def _follow(self, position: Position) -> bool:
        self._position = position
        self._now["line"] = position.line
        self._now["file"] = self._timeline.file_at(position.program_time) if self._timeline else ""
        self._now["program_s"] = round(position.program_time, 2)
        if self._clock is not None:
            self._clock.follow(position)
        self._end_hold_cue()
        self._now["next"] = self._next(position)
        self._now["held"] = self._held or position.rate == 0.0
        if position.at - self._position_at >= KEPT_POSITIONS_S * self.rate:
            self._position_at = position.at
            self._log(page_message(position, self.rate))
        return False

    def _next(self, position: Position) -> dict[str, Any] | None:
        """The next contact, also while one is running."""
        contact = self._contacts.get(position.next_contact or -1)
        if contact is not None and self._is_under_way(contact, position.program_time):
            contact = self._after.get(contact.id)
        if contact is None:
            return None
        is_counted = position.rate > 0 and bool(position.witness)  # never in a silent approach
        to_go = (
            self._clock.seconds(position.program_time, contact.start) if self._clock and is_counted else None
        )
        return {**_contact_words(contact), "in_s": None if to_go is None else round(to_go, 1)}

    def _is_under_way(self, contact: Contact, program_s: float) -> bool:
        """Whether it has begun; it has still where the ear only supposes that it is over."""
        if program_s > contact.start and self._in_contact:
            self._begun = contact.id
        return self._begun == contact.id

    @property
    def _in_contact(self) -> bool:
        return self._now["state"] in (State.ENTRY, State.STEADY, State.EXIT)

    def _mark(self, mark: Mark) -> None:
        if self._clock is not None:
            self._clock.mark(mark)
        if mark.kind == MarkKind.HOLD:
            self._held = True
        elif mark.kind in (MarkKind.RESUME, MarkKind.CYCLE_START):
            self._held = False
        self._now["held"] = self._held

    def _log(self, message: dict[str, Any]) -> None:
        self._messages.append(json.dumps(message))
        self._n_messages += 1


def _last(kept: deque[Kept], n: int) -> list[Kept]:
    """The newest `n`, oldest first; fewer where fewer are kept."""
    return list(islice(reversed(kept), max(0, n)))[::-1]


def _contact_words(contact: Contact) -> dict[str, Any]:
    def number(value: float) -> float | None:
        return round(value, 3) if value == value else None

    x, y, z = contact.place
    return {
        "id": contact.id,
        "tool": contact.tool,
        "line": contact.line,
        "block": contact.block,
        "way": contact.way,
        "place": [number(x), number(y), number(z)],
    }
