"""A program as moves, before they are timed."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listen.spans import SpanKind
from listen.timeline import Caution

MOVE = np.dtype(
    [
        ("kind", "i1"),
        ("line", "i4"),
        ("file", "i2"),
        ("tool", "i4"),
        ("begin", "f8", (3,)),
        ("end", "f8", (3,)),
        ("centre", "f8", (3,)),
        ("sweep", "f8"),
        ("axis", "i1"),
        ("feed", "f8"),
        ("seconds", "f8"),
        ("rpm", "f8"),
        ("coolant", "?"),
        ("offset", "i2"),
        ("cycle", "i2"),
        ("length_offset", "i4"),
        ("compensated", "?"),
        ("exact", "?"),
        ("judged", "?"),
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolUse:
    """Where a tool comes in: line and whether a restart there takes nothing for granted.

    Attributes
    ----------
    tool, line, file
    taken_for_granted : tuple of str
        What the lines from here use but do not say themselves: "work offset", "spindle" …
    """

    tool: int
    line: int
    file: int
    taken_for_granted: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Program:
    """A program as read.

    Attributes
    ----------
    name : str
    path : Path | None
    moves : structured ndarray, shape (n_moves,)
        Columns as in `MOVE`: `kind` is a `SpanKind`; places in mm in the coordinates of the
        work offset in force, the program's own shifts (G52, G92, G68, G51) taken out, NaN
        where not known; `feed` [mm/min], `seconds` the fixed time of what is not a move
        (NaN for moves; -1 where the machine decides), `exact` a stop at the end, `judged`
        False where the place cannot be followed.
    listing : tuple of str
        Lines of the main file.
    files, offset_names : tuple of str
    blocks : mapping
        N words by (file index, line).
    notes : tuple of Caution
        What was passed over, and what is not judged.
    cautions : tuple of Caution
        What the reader found that a person should look at.
    origins : dict
        Machine place of each offset that the program itself sets with G10 [mm].
    tool_uses : tuple of ToolUse
    n_bytes, checksum
        Size and SHA-256 of the main file.
    ended_by : str
        "M2", "M30", "M99", "%" or "end of file".
    """

    name: str
    path: Path | None
    moves: NDArray[np.void]
    listing: tuple[str, ...]
    files: tuple[str, ...]
    offset_names: tuple[str, ...]
    blocks: Mapping[tuple[int, int], str]
    notes: tuple[Caution, ...] = ()
    cautions: tuple[Caution, ...] = ()
    origins: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    tool_uses: tuple[ToolUse, ...] = ()
    n_bytes: int = 0
    checksum: str = ""
    ended_by: str = "end of file"


class MoveStore:
    """Moves as they are made; kept as packed arrays, so that a million fit."""

    CHUNK = 20_000

    def __init__(self) -> None:
        self._rows: list[tuple[object, ...]] = []
        self._chunks: list[NDArray[np.void]] = []
        self._n_packed = 0

    def __len__(self) -> int:
        return self._n_packed + len(self._rows)

    def add(self, row: tuple[object, ...]) -> None:
        """One move, fields in the order of `MOVE`."""
        self._rows.append(row)
        if len(self._rows) >= self.CHUNK:
            self._pack()

    def has(self, kind: SpanKind) -> bool:
        """Whether there is a move of a kind."""
        return any(row[0] == kind for row in self._rows) or any(
            bool((chunk["kind"] == kind).any()) for chunk in self._chunks
        )

    def extend(self, chunk: NDArray[np.void]) -> None:
        """Many moves at once."""
        self._pack()
        self._chunks.append(chunk)
        self._n_packed += chunk.size

    def finish(self) -> NDArray[np.void]:
        """All moves in order."""
        self._pack()
        if not self._chunks:
            return np.empty(0, dtype=MOVE)
        return np.concatenate(self._chunks) if len(self._chunks) > 1 else self._chunks[0]

    def _pack(self) -> None:
        if self._rows:
            chunk = np.array(self._rows, dtype=MOVE)
            self._rows = []
            self._chunks.append(chunk)
            self._n_packed += chunk.size
