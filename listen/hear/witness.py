"""Load and controller data that come while the run is heard: never waited for, back by themselves.

A new kind of source is one file: a subclass of `Witness` with `_listen`.
"""

import queue
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass

from listen.blocks import LOAD_KINDS, LoadSample, SourceState
from listen.errors import DeviceError
from listen.hear.clock import ArrivalClock
from listen.hear.load_csv import execution_mark, is_another_speed, line_of_block
from listen.lengths import Place
from listen.marks import Mark, MarkKind

NUMBERS = {
    "line": MarkKind.LINE,
    "feed_override": MarkKind.FEED_OVERRIDE,
    "rapid_override": MarkKind.RAPID_OVERRIDE,
    "spindle_rpm": MarkKind.SPINDLE_SPEED,
    "tool": MarkKind.TOOL,
}
TEXTS = {"program": MarkKind.PROGRAM, "work_offset": MarkKind.WORK_OFFSET}
AXES = {"x": 0, "y": 1, "z": 2}
KNOWN_KEYS = (*LOAD_KINDS, *NUMBERS, *TEXTS, *AXES, "block", "execution", "spindle_turns")
WORDS = ("block", "execution", *TEXTS)  # keys whose values are words
FIRST_RETRY_S = 0.5
LONGEST_RETRY_S = 8.0
KEPT = 10_000
STANDS = "stands"  # key of what a source says of itself: "" where it came, else why it went
NAN = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One value of a source.

    Attributes
    ----------
    key : str
        One of `KNOWN_KEYS`, or `STANDS`.
    value : float | str
    stamp_s : float | None
        By the source's clock [s]; None where it gives none.
    arrived_s : float
        By this computer's steady clock [s].
    """

    key: str
    value: float | str
    stamp_s: float | None
    arrived_s: float


class Translator:
    """Observations as load samples and marks; a mark is given once, when something changed.

    Parameters
    ----------
    rate : int
        [Hz]
    lines_of_blocks : mapping
        Line in the program of each N word.
    """

    def __init__(self, *, rate: int, lines_of_blocks: Mapping[str, int]) -> None:
        self._rate = rate
        self._lines = lines_of_blocks
        self._clock = ArrivalClock()
        self._before: dict[str, float | str] = {}
        self._place: list[float] = [NAN, NAN, NAN]

    @property
    def n_clock_steps(self) -> int:
        """How often the source's clock was set while it was listened to."""
        return self._clock.n_steps

    def item(self, seen: Observation, *, now: int, now_s: float) -> LoadSample | Mark | None:
        """What an observation says, placed on the audio clock.

        Parameters
        ----------
        seen : Observation
        now, now_s : int, float
            The same moment on the audio clock [samples] and the steady clock [s].
        """
        when_s = seen.arrived_s
        if seen.stamp_s is not None:
            when_s = self._clock.push(seen.stamp_s, arrived_s=seen.arrived_s)
        at = max(0, now - round((now_s - when_s) * self._rate))
        if seen.key in LOAD_KINDS:
            return LoadSample(at=at, percent=float(seen.value), kind=seen.key)
        before = self._before.get(seen.key)
        if before == seen.value or (seen.key == "spindle_rpm" and self._is_same_speed(before, seen.value)):
            return None
        self._before[seen.key] = seen.value
        return self._mark(seen, before, at)

    @staticmethod
    def _is_same_speed(before: float | str | None, now: float | str) -> bool:
        return before is not None and not is_another_speed(float(before), float(now))

    def _mark(self, seen: Observation, before: float | str | None, at: int) -> Mark | None:
        if seen.key in NUMBERS:
            return Mark(at=at, kind=NUMBERS[seen.key], source="controller", value=float(seen.value))
        if seen.key == "spindle_turns":
            kind = MarkKind.SPINDLE_ON if seen.value else MarkKind.SPINDLE_OFF
            stands_yet = before is None and not seen.value  # it did not stop, it has not begun
            return None if stands_yet else Mark(at=at, kind=kind, source="controller")
        if seen.key in TEXTS:
            return Mark(at=at, kind=TEXTS[seen.key], source="controller", text=str(seen.value))
        if seen.key in AXES:
            self._place[AXES[seen.key]] = float(seen.value)
            place: Place = (self._place[0], self._place[1], self._place[2])
            return Mark(at=at, kind=MarkKind.POSITION, source="controller", place=place)
        if seen.key == "block":
            line = line_of_block(str(seen.value), self._lines)
            known = line is not None
            return (
                Mark(at=at, kind=MarkKind.LINE, source="controller", value=float(line or 0))
                if known
                else None
            )
        does = execution_mark(str(seen.value), before if isinstance(before, str) else None)
        return None if does is None else Mark(at=at, kind=does, source="controller")


class Witness(ABC):
    """A source in a thread of its own, which connects again and again.

    Parameters
    ----------
    rate : int
        Audio sample rate [Hz].
    lines_of_blocks : mapping | None
        Line in the program of each N word.
    """

    name = "source"  # in run.json

    def __init__(self, *, rate: int, lines_of_blocks: Mapping[str, int] | None = None) -> None:
        self._rate = rate
        self._translator = Translator(rate=rate, lines_of_blocks=lines_of_blocks or {})
        self._seen: queue.Queue[Observation] = queue.Queue(maxsize=KEPT)
        self.ended = threading.Event()
        self._stands = False
        self.problem = ""
        self.n_connections = 0
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin to listen; returns at once."""
        self._thread.start()

    def close(self) -> None:
        """Stop listening."""
        self.ended.set()
        self._thread.join(3.0)

    @property
    def connected(self) -> bool:
        """Whether the source is there."""
        return self._stands

    @connected.setter
    def connected(self, there: bool) -> None:
        if there != self._stands:
            self._stands = there
            self._keep(STANDS, "" if there else self.problem or "the source went", None)

    def read(self, *, now: int) -> tuple[LoadSample | Mark | SourceState, ...]:
        """What came since the last call, in order of arrival; never waits.

        Parameters
        ----------
        now : int
            Where the sound is now [samples].
        """
        items: list[LoadSample | Mark | SourceState] = []
        now_s = time.monotonic()
        while True:
            try:
                seen = self._seen.get_nowait()
            except queue.Empty:
                return tuple(items)
            item = self._item(seen, now=now, now_s=now_s)
            if item is not None:
                items.append(item)

    def _item(self, seen: Observation, *, now: int, now_s: float) -> LoadSample | Mark | SourceState | None:
        if seen.key != STANDS:
            return self._translator.item(seen, now=now, now_s=now_s)
        at = max(0, now - round((now_s - seen.arrived_s) * self._rate))
        reason = str(seen.value)
        return SourceState(source=self.name, at=at, listening=not reason, reason=reason)

    @property
    def n_clock_steps(self) -> int:
        """How often the source's clock was set."""
        return self._translator.n_clock_steps

    @abstractmethod
    def _listen(self) -> None:
        """Connect and call `_saw` until the connection ends or `ended` is set.

        DeviceError and OSError are what may end it.
        """

    def _saw(self, key: str, value: float | str, *, stamp_s: float | None = None) -> None:
        self.connected = True
        self._keep(key, value, stamp_s)

    def _keep(self, key: str, value: float | str, stamp_s: float | None) -> None:
        seen = Observation(key=key, value=value, stamp_s=stamp_s, arrived_s=time.monotonic())
        try:
            self._seen.put_nowait(seen)
        except queue.Full:
            self.problem = "load and marks come faster than they are used; some were dropped"

    def _run(self) -> None:
        wait_s = FIRST_RETRY_S
        while not self.ended.is_set():
            began_s = time.monotonic()
            try:
                self.n_connections += 1
                self._listen()
                self.problem = "the source ended the connection"
            except DeviceError as error:
                self.problem = str(error)
            except OSError as error:
                self.problem = error.strerror or str(error) or type(error).__name__
            if self.n_connections == 1 and not self._stands:  # it was not there from the start
                self._keep(STANDS, self.problem, None)
            self.connected = False
            wait_s = (
                FIRST_RETRY_S if time.monotonic() - began_s > 10.0 else min(LONGEST_RETRY_S, 1.5 * wait_s)
            )
            self.ended.wait(wait_s)
