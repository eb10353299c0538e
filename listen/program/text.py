"""From the bytes of a program file to its lines."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

from listen.errors import InputError, ProgramError

MAX_BYTES = 400_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One program file as read.

    Attributes
    ----------
    name : str
    path : Path | None
    lines : tuple of str
        As in the file, without line ends; counted from 1 in all messages.
    first, stop : int
        Half-open range of indices into `lines` that the control runs: after the opening
        "%" and its leader, before the closing one.
    n_bytes : int
    checksum : str
        SHA-256 of the bytes, hexadecimal.
    """

    name: str
    path: Path | None
    lines: tuple[str, ...]
    first: int
    stop: int
    n_bytes: int
    checksum: str


def read_source(path: Path) -> Source:
    """Read one file, whatever its encoding and line ends.

    Raises
    ------
    InputError
        For a file that cannot be read.
    ProgramError
        For one that is too large.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise ProgramError(path.name, 1, f"the file is larger than {MAX_BYTES} bytes; split it")
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"program {path} cannot be read: {error.strerror}; are name and folder right?"
        ) from None
    return source_from(data, name=path.name, path=path)


def source_from(data: bytes, *, name: str, path: Path | None = None) -> Source:
    """A program from bytes."""
    lines = split_lines(decode(data))
    first, stop = _extent(lines)
    return Source(
        name=name,
        path=path,
        lines=tuple(lines),
        first=first,
        stop=stop,
        n_bytes=len(data),
        checksum=hashlib.sha256(data).hexdigest(),
    )


def decode(data: bytes) -> str:
    """Text of a file in UTF-8, UTF-16 with a byte-order mark, or else Latin-1; NULs are dropped."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = data.decode("utf-16", errors="replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    return text.replace("\0", "").replace("\x7f", "") if "\0" in text or "\x7f" in text else text


def split_lines(text: str) -> list[str]:
    """Lines at CR, LF or CRLF, and at nothing else."""
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = text.split("\n")
    if lines and not lines[-1]:
        lines.pop()
    return lines


def _extent(lines: list[str]) -> tuple[int, int]:
    """Where the program begins and ends; a tape's leader stands before the first "%"."""
    marks = [i for i, line in enumerate(lines) if "%" in line and line.lstrip().startswith("%")]
    first = 0
    if marks and all(not _has_words(line) for line in lines[: marks[0]]):
        first = marks.pop(0) + 1
    stop = marks[0] if marks else len(lines)
    return first, stop


def _has_words(line: str) -> bool:
    text = line.strip()
    return bool(text) and text[0] not in ";(" and any(c.isdigit() for c in text)
