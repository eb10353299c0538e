"""Before the run: which kind it is and what is kept is agreed on, once, on the page or in the terminal."""

import select
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Protocol

from listen.blocks import Block, Gap
from listen.errors import InputError
from listen.record.keep import KEEPS, KIND_WORDS, Start

VOICES = "People's voices are theirs: say so to who stands near."


def start_of(kind: str | None, keep: str | None, *, of_job: str) -> Start:
    """What is offered: as asked for, else the kind of the job, and sound.

    Parameters
    ----------
    kind, keep : str | None
        None where not asked for.
    of_job : str
        Kind in the job file, "" without a job.
    """
    if kind and not of_job:
        raise InputError(f"--kind {kind!r} needs a job: without one nothing is expected")
    return Start(kind=kind or of_job, keep=keep or "sound")


class Microphone(Protocol):
    """As `live_run.Source`."""

    @property
    def listening(self) -> bool:
        """False while nothing arrives."""
        ...

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        """What arrived."""
        ...


class FromHere:
    """A microphone whose stream is counted from its next sound: what came before belongs to no run."""

    def __init__(self, microphone: Microphone) -> None:
        self._microphone = microphone
        self._first: int | None = None

    @property
    def listening(self) -> bool:
        """False while nothing arrives."""
        return self._microphone.listening

    def read(self, *, timeout_s: float = 0.1) -> tuple[Block | Gap, ...]:
        """What arrived."""
        return tuple(self._moved(item) for item in self._microphone.read(timeout_s=timeout_s))

    def _moved(self, item: Block | Gap) -> Block | Gap:
        if self._first is None:
            self._first = item.start
        if not self._first:
            return item
        if isinstance(item, Block):
            return replace(item, start=item.start - self._first)
        return replace(item, start=item.start - self._first, stop=item.stop - self._first)


class Page(Protocol):
    """Whoever asks on a screen."""

    def ask(self, start: Start) -> None:
        """Show the question."""
        ...

    def wait(self, blocks: tuple[Block | Gap, ...], *, listening: bool) -> None:
        """Show that the microphone works while nothing is recorded."""
        ...

    def answered(self) -> Start | None:
        """The answer, None while there is none."""
        ...


def agree(
    microphone: Microphone,
    page: Page,
    *,
    offered: Start,
    goes_on: Callable[[], bool],
    typed: Callable[[], str | None] | None,
) -> Start | None:
    """Ask on page and terminal until one answers; None where the person ended it instead.

    Parameters
    ----------
    microphone : Microphone
        Is read, so that its level shows, and forgotten.
    page : Page
    offered : Start
        The defaults.
    goes_on : callable
    typed : callable | None
        The next line typed in the terminal, None while there is none; None where there is no terminal.
    """
    page.ask(offered)
    dialogue = None if typed is None else Dialogue(offered)
    while goes_on():
        page.wait(microphone.read(timeout_s=0.05), listening=microphone.listening)
        if (answer := page.answered()) is not None:
            return answer
        line = typed() if typed else None
        if dialogue is not None and line is not None and (told := dialogue.take(line)) is not None:
            return told
    return None


class Dialogue:
    """The same questions in the terminal, one line at a time."""

    def __init__(self, offered: Start) -> None:
        self._offered = offered
        self._kind = offered.kind
        self._asks_kind = bool(offered.kind)
        self._print()

    def take(self, line: str) -> Start | None:
        """Take a typed line; the answer once all is known."""
        words = KIND_WORDS if self._asks_kind else _keeps()
        default = self._offered.kind if self._asks_kind else self._offered.keep
        chosen = _chosen(line.strip(), list(words), default)
        if chosen is None:
            print(f"  one of 1 to {len(words)}, please", flush=True)
            return None
        if not self._asks_kind:
            return Start(kind=self._kind, keep=chosen)
        self._kind, self._asks_kind = chosen, False
        self._print()
        return None

    def _print(self) -> None:
        if self._asks_kind:
            _print_choice("Which kind of run is this?", KIND_WORDS, self._offered.kind)
        else:
            _print_choice(f"What is kept? {VOICES}", _keeps(), self._offered.keep)


def _keeps() -> dict[str, str]:
    return {word: keep.said for word, keep in KEEPS.items()}


def _print_choice(question: str, words: Mapping[str, str], default: str) -> None:
    print(question)
    for number, (word, meaning) in enumerate(words.items(), start=1):
        print(f"  {number}  {word}: {meaning}")
    print(f"Enter takes {default!r}; the page asks the same.", flush=True)


def _chosen(typed: str, words: list[str], default: str) -> str | None:
    if not typed:
        return default
    if typed.isdigit() and 1 <= int(typed) <= len(words):
        return words[int(typed) - 1]
    return typed if typed in words else None


def typed_line() -> str | None:
    """A line that waits on standard input; None while there is none, or where it cannot be told."""
    try:
        ready, _, _ = select.select([sys.stdin], [], [], 0.0)
    except (OSError, ValueError):
        return None  # no terminal that can be asked without waiting: the page asks
    line = sys.stdin.readline() if ready else ""
    return line or None
