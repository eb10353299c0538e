"""Loops over many lines and many moves, compiled."""

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled

POWERS = 10.0 ** np.arange(23)
MAX_DIGITS = 15  # so that digits and power of ten are exact, and their quotient rounded once


@compiled()
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
            if n_digits > MAX_DIGITS:
                return 0.0, -1
        elif code == 46 and not point:
            point = True
        else:
            break
        at += 1
    if n_digits == 0:
        return 0.0, -1
    return sign * (float(digits) / powers[n_after]), at


@compiled()
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
            if end < 0 or abs(value) > 1e9:
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


@compiled()
def ramp_time(change: float, acceleration: float, jerk: float) -> float:
    """Least time to change speed by `change` from and to no acceleration [s]."""
    if change <= acceleration * acceleration / jerk:
        return 2.0 * float(np.sqrt(change / jerk))
    return change / acceleration + acceleration / jerk


@compiled()
def ramp_length(slow: float, fast: float, acceleration: float, jerk: float) -> float:
    """Way gone while the speed changes between `slow` and `fast` [mm]."""
    time: float = ramp_time(fast - slow, acceleration, jerk)
    return 0.5 * (slow + fast) * time


@compiled()
def reachable(slow: float, limit: float, length: float, acceleration: float, jerk: float) -> float:
    """Greatest speed, at most `limit`, that can be reached from `slow` over `length`."""
    if limit <= slow or ramp_length(slow, limit, acceleration, jerk) <= length:
        return limit
    low, high = slow, limit
    for _ in range(60):
        middle = 0.5 * (low + high)
        if ramp_length(slow, middle, acceleration, jerk) <= length:
            low = middle
        else:
            high = middle
    return low


@compiled()
def peak_speed(
    first: float, last: float, limit: float, length: float, acceleration: float, jerk: float
) -> float:
    """Speed between the two ramps of a stretch; the cruise is empty where it stays below `limit`."""
    low, high = max(first, last), limit
    needed = ramp_length(first, high, acceleration, jerk) + ramp_length(last, high, acceleration, jerk)
    if needed <= length:
        return high
    for _ in range(60):
        middle = 0.5 * (low + high)
        needed = ramp_length(first, middle, acceleration, jerk) + ramp_length(
            last, middle, acceleration, jerk
        )
        if needed <= length:
            low = middle
        else:
            high = middle
    return low


@compiled()
def ramp_way(slow: float, fast: float, acceleration: float, jerk: float, time: float) -> float:
    """Way gone `time` after a ramp from `slow` up to `fast` began [mm]."""
    change = fast - slow
    whole: float = ramp_time(change, acceleration, jerk)
    bend = min(float(np.sqrt(change / jerk)), acceleration / jerk)
    top = jerk * bend
    if time <= bend:
        return slow * time + jerk * time**3 / 6.0
    if time <= whole - bend:
        after = time - bend
        return (
            slow * time + jerk * bend**3 / 6.0 + 0.5 * jerk * bend * bend * after + 0.5 * top * after * after
        )
    left = whole - time
    return 0.5 * (slow + fast) * whole - (fast * left - jerk * left**3 / 6.0)


@compiled()
def time_at(
    way: float, first: float, peak: float, last: float, length: float, acceleration: float, jerk: float
) -> float:
    """When a stretch from speed `first` over `peak` to `last` has gone `way` [s]."""
    up: float = ramp_length(first, peak, acceleration, jerk)
    down: float = ramp_length(last, peak, acceleration, jerk)
    up_time: float = ramp_time(peak - first, acceleration, jerk)
    down_time: float = ramp_time(peak - last, acceleration, jerk)
    cruise = max(length - up - down, 0.0)
    if way >= length:
        return up_time + cruise / peak + down_time
    if up <= way <= up + cruise:
        return up_time + (way - up) / peak
    rising = way < up
    target = way if rising else length - way
    slow = first if rising else last
    low, high = 0.0, up_time if rising else down_time
    for _ in range(60):
        middle = 0.5 * (low + high)
        if ramp_way(slow, peak, acceleration, jerk, middle) < target:
            low = middle
        else:
            high = middle
    return low if rising else up_time + cruise / peak + down_time - low


@compiled()
def ride_times(
    lengths: NDArray[np.float64],
    limits: NDArray[np.float64],
    joints: NDArray[np.float64],
    acceleration: float,
    jerk: float,
) -> NDArray[np.float64]:
    """Time of each move, with look-ahead over all of them.

    Moves that join without loss of speed form one stretch; each stretch is ridden with
    ramps of bounded acceleration and jerk, its ends as fast as the corners and the
    stretches around allow.

    Parameters
    ----------
    lengths : ndarray, shape (n_moves,)
        Above 0 [mm].
    limits : ndarray, shape (n_moves,)
        Greatest speed of each move, above 0 [mm/s].
    joints : ndarray, shape (n_moves,)
        Greatest speed where each move ends [mm/s]; 0 for a stop. The last one ends in a stop.
    acceleration, jerk : float
        Above 0 [mm/s², mm/s³].

    Returns
    -------
    ndarray, shape (n_moves,)
        [s]
    """
    n_moves = lengths.size
    times = np.zeros(n_moves)
    if n_moves == 0:
        return times
    ends = np.empty(n_moves, dtype=np.int64)  # one past the last move of each stretch
    sums = np.empty(n_moves)
    n = 0
    total = 0.0
    for i in range(n_moves):
        total += lengths[i]
        free = i + 1 < n_moves and limits[i] == limits[i + 1] and joints[i] >= limits[i]
        if not free:
            ends[n] = i + 1
            sums[n] = total
            n += 1
            total = 0.0
    speeds = np.zeros(n + 1)
    for k in range(n - 1, 0, -1):
        last = ends[k - 1] - 1
        corner = min(joints[last], min(limits[last], limits[last + 1]))
        speeds[k] = reachable(min(speeds[k + 1], corner), corner, sums[k], acceleration, jerk)
    for k in range(n):
        speeds[k + 1] = min(
            speeds[k + 1], reachable(speeds[k], max(speeds[k + 1], speeds[k]), sums[k], acceleration, jerk)
        )
    begin = 0
    for k in range(n):
        limit = limits[begin]
        peak = peak_speed(speeds[k], speeds[k + 1], limit, sums[k], acceleration, jerk)
        way = 0.0
        before = 0.0
        for i in range(begin, ends[k]):
            way += lengths[i]
            reached = sums[k] if i + 1 == ends[k] else way
            now = time_at(reached, speeds[k], peak, speeds[k + 1], sums[k], acceleration, jerk)
            times[i] = max(now - before, 0.0)
            before = now
        begin = ends[k]
    return times
