"""Two runs of one program, contact by contact: what changed beyond the usual spread, worst first."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.record.contact_sound import HIGHEST_HZ, ContactNumbers, contact_numbers
from listen.record.run import Run, RunContact
from listen.record.words import contact_labels

SIGMAS = 3.5  # a change is told from this many standard deviations on
FEWEST_FOR_ROOM = 3  # contacts needed to tell the room and the microphone from the cut


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What is compared, its unit, the least change worth telling, and the spread of good runs.

    The spreads stand where there are no two earlier good runs to take them from: common
    practice, no source.
    """

    name: str
    unit: str
    least: float
    usual_spread: float


LEVEL = Kind(name="level", unit="dB", least=2.0, usual_spread=0.7)
BAND = Kind(name="spectrum", unit="dB", least=3.0, usual_spread=1.0)
COMB = Kind(name="tooth-pass lines", unit="dB", least=4.0, usual_spread=1.0)
LOAD = Kind(name="load", unit="", least=3.0, usual_spread=1.0)
ONSET = Kind(name="onset", unit="s", least=0.1, usual_spread=0.03)
LENGTH = Kind(name="length", unit="s", least=0.1, usual_spread=0.04)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that is different in the second run.

    Attributes
    ----------
    contact : int | None
        None for what changed in all contacts alike.
    label : str
        The contact line, or "all contacts".
    what : str
        "level", "spectrum", "tooth-pass lines", "load", "onset", "length" or "heard".
    amount : float
        Second run less first run, in `unit`.
    spread : float
        Standard deviation that such a difference has between good runs.
    score : float
        `amount` in spreads; changes are sorted by it.
    hz : float
        Where in the spectrum; NaN elsewhere.
    text : str
        One sentence.
    """

    contact: int | None
    label: str
    what: str
    amount: float
    unit: str
    spread: float
    score: float
    hz: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What became of the contacts of one program from the first run to the second.

    Attributes
    ----------
    changes : tuple of Change
        Worst first.
    pairs : tuple of (RunContact, RunContact)
        The contacts that both runs heard, first and second run.
    n_good : int
        Earlier good runs from which the spread was taken.
    """

    changes: tuple[Change, ...]
    pairs: tuple[tuple[RunContact, RunContact], ...]
    n_good: int


def compare_runs(first: Run, second: Run, good: Sequence[Run] = ()) -> Comparison:
    """What the second run has that the first has not, and the other way round.

    Parameters
    ----------
    first, second : Run
        Two runs of one program.
    good : sequence of Run
        Earlier good runs of it; from two on, their own spread is the yardstick.

    Raises
    ------
    InputError
        If the programs are not the same.
    """
    if first.timeline is None or first.header.program != second.header.program:
        names = [run.header.program or "none" for run in (first, second)]
        raise InputError(f"two runs of one program can be compared, got programs {names[0]} and {names[1]}")
    pairs = _pairs(first, second)
    highest_hz = min(HIGHEST_HZ, *(0.45 * _sound_rate(run) for run in (first, second, *good)))
    numbers = [_Numbers(run, highest_hz) for run in (first, second)]
    spreads = _Spreads([_Numbers(run, highest_hz) for run in good])
    changes = list(_heard_changes(first, second))
    if not (first.header.is_made and second.header.is_made):  # made sound is turned up or down as a whole
        changes += _alike(pairs, numbers)
    room = _room_db(pairs, numbers)
    labels = contact_labels(first.contacts)
    for one, other in pairs:
        changes += _contact_changes(one, other, labels[one.id], numbers, spreads, room)
    ordered = sorted(changes, key=lambda change: -abs(change.score))
    return Comparison(changes=tuple(ordered), pairs=tuple(pairs), n_good=len(good))


class _Numbers:
    """The numbers of a run's contacts, each made once."""

    def __init__(self, run: Run, highest_hz: float) -> None:
        self.run = run
        self._highest_hz = highest_hz
        self._made: dict[int, ContactNumbers] = {}

    def of(self, contact: RunContact) -> ContactNumbers:
        """The numbers of one heard contact."""
        if contact.id not in self._made:
            self._made[contact.id] = contact_numbers(self.run, contact, highest_hz=self._highest_hz)
        return self._made[contact.id]

    def by_key(self, contact: RunContact) -> ContactNumbers | None:
        """The numbers of the same contact in this run, None where it was not heard."""
        for own in self.run.contacts:
            if (own.id, own.block) == (contact.id, contact.block) and own.heard is not None:
                return self.of(own)
        return None


class _Spreads:
    """How much good runs differ among themselves, contact by contact."""

    def __init__(self, good: Sequence[_Numbers]) -> None:
        self._good = good

    def of(self, contact: RunContact, kind: Kind, band: int | None = None) -> float:
        """Standard deviation of a difference between two good runs."""
        found = [numbers.by_key(contact) for numbers in self._good]
        values = np.array([_value(one, kind, band) for one in found if one is not None])
        values = values[np.isfinite(values)]
        if values.size < 2:
            return kind.usual_spread * math.sqrt(2)
        return max(float(values.std(ddof=1)), kind.usual_spread / 3) * math.sqrt(2)


def _sound_rate(run: Run) -> int:
    return run.header.sound_rate or run.rate


def _value(numbers: ContactNumbers, kind: Kind, band: int | None) -> float:
    if kind is BAND:
        assert band is not None
        return float(numbers.bands_db[band])
    name = {"level": "level_db", "tooth-pass lines": "comb_db", "load": "load"}.get(kind.name)
    return float(getattr(numbers, name or {"onset": "onset_s", "length": "length_s"}[kind.name]))


def _pairs(first: Run, second: Run) -> list[tuple[RunContact, RunContact]]:
    theirs = {(row.id, row.block): row for row in second.contacts if row.heard and row.line is not None}
    both = ((row, theirs.get((row.id, row.block))) for row in first.contacts if row.heard)
    return [(one, other) for one, other in both if other is not None]


def _heard_changes(first: Run, second: Run) -> Iterator[Change]:
    """Contacts that only one of the runs heard."""
    theirs = {(row.id, row.block): row for row in second.contacts if row.line is not None}
    labels = contact_labels(first.contacts)
    for row in first.contacts:
        other = theirs.get((row.id, row.block))
        if other is None or (row.heard is None) == (other.heard is None):
            continue
        sign = 1.0 if row.heard is None else -1.0
        where = "second run, not in the first" if sign > 0 else "first run, not in the second"
        label = labels[row.id]
        yield Change(
            contact=row.id,
            label=label,
            what="heard",
            amount=sign,
            unit="",
            spread=0.0,
            score=sign * 1000.0,
            hz=math.nan,
            text=f"{label} was heard in the {where}",
        )


def _room_db(
    pairs: Sequence[tuple[RunContact, RunContact]], numbers: Sequence[_Numbers]
) -> NDArray[np.float64] | float:
    """What differs in all contacts alike [dB]: microphone, room, or the tool as a whole."""
    if not pairs:
        return 0.0
    differences = np.array([numbers[1].of(b).bands_db - numbers[0].of(a).bands_db for a, b in pairs])
    if len(pairs) < FEWEST_FOR_ROOM:
        return float(np.median(differences))
    medians: NDArray[np.float64] = np.median(differences, axis=0)
    return medians


def _alike(pairs: Sequence[tuple[RunContact, RunContact]], numbers: Sequence[_Numbers]) -> Iterator[Change]:
    """The one line for what changed in all contacts alike."""
    if len(pairs) < FEWEST_FOR_ROOM:
        return
    levels = np.array([numbers[1].of(b).level_db - numbers[0].of(a).level_db for a, b in pairs])
    amount = float(np.median(levels))
    spread = LEVEL.usual_spread * math.sqrt(2)
    if abs(amount) >= max(LEVEL.least, SIGMAS * spread):
        text = f"all contacts are {_more(amount)} by about {abs(amount):.1f} dB: was the microphone moved?"
        yield _change(None, "all contacts", LEVEL, amount, spread, text)


def _more(amount: float) -> str:
    return "louder" if amount > 0 else "quieter"


def _contact_changes(
    one: RunContact,
    other: RunContact,
    label: str,
    numbers: Sequence[_Numbers],
    spreads: _Spreads,
    room: NDArray[np.float64] | float,
) -> Iterator[Change]:
    before, after = numbers[0].of(one), numbers[1].of(other)
    yield from _band_changes(one, label, before, after, spreads, room)
    overall = float(np.median(room))
    for kind in (LEVEL, COMB, LOAD, ONSET, LENGTH):
        amount = _value(after, kind, None) - _value(before, kind, None)
        error = 0.0
        if kind is LEVEL:
            amount -= overall
            error = math.hypot(before.level_error_db, after.level_error_db)
        spread = math.hypot(spreads.of(one, kind), error)
        if math.isfinite(amount) and abs(amount) >= max(kind.least, SIGMAS * spread):
            yield _change(one.id, label, kind, amount, spread, f"{label}: {_words(kind, amount)}")


def _words(kind: Kind, amount: float) -> str:
    if kind is LEVEL:
        return f"{_more(amount)} by {abs(amount):.1f} dB"
    if kind is COMB:
        return f"tooth-pass lines {'stronger' if amount > 0 else 'weaker'} by {abs(amount):.1f} dB"
    if kind is LOAD:
        return f"load {'higher' if amount > 0 else 'lower'} by {abs(amount):.1f}"
    if kind is ONSET:
        return f"began {abs(amount):.2f} s {'later' if amount > 0 else 'earlier'}"
    return f"lasted {abs(amount):.2f} s {'longer' if amount > 0 else 'shorter'}"


def _band_changes(
    one: RunContact,
    label: str,
    before: ContactNumbers,
    after: ContactNumbers,
    spreads: _Spreads,
    room: NDArray[np.float64] | float,
) -> Iterator[Change]:
    """One change for each stretch of neighbouring bands beyond their spread: its strongest band."""
    amounts = after.bands_db - before.bands_db - room
    usual = np.array([spreads.of(one, BAND, band) for band in range(amounts.size)])
    spread = np.sqrt(usual**2 + before.bands_error_db**2 + after.bands_error_db**2)
    loud = np.maximum(before.bands_db, after.bands_db) > max(before.level_db, after.level_db) - 50.0
    beyond = (np.abs(amounts) >= np.maximum(BAND.least, SIGMAS * spread)) & loud
    for run in np.split(np.arange(amounts.size), np.flatnonzero(np.diff(beyond.astype(int))) + 1):
        if not beyond[run[0]]:
            continue
        band = int(run[np.argmax(np.abs(amounts[run]) / spread[run])])
        amount, hz = float(amounts[band]), float(before.bands_hz[band])
        text = f"{label}: {_more(amount)} by {abs(amount):.1f} dB about {_two_digits(hz):.0f} Hz"
        yield _change(one.id, label, BAND, amount, float(spread[band]), text, hz=hz)


def _two_digits(hz: float) -> float:
    """A frequency no finer than a band is."""
    return float(f"{hz:.2g}")


def _change(
    contact: int | None, label: str, kind: Kind, amount: float, spread: float, text: str, hz: float = math.nan
) -> Change:
    return Change(
        contact=contact,
        label=label,
        what=kind.name,
        amount=amount,
        unit=kind.unit,
        spread=spread,
        score=amount / spread,
        hz=hz,
        text=f"{text} (usual spread {spread:.2g} {kind.unit})".replace(" )", ")"),
    )
