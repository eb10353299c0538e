"""The short way through long runs of plain lines; what it gives is what the long way gives."""

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from listen.program.control import Control
from listen.program.expression import Wrong
from listen.program.moves import MOVE
from listen.program.text import Source
from listen.spans import SpanKind

SHORTEST_FILE = 200  # lines; below this a kernel is not worth its loading
CHUNK = 50_000
WORTH_CALLING = 8  # lines in one run
LONGEST_WAIT = 64  # lines


class PlainLines:
    """Runs of lines with only N, G0, G1, X, Y, Z and F, read by a kernel."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._worth = source.stop - source.first >= SHORTEST_FILE
        self._wait_until = 0
        self._backoff = 1

    @cached_property
    def _text(self) -> NDArray[np.uint8]:
        text = "\n".join(self._source.lines) + "\n"
        return np.frombuffer(text.encode("latin-1", errors="replace"), dtype=np.uint8)

    @cached_property
    def _starts(self) -> NDArray[np.int64]:
        return np.concatenate([[0], np.flatnonzero(self._text == 10) + 1]).astype(np.int64)

    def run(self, control: Control, index: int) -> int:
        """Read on from line `index`; gives how many lines were plain."""
        if not self._worth or index < self._wait_until or not _is_plain(control):
            return 0
        n_lines, chunk = self._read(control, index)
        self._patience(index + n_lines, n_lines)
        if len(control.store) + chunk.size > control.dialect.max_moves:
            raise Wrong(f"more than {control.dialect.max_moves} moves; does the program repeat without end?")
        if chunk.size:
            control.store.extend(chunk)
        return n_lines

    def _patience(self, index: int, n_lines: int) -> None:
        """After short runs wait longer before trying again: a call costs as much as some lines."""
        self._backoff = 1 if n_lines >= WORTH_CALLING else min(2 * self._backoff, LONGEST_WAIT)
        self._wait_until = index + (self._backoff if n_lines < WORTH_CALLING else 0)

    def _read(self, control: Control, index: int) -> tuple[int, NDArray[np.void]]:
        from listen.program.kernels import POWERS, plain_lines

        modal = control.modal
        size = min(CHUNK, self._source.stop - index)
        ends, feeds = np.empty((size, 3)), np.empty(size)
        lines, rapids = np.empty(size, dtype=np.int32), np.empty(size, dtype=np.bool_)
        begin = np.array(control.place)
        place = begin.copy()
        _, line, n_moves, motion, feed = plain_lines(
            self._text,
            int(self._starts[index]),
            index,
            self._source.stop,
            int(modal.motion or 0),
            modal.absolute,
            modal.units,
            modal.feed,
            place,
            np.array(control.frame.offset()),
            POWERS,
            ends,
            lines,
            feeds,
            rapids,
        )
        modal.motion, modal.feed = motion, feed
        control.place = (float(place[0]), float(place[1]), float(place[2]))
        control.line = max(control.line, line)
        return line - index, _chunk(control, begin, ends[:n_moves], lines, feeds, rapids)


def _is_plain(control: Control) -> bool:
    modal = control.modal
    return (
        modal.motion in (0, 10)
        and modal.compensation == 40
        and modal.feed_mode == 94
        and not modal.polar
        and modal.overrides
        and modal.hold_obeyed
        and control.frame.is_plain
        and control.lag == (0.0, 0.0, 0.0)
        and control.moved
        and control.open_use is None
        and not (control.home_incremental and not modal.absolute)
        and control.dialect.whole_numbers == "as written"
    )


def _chunk(
    control: Control,
    begin: NDArray[np.float64],
    ends: NDArray[np.float64],
    lines: NDArray[np.int32],
    feeds: NDArray[np.float64],
    rapids: NDArray[np.bool_],
) -> NDArray[np.void]:
    n_moves = ends.shape[0]
    chunk = np.zeros(n_moves, dtype=MOVE)
    if n_moves:
        chunk["kind"] = np.where(rapids[:n_moves], SpanKind.RAPID, SpanKind.FEED)
        chunk["line"] = lines[:n_moves]
        chunk["begin"][0] = begin
        chunk["begin"][1:] = ends[:-1]
        chunk["end"] = ends
        chunk["centre"] = np.nan
        chunk["feed"] = feeds[:n_moves]
        chunk["seconds"] = np.nan
        chunk["axis"] = 2
        for name, value in control.stamp().items():
            chunk[name] = value
    return chunk
