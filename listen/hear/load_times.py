"""The times of a log as seconds: numbers, ISO 8601, or a time of day, with a date before it or not."""

import re
from datetime import UTC, datetime
from itertools import pairwise
from math import isfinite
from typing import Any

from listen.errors import RecordingError

CLOCK = re.compile(r"(?:^|[\sT])(\d{1,2}):(\d{2})(?::(\d{2}))?([.,]\d+)?\s*([ap]m)?$", re.IGNORECASE)
DAY_S, HOUR_S = 86400.0, 3600.0
EPOCHS = ((1e17, 1e-9), (1e14, 1e-6), (1e11, 1e-3))  # so large without a unit they are not seconds
FROM_ELSEWHEN_S = 3600.0  # a log that begins later than this does not count from the run's beginning


class LogTimes:
    """Reads the times of one log after the other.

    Numbers are seconds, or what the unit of the column says. Where the first is more than an hour, as of
    a control that has been on for long, or since 1970, they count from the first row, as times with a clock
    in them do.

    Parameters
    ----------
    name : str
        Of the log, for errors.
    factor : float
        Seconds in one of the column's unit.
    of_recording : bool
        Whether they count from the beginning of the sound, however late they begin.
    """

    def __init__(self, name: str, *, factor: float = 1.0, of_recording: bool = False) -> None:
        self._name = name
        self._factor = factor
        self._origin: float | None = None
        self._is_first = not of_recording
        self._wrapped_s = 0.0
        self._before: float | None = None

    def seconds(self, row: int, cell: Any) -> float | None:
        """Time of a cell [s]; None where it is empty.

        Raises
        ------
        RecordingError
            If it is no time.
        """
        if cell is None or (isinstance(cell, str) and not cell.strip()):
            return None
        if isinstance(cell, datetime):
            return self._since_origin(_moment_s(cell))
        text = str(cell).strip()
        number = _number(text)
        if number is None:
            return self._since_origin(self._of_clock(row, text))
        if not isfinite(number):
            raise RecordingError(f"{self._name} row {row}: time is {cell}; it must be a finite number")
        factor = self._factor
        if factor == 1.0:
            factor = next((one for least, one in EPOCHS if number >= least), 1.0)
        time_s = number * factor
        is_first, self._is_first = self._is_first, False
        if self._origin is not None or (is_first and time_s >= FROM_ELSEWHEN_S):
            return self._since_origin(time_s)
        return time_s

    def _since_origin(self, moment_s: float) -> float:
        self._origin = moment_s if self._origin is None else self._origin
        return round(moment_s - self._origin, 6)

    def _of_clock(self, row: int, text: str) -> float:
        try:
            return _moment_s(datetime.fromisoformat(text))
        except ValueError:
            pass
        found = CLOCK.search(text)
        if found is None or (found[3] is None and found[4] is None):
            raise RecordingError(
                f"{self._name} row {row}: time {text!r} is neither seconds nor ISO 8601 "
                f"such as 2030-01-31T08:15:00.250Z, nor a time of day such as 08:15:00.250"
            ) from None
        return self._unwrapped(*_of_day(found))

    def _unwrapped(self, time_s: float, round_s: float) -> float:
        """Time that goes on where a clock begins again, as at midnight."""
        if self._before is not None and time_s < self._before - 0.5 * round_s:
            self._wrapped_s += round_s
        self._before = time_s
        return time_s + self._wrapped_s


def _of_day(found: re.Match[str]) -> tuple[float, float]:
    """Seconds of a clock, and after how many it begins again; two fields are minutes and seconds."""
    first, second, third, rest, half = found.groups()
    part = float((rest or ".0").replace(",", "."))
    if third is None:
        return 60.0 * int(first) + int(second) + part, HOUR_S
    hours = int(first) % 12 + (12 if half.lower() == "pm" else 0) if half else int(first)
    return HOUR_S * hours + 60.0 * int(second) + int(third) + part, DAY_S


def _moment_s(moment: datetime) -> float:
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
    except ValueError:
        return None


def spread_equal(times_s: list[float]) -> list[float]:
    """Times of which many are alike, as where a stamp has whole seconds, spread evenly.

    Where hardly any are alike they stay as they are: a second row of the same time is a duplicate.

    Examples
    --------
    >>> spread_equal([8.0, 8.0, 9.0, 9.0, 10.0, 10.0])
    [8.0, 8.5, 9.0, 9.5, 10.0, 10.5]
    """
    firsts = [i for i, t in enumerate(times_s) if i == 0 or t != times_s[i - 1]]
    if len(times_s) < 6 or len(firsts) < 2 or len(times_s) < 1.5 * len(firsts):
        return times_s
    steps = sorted(times_s[b] - times_s[a] for a, b in pairwise(firsts))
    usual_s, usual_n = steps[len(steps) // 2], round(len(times_s) / len(firsts))
    spread: list[float] = []
    for first, stop in pairwise([*firsts, len(times_s)]):
        n_alike, at_end = stop - first, first == 0 or stop == len(times_s)
        follows_s = times_s[stop] - times_s[first] if stop < len(times_s) else usual_s
        n = max(n_alike, usual_n) if at_end else n_alike  # the first and the last of them may be cut off
        skipped = n - n_alike if first == 0 else 0
        step_s = min(follows_s, usual_s) / n
        spread += [times_s[first] + step_s * (skipped + k) for k in range(n_alike)]
    return spread
