"""Loops over many lines and many moves, compiled."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

POWERS = 10.0 ** np.arange(23)
MAX_DIGITS = 15  # so that digits and power of ten are exact, and their quotient rounded once


@njit(cache=True)
def _number(text: NDArray[np.uint8], at: int, powers: NDArray[np.float64]) -> tuple[float, int]:
    """A decimal number at `at` and where it ends; end -1 where there is none."""
    sign = 1.0
    if text[at] == 43 or text[at] == 45:
        if text[at] == 45:
            sign = -1.0
        at += 1
    digits = 0
    n_digits = 0
    n_after = 0
    point = False
    while True:
        code = text[at]
        if 48 <= code <= 57:
            digits = digits * 10 + (code - 48)
            n_digits += 1
            if point:
                n_after += 1
            if n_digits > 15:
                return 0.0, -1
        elif code == 46 and not point:
            point = True
        else:
            break
        at += 1
    if n_digits == 0:
        return 0.0, -1
    return sign * (float(digits) / powers[n_after]), at


@njit(cache=True)
def plain_lines(
    text: NDArray[np.uint8],
    at: int,
    line: int,
    stop_line: int,
    motion: int,
    absolute: bool,
    units: float,
    feed: float,
    place: NDArray[np.float64],
    offset: NDArray[np.float64],
    powers: NDArray[np.float64],
    ends: NDArray[np.float64],
    lines: NDArray[np.int32],
    feeds: NDArray[np.float64],
    rapids: NDArray[np.bool_],
) -> tuple[int, int, int, int, float]:
    """Read lines of only N, G0, G1, X, Y, Z and F, until one has something else.

    Parameters
    ----------
    text : ndarray, shape (n_bytes,)
        Whole file; every line ends with a line feed. Not changed.
    at, line, stop_line : int
        Byte and line index to begin at, and the line index to stop before.
    motion : int
        0 for G0, 10 for G1.
    absolute, units, feed
        G90; mm per unit; feed in force [mm/min], NaN for none.
    place : ndarray, shape (3,)
        Where the tool is, work coordinates [mm]; changed to where it ends.
    offset : ndarray, shape (3,)
        Work minus programmed coordinates [mm].
    ends, lines, feeds, rapids : ndarray, shape (n_moves, ...)
        Filled; reading stops when they are full.

    Returns
    -------
    at, line, n_moves, motion, feed
        Where the first line that is not plain begins, and the state there.
    """
    n_moves = 0
    words = np.zeros(4)
    given = np.zeros(4, dtype=np.bool_)
    while line < stop_line and n_moves < lines.size:
        given[:] = False
        cursor = at
        new_motion = -1
        seen_n = False
        first = True
        while True:
            code = text[cursor]
            if code == 32 or code == 9:
                cursor += 1
                continue
            if code == 10:
                break
            if 97 <= code <= 122:
                code -= 32
            if code == 88 or code == 89 or code == 90:
                slot = code - 88
            elif code == 70:
                slot = 3
            elif code == 71 or (code == 78 and first):
                slot = 4
            else:
                return at, line, n_moves, motion, feed
            value, end = _number(text, cursor + 1, powers)
            if end < 0:
                return at, line, n_moves, motion, feed
            if slot < 4:
                if given[slot]:
                    return at, line, n_moves, motion, feed
                given[slot] = True
                words[slot] = value
            elif code == 71:
                if new_motion >= 0 or not (value == 0.0 or value == 1.0):
                    return at, line, n_moves, motion, feed
                new_motion = int(value) * 10
            else:
                for i in range(cursor + 1, end):
                    if not 48 <= text[i] <= 57:
                        return at, line, n_moves, motion, feed
                if seen_n:
                    return at, line, n_moves, motion, feed
                seen_n = True
            first = False
            cursor = end
        if given[3] and not words[3] >= 0.0:
            return at, line, n_moves, motion, feed
        if given[3]:
            feed = words[3] * units
        if new_motion >= 0:
            motion = new_motion
        if given[0] or given[1] or given[2]:
            for i in range(3):
                now = place[i] - offset[i]
                if given[i]:
                    now = words[i] * units if absolute else now + words[i] * units
                place[i] = now + offset[i]
                ends[n_moves, i] = place[i]
            lines[n_moves] = line + 1
            rapids[n_moves] = motion == 0
            feeds[n_moves] = 0.0 if motion == 0 or np.isnan(feed) else feed
            n_moves += 1
        at = cursor + 1
        line += 1
    return at, line, n_moves, motion, feed
