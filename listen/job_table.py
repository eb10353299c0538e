"""One table of a TOML file, key by key: what each must be, and which are wrong, missing or misspelt."""

import difflib
import math
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from listen.errors import InputError
from listen.job import MM_PER_INCH, nearest

Kind = TypeVar("Kind")
GREATEST = 1e9  # of any number in a job: nothing on a mill is as large
UNITS = ("mm", "inch")


class Table:
    """Takes keys out one by one, and refuses what is left.

    `where` is what messages call it.
    """

    def __init__(self, where: str, values: object) -> None:
        if not isinstance(values, Mapping):
            raise InputError(f"{where} must be a table, got {values!r}")
        self.where = where
        self._values = dict(values)
        self._known: list[str] = []

    def take(self, key: str, must_be: str, fits: Callable[[Any], Kind | None]) -> Kind | None:
        """The value of `key` as `fits` returns it, None where the key is not there."""
        self._known.append(key)
        if key not in self._values:
            return None
        value = self._values.pop(key)
        fitted = fits(value)
        if fitted is None:
            raise InputError(f"{self.where} {key} must be {must_be}, got {value!r}")
        return fitted

    def need(self, key: str, must_be: str, fits: Callable[[Any], Kind | None]) -> Kind:
        """As `take`, for a key that must be there."""
        value = self.take(key, must_be, fits)
        if value is None:
            near = difflib.get_close_matches(key, list(self._values), n=1)
            instead = f"; {near[0]!r} looks like it, misspelt" if near else ""
            raise InputError(f"{self.where} needs {key}: {must_be}{instead}")
        return value

    def done(self) -> None:
        """Refuse what nobody took."""
        for key in self._values:
            raise InputError(
                f"{self.where} has an unknown key {key!r}{nearest(key, self._known)}"
                f"; known are {', '.join(self._known)}"
            )


def as_text(value: Any) -> str | None:
    """A text with something in it that a file may be called."""
    return value if isinstance(value, str) and value and "\0" not in value else None


def as_number(value: Any) -> float | None:
    """A number that something on a mill can have."""
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if plain and math.isfinite(value) and abs(value) <= GREATEST else None


def as_whole(value: Any) -> int | None:
    """A whole number; true and false are none."""
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def as_truth(value: Any) -> bool | None:
    """True or false, and not 1 or 0."""
    return value if isinstance(value, bool) else None


def as_table(value: Any) -> dict[str, Any] | None:
    """A table of its own."""
    return value if isinstance(value, dict) else None


def as_tables(value: Any) -> list[dict[str, Any]] | None:
    """Several tables under one name."""
    right = isinstance(value, list) and all(isinstance(item, dict) for item in value)
    return value if right else None


def as_texts(value: Any) -> tuple[str, ...] | None:
    """One text or a list of them."""
    items = [value] if isinstance(value, str) else value
    right = isinstance(items, list) and items and all(as_text(item) for item in items)
    return tuple(items) if right else None


def as_numbers(count: int) -> Callable[[Any], tuple[float, ...] | None]:
    """A list of so many numbers."""

    def fits(value: Any) -> tuple[float, ...] | None:
        if not isinstance(value, list) or len(value) != count:
            return None
        found = [as_number(item) for item in value]
        return None if None in found else tuple(float(item) for item in found if item is not None)

    return fits


def as_one_of(words: tuple[str, ...]) -> Callable[[Any], str | None]:
    """One of these words."""
    return lambda value: value if value in words else None


def scale_of(units: str) -> float:
    """Millimetres in one of a unit."""
    return MM_PER_INCH if units == "inch" else 1.0
