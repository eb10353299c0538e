"""Where things are in a program file: N words, programs, loops and labelled statements."""

import re
from collections.abc import Iterator, Mapping
from functools import cached_property

from listen.program.text import Source
from listen.program.words import MAX_LINE

N_WORD = re.compile(r"[\s/]*N\s*(\d+)", re.IGNORECASE)
O_WORD = re.compile(r"[\s/]*(?:N\s*\d+\s*)?[O:]\s*(\d+)", re.IGNORECASE)
LOOP = re.compile(r"(WHILE\s*\[.*\]\s*DO|DO|END)\s*(\d+)\s*$", re.IGNORECASE)
STATEMENT = re.compile(
    r"[\s/]*O\s*(?:(\d+)|<([^<>]*)>)\s*"
    r"(SUB|ENDSUB|CALL|RETURN|IF|ELSEIF|ELSE|ENDIF|WHILE|ENDWHILE|DO|REPEAT|ENDREPEAT|BREAK|CONTINUE)",
    re.IGNORECASE,
)
COMMENT = re.compile(r"\([^()]*\)|;.*")


class Labels:
    """The marks of one file, looked for only when a jump asks for them."""

    def __init__(self, source: Source) -> None:
        self.source = source

    @cached_property
    def numbers(self) -> dict[int, list[int]]:
        """Indices of the lines with each N word."""
        found: dict[int, list[int]] = {}
        for index in self._run():
            match = N_WORD.match(self.source.lines[index])
            if match is not None:
                found.setdefault(int(match.group(1)[:15]), []).append(index)
        return found

    @cached_property
    def programs(self) -> dict[int, int]:
        """Index of the first line of each O program."""
        found: dict[int, int] = {}
        for index in self._run():
            text = self.source.lines[index]
            match = O_WORD.match(text)
            if match is not None and STATEMENT.match(text) is None:
                found.setdefault(int(match.group(1)[:15]), index)
        return found

    @cached_property
    def loops(self) -> list[tuple[int, str, int]]:
        """DO and END of loops: (index, "do" or "end", number)."""
        found = []
        for index in self._run():
            text = self.source.lines[index]
            if len(text) <= MAX_LINE and ("D" in text or "d" in text):
                match = LOOP.search(COMMENT.sub(" ", text).rstrip())
                if match is not None:
                    kind = "end" if match.group(1).upper() == "END" else "do"
                    found.append((index, kind, int(match.group(2)[:15])))
        return found

    @cached_property
    def statements(self) -> dict[str | int, list[tuple[int, str]]]:
        """Labelled statements by label: (index, keyword in small letters)."""
        found: dict[str | int, list[tuple[int, str]]] = {}
        for index in self._run():
            match = STATEMENT.match(self.source.lines[index])
            if match is not None:
                label: str | int = int(match.group(1)[:15]) if match.group(1) else squeezed(match.group(2))
                found.setdefault(label, []).append((index, match.group(3).lower()))
        return found

    def line_of(self, number: int, after: int) -> int | None:
        """The line with this N word: the next one, else the first of the file."""
        places = self.numbers.get(number, [])
        return next((index for index in places if index >= after), places[0] if places else None)

    def _run(self) -> range:
        return range(self.source.first, self.source.stop)


def squeezed(name: str) -> str:
    """A name as the reader compares it."""
    return "".join(name.split()).lower()


class BlockNames(Mapping[tuple[int, int], str]):
    """N words by (file index, line from 1), read off the lines when asked for."""

    def __init__(self, sources: tuple[Source, ...]) -> None:
        self._lines = tuple(source.lines for source in sources)

    def __getitem__(self, key: tuple[int, int]) -> str:
        file, line = key
        if 0 <= file < len(self._lines) and 1 <= line <= len(self._lines[file]):
            match = N_WORD.match(self._lines[file][line - 1])
            if match is not None:
                return f"N{int(match.group(1)[:15])}"
        raise KeyError(key)

    def __iter__(self) -> Iterator[tuple[int, int]]:
        for file, lines in enumerate(self._lines):
            for line, text in enumerate(lines, start=1):
                if N_WORD.match(text) is not None:
                    yield file, line

    def __len__(self) -> int:
        return sum(1 for _ in self)
