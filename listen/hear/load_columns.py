"""Which column of a load log is what: its key and unit, by a map, the contract's names, or its words.

Conventions
-----------
The names of the contract come first, then a column map, then what the words of a header say. A column
whose header has a word that is not known here is left alone: the load of an axis is not the spindle's.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from listen.blocks import LOAD_KINDS
from listen.errors import InputError, RecordingError
from listen.job import nearest

KEYS = {
    "time": ("time_s", "time", "timestamp"),
    "sample": ("sample",),
    "load_percent": ("load_percent", "load"),
    "current_a": ("current_a", "current"),
    "power_w": ("power_w", "power"),
    "torque_nm": ("torque_nm", "torque"),
    "line": ("line",),
    "block": ("block",),
    "execution": ("execution",),
    "feed_override": ("feed_override",),
    "spindle_rpm": ("spindle_rpm",),
}
# Words of headers, English and German; common practice, no source.
SPINDLE = {"spindle", "spindel", "spindle1", "spdl", "sp", "s", "s0", "s1", "main"}
OF_A_VALUE = {
    *("actual", "act", "ist", "measured", "mean", "avg", "average", "mittel", "rms", "filtered", "smoothed"),
    *("value", "wert", "total", "motor", "drive", "antrieb", "rated", "of", "in", "percent", "pct", "level"),
}
WORDS = {
    "load_percent": {"load", "last", "auslastung", "utilization", "utilisation", "spindellast"},
    "current_a": {"current", "amps", "ampere", "amperes", "strom", "spindelstrom"},
    "power_w": {"power", "watt", "watts", "leistung", "spindelleistung"},
    "torque_nm": {"torque", "moment", "drehmoment"},
    "time": {"time", "timestamp", "datetime", "t", "zeit", "uhrzeit", "zeitstempel", "seconds", "elapsed"},
    "line": {"line", "zeile", "linenumber", "lineno"},
    "block": {"block", "satz", "satznummer", "blocknumber"},
    "execution": {"execution", "exec"},
    "feed_override": {"override", "ovr", "fovr", "feedoverride", "feedrateoverride", "vorschuboverride"},
    "spindle_rpm": {"rpm", "speed", "drehzahl", "spindlespeed", "spindeldrehzahl"},
}
BESIDE = {  # further words that change nothing
    "time": {"date", "stamp", "since", "start", "rel", "relative", "utc", "local", "log", "s", "sec", "run"},
    "line": {"number", "no", "nr", "num", "nc", "program", "active", "executing"},
    "block": {"number", "no", "nr", "num", "nc", "program", "active", "executing"},
    "execution": {"state", "status"},
    "feed_override": {"feed", "feedrate", "path", "rate", "vorschub", "f", "percent", "pct"},
    "spindle_rpm": SPINDLE | OF_A_VALUE,
} | {kind: SPINDLE | OF_A_VALUE for kind in LOAD_KINDS}
UNITS: dict[str, tuple[str, float]] = {  # key, and what one of it is in the unit of that key
    **{name: ("time", 1.0) for name in ("s", "sec", "secs", "second", "seconds")},
    **{name: ("time", 1e-3) for name in ("ms", "msec", "milliseconds")},
    **{name: ("time", 1e-6) for name in ("us", "µs", "μs")},
    **{"ns": ("time", 1e-9), "min": ("time", 60.0)},
    **{name: ("load_percent", 1.0) for name in ("%", "percent", "pct", "prozent")},
    **{
        "a": ("current_a", 1.0),
        "amp": ("current_a", 1.0),
        "amps": ("current_a", 1.0),
        "ma": ("current_a", 1e-3),
    },
    **{"w": ("power_w", 1.0), "watt": ("power_w", 1.0), "watts": ("power_w", 1.0), "kw": ("power_w", 1e3)},
    **{
        "nm": ("torque_nm", 1.0),
        "ncm": ("torque_nm", 0.01),
        "n·m": ("torque_nm", 1.0),
        "n.m": ("torque_nm", 1.0),
    },
    **{name: ("spindle_rpm", 1.0) for name in ("rpm", "1/min", "min-1", "u/min", "rev/min", "r/min")},
}
BRACKETS = re.compile(r"[\[(<{]\s*([^\])>}]*?)\s*[\])>}]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """Where a value stands.

    Attributes
    ----------
    header : str
    unit : str
        As the header has it, "" where it has none.
    factor : float
        From that unit to the key's.
    """

    header: str
    unit: str = ""
    factor: float = 1.0


def key_of(word: str) -> str:
    """The key that a word of a column map means.

    Raises
    ------
    InputError
        If it is none.
    """
    for key, names in KEYS.items():
        if word == key or word in names:
            return key
    words = sorted({name for key, names in KEYS.items() for name in (key, *names)})
    raise InputError(f"a column map knows {', '.join(words)}; got {word!r}{nearest(word, words)}")


def find_columns(
    name: str, headers: Sequence[str], *, units: Mapping[str, str], columns: Mapping[str, str]
) -> dict[str, Column]:
    """The column of each key that a table has.

    Parameters
    ----------
    name : str
        Of the file, for errors.
    headers : sequence of str
    units : mapping
        Unit of a header from a row of its own.
    columns : mapping
        Header of each key, as the person says.

    Raises
    ------
    RecordingError
        If the map names a header that is not there.
    """
    said = {header: (_words(header), _unit(header, units.get(header, ""))) for header in headers}
    found: dict[str, Column] = {}
    for word, header in columns.items():
        if header not in said:
            listed = ", ".join(headers)
            raise RecordingError(
                f"{name} has no column {header!r}, it has {listed}{nearest(header, headers)}"
            )
        key = key_of(word)
        of_unit = UNITS.get(said[header][1], ("", 1.0))[0]
        # 'load' is what a person says of any of them
        key = of_unit if word == "load" and of_unit in LOAD_KINDS else key
        found[key] = _column(key, header, said[header][1])
    for key, names in KEYS.items():
        exact = next((one for one in names if one in said), None)
        if exact is not None and _is_free(key, found):
            found[key] = _column(key, exact, said[exact][1])
    for key in KEYS:
        if _is_free(key, found) and key not in LOAD_KINDS:
            worded = _worded(key, said)
            if worded is not None:
                found[key] = _column(key, worded, said[worded][1])
    if not any(kind in found for kind in LOAD_KINDS):
        found |= _spindle_load(said)
    return found


Said = Mapping[str, tuple[tuple[str, ...], str]]


def _is_free(key: str, found: Mapping[str, Column]) -> bool:
    """Whether a key has no column yet, nor another that says the same."""
    if key in ("time", "sample"):
        return not {"time", "sample"} & found.keys()
    if key in LOAD_KINDS:
        return not any(kind in found for kind in LOAD_KINDS)
    return key not in found


def _column(key: str, header: str, unit: str) -> Column:
    of_unit, factor = UNITS.get(unit, ("", 1.0))
    return Column(header=header, unit=unit, factor=factor if of_unit == key else 1.0)


def _worded(key: str, said: Said) -> str | None:
    """The header whose words say a key and nothing else, the shortest of them."""
    if key not in WORDS:
        return None
    known = WORDS[key] | BESIDE[key]
    fits = [
        header
        for header, (words, unit) in said.items()
        if set(words) & WORDS[key] and set(words) <= known and _unit_fits(key, unit)
    ]
    return min(fits, key=lambda header: len(said[header][0]), default=None)


def _unit_fits(key: str, unit: str) -> bool:
    of_unit = UNITS.get(unit, (key, 1.0))[0]
    return of_unit == key or (key == "feed_override" and of_unit == "load_percent")


def _spindle_load(said: Said) -> dict[str, Column]:
    """The column that shows how hard the spindle works: by its words, or by 'spindle' and a unit."""
    ranked = []
    for place, (header, (words, unit)) in enumerate(said.items()):
        of_unit = UNITS.get(unit, ("", 1.0))[0]
        worded = next((kind for kind in LOAD_KINDS if set(words) & WORDS[kind]), "")
        if not set(words) <= SPINDLE | OF_A_VALUE | WORDS.get(worded, set()):
            continue
        kind = of_unit if of_unit in LOAD_KINDS else ("" if of_unit else worded)
        of_spindle = bool(set(words) & SPINDLE)
        if kind and (worded or of_spindle):
            ranked.append(
                (not of_spindle, not worded, LOAD_KINDS.index(kind), len(words), place, kind, header)
            )
    if not ranked:
        return {}
    *_, kind, header = min(ranked)
    return {kind: _column(kind, header, said[header][1])}


def _words(header: str) -> tuple[str, ...]:
    """The words of a header without its unit, in small letters.

    Examples
    --------
    >>> _words("SpindleLoad [%]"), _words("time_ms"), _words("S1 Load / %")
    (('spindle', 'load'), ('time',), ('s1', 'load'))
    """
    bare = BRACKETS.sub(" ", header).replace("%", " ")
    bare = re.sub(r"(?<=[a-zäöü])(?=[A-Z])", " ", bare)
    words = [word for word in re.split(r"[^0-9a-zäöüµ]+", bare.lower()) if word]
    if (
        len(words) > 1
        and words[-1] in UNITS
        and words[-1] not in {w for known in WORDS.values() for w in known}
    ):
        words = words[:-1]
    return tuple(words)


def _unit(header: str, beside: str) -> str:
    """The unit of a header in small letters, "" where it has none.

    Examples
    --------
    >>> _unit("Power (kW)", ""), _unit("time_ms", ""), _unit("Load", "[%]"), _unit("Zeit / s", "")
    ('kw', 'ms', '%', 's')
    """
    said = [beside.strip("[]()<>{} "), *BRACKETS.findall(header), *re.split(r"[\s_/,:]+", header)[1:][-1:]]
    units = [one.strip().lower() for one in said]
    if "%" in header:
        units.append("%")
    return next((one for one in units if one in UNITS), "")
