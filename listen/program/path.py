"""The timed path: where the tool is when, and with what feed and spindle."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.spans import Spans
from listen.timeline import Caution
from listen.where import block_of, said_block


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimedPath:
    """A program as spans in time, in the order in which they are run.

    Attributes
    ----------
    program : str
        Name of the program file.
    spans : Spans
        Time, place and kind of each span. A cycle is spread into its single moves; a
        subprogram's spans carry the line of their own file and the file in `file`.
    feed_mm_per_min : ndarray, shape (n_spans,)
        Programmed feed along the path [mm/min]; 0 where it does not apply.
    spindle_rpm : ndarray, shape (n_spans,)
        Commanded speed [rpm]; positive clockwise (M3), negative M4, 0 standing.
    coolant : ndarray, shape (n_spans,)
        True where coolant is on.
    offset : ndarray, shape (n_spans,)
        Index into `offset_names` of the work offset in force, int16.
    cycle : ndarray, shape (n_spans,)
        G word of the cycle that the span belongs to (81 … 89, 73, 74, 76), 0 for none, int16.
    length_offset : ndarray, shape (n_spans,)
        H number in force, 0 for none, int32.
    compensated : ndarray, shape (n_spans,)
        True under G41 or G42.
    file : ndarray, shape (n_spans,)
        Index into `files`, int16.
    offset_names, files : tuple of str
    blocks : mapping
        N word of a line ("N110") by (file index, line); lines without one are not in it.
    listing : tuple of str
        The lines of the main program as read.
    notes : tuple of Caution
        What was passed over, and what is not judged.
    """

    program: str
    spans: Spans
    feed_mm_per_min: NDArray[np.float64]
    spindle_rpm: NDArray[np.float64]
    coolant: NDArray[np.bool_]
    offset: NDArray[np.int16]
    cycle: NDArray[np.int16]
    length_offset: NDArray[np.int32]
    compensated: NDArray[np.bool_]
    file: NDArray[np.int16]
    offset_names: tuple[str, ...]
    files: tuple[str, ...]
    blocks: Mapping[tuple[int, int], str]
    listing: tuple[str, ...]
    notes: tuple[Caution, ...] = ()

    def __post_init__(self) -> None:
        n_spans = len(self.spans)
        arrays = (self.feed_mm_per_min, self.spindle_rpm, self.coolant, self.offset, self.cycle)
        more = (self.length_offset, self.compensated, self.file)
        if any(array.shape != (n_spans,) for array in (*arrays, *more)):
            raise InputError(f"a timed path needs arrays of one length, here {n_spans}")

    def where(self, file: int, line: int) -> str:
        """A line by its N word, which the control shows, and by its number; in another file with its name."""
        return said_block(self._block(file, line), line)

    def block_name(self, span: int) -> str:
        """The N word of a span's line, or "line 12" where it has none; of another file with its name."""
        return self._block(int(self.file[span]), int(self.spans.line[span]))

    def _block(self, file: int, line: int) -> str:
        return block_of(self.blocks.get((file, line)), line, self.files[file] if file else "")
