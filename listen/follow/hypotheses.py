"""Many guesses at once: where the program is, how fast it runs, and how each contact came about.

Conventions
-----------
Phases and causes are plain numbers: members of an enumeration cost time in each look-up.
Guesses are rows of one structured array; what each says of the last heard stretches lies in
rings beside it, one slot a stretch. Times are seconds since the stream opened.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
CUT = 16.0  # a guess this far below the best [nats] is dropped


class Phase:
    """What a guess says the machine is doing."""

    START: Final = 0  # nothing heard yet, place unknown
    AIR: Final = 1  # before contact k
    IN: Final = 2  # in contact k
    STOPPED: Final = 3  # stopped inside contact k
    DROPPED: Final = 4  # in contact k, the ear has lost it
    EXTRA: Final = 5  # a sound that no contact explains


class On:
    """How a heard stretch began."""

    NONE: Final = 0
    ON_TIME: Final = 1
    HELD: Final = 2
    STEPPED: Final = 3
    EARLY: Final = 4
    LATE: Final = 5
    RESUMED: Final = 6
    EXTRA: Final = 7
    RESTARTED: Final = 8
    OPEN: Final = 9  # began before the recording
    FIRST: Final = 10


class Off:
    """How a heard stretch ended."""

    NONE: Final = 0
    ON_TIME: Final = 1
    STEPPED: Final = 2
    STOPPED: Final = 3
    DROPPED: Final = 4
    GONE: Final = 5
    LATE: Final = 6
    MERGED: Final = 7
    EXTRA: Final = 8
    MOVED: Final = 9  # the whole contact came early or late, its length is right


CORE = np.dtype(
    [
        ("k", "i4"),  # next contact, or the one that runs
        ("since", "i4"),  # first contact that this guess can speak of; what came before it nobody knows
        ("phase", "i1"),
        ("was", "i1"),  # phase to go back to after an extra sound
        ("t0", "f8"),  # time of the anchor
        ("u0", "f8"),  # place of the anchor along the program
        ("q", "f8"),  # variance of the anchor [s²]
        ("ts", "f8"),  # when the sound last stopped
        ("m", "f8"),  # log of the feed rate over the known override
        ("v", "f8"),  # its variance
        ("mb", "f8"),  # the same log rate before the last turn of the override
        ("b", "f8"),  # what every gap takes longer than computed [s]
        ("vb", "f8"),
        ("lr", "f8"),  # log of the rapid rate
        ("vr", "f8"),
        ("shift", "f8"),  # how much earlier than its place this contact began [program s]
        ("early_mm", "f8"),  # the last early start [mm], 0 for none
        ("gaps", "f8"),  # gaps that this guess has seen, older ones faded
        ("held", "f8"),  # and those of them in which it says the program was held,
        ("hold_log", "f8"),  # log of how long those holds were over the usual length,
        ("hold_square", "f8"),  # and half the squares of what they strayed from each other
        ("gone", "?"),  # the tool is gone: nothing more is expected to be heard
        ("logw", "f8"),
        ("parent", "i4"),
        ("code", "i1"),
        ("predicted", "f8"),
        ("noise", "f8"),  # noise of this boundary over what was forecast; NaN where not told
        ("paid", "f8"),  # log of what silence took from it already, while it waits on beside an extra sound
        ("worse", "f8"),  # how much its date speaks for an ear worse than stated [nats]
    ]
)


@dataclass(slots=True)
class Rings:
    """What each guess says of the last heard stretches, shape (n_guesses, n_slots) each."""

    contact: NDArray[np.int32]
    last: NDArray[np.int32]
    on: NDArray[np.int8]
    off: NDArray[np.int8]
    expected_on: Floats
    expected_off: Floats
    early_mm: Floats

    @classmethod
    def empty(cls, n_guesses: int, n_slots: int) -> "Rings":
        """Rings in which nothing is said yet."""
        shape = (n_guesses, n_slots)
        return cls(
            contact=np.full(shape, -1, np.int32),
            last=np.full(shape, -1, np.int32),
            on=np.zeros(shape, np.int8),
            off=np.zeros(shape, np.int8),
            expected_on=np.full(shape, np.nan),
            expected_off=np.full(shape, np.nan),
            early_mm=np.zeros(shape),
        )

    def take(self, index: Ints) -> "Rings":
        """The rows of these guesses."""
        return Rings(
            contact=self.contact[index],
            last=self.last[index],
            on=self.on[index],
            off=self.off[index],
            expected_on=self.expected_on[index],
            expected_off=self.expected_off[index],
            early_mm=self.early_mm[index],
        )

    def clear(self, slot: int) -> None:
        """Make a slot free for the next stretch."""
        self.contact[:, slot] = -1
        self.last[:, slot] = -1
        self.on[:, slot] = 0
        self.off[:, slot] = 0
        self.expected_on[:, slot] = np.nan
        self.expected_off[:, slot] = np.nan
        self.early_mm[:, slot] = 0.0


class Growing:
    """Collects the children of one step, leaving out the hopeless ones at once.

    Attributes
    ----------
    best : float
        Log weight of the best child so far.
    """

    def __init__(self, parents: NDArray[np.void]) -> None:
        self.parents = parents
        self._parts: list[tuple[Ints, Floats, dict[str, object]]] = []
        self.best = -np.inf

    def add(self, index: Ints, logw: Floats, **fields: object) -> None:
        """Add children of the parents `index`; a field is one value or one for each child.

        What has a `logw` of −inf is no child. Arrays are not to be changed afterwards.
        """
        if index.size == 0:
            return
        best = float(logw.max())
        if best > self.best - CUT:
            self.best = max(self.best, best)
            self._parts.append((index, logw, fields))

    def all(self) -> NDArray[np.void]:
        """The children that are not hopeless beside the best of all; made at once, which costs least."""
        parts = [
            (index, logw, fields, np.flatnonzero(logw > self.best - CUT))
            for index, logw, fields in self._parts
        ]
        parts = [part for part in parts if part[3].size]
        if not parts:
            return self.parents[:0]
        parent = np.concatenate([index[good] for index, _, _, good in parts])
        children: NDArray[np.void] = self.parents[parent]
        children["parent"], children["noise"], children["worse"] = parent, np.nan, 0.0
        columns = {name: children[name] for name in CORE.names or ()}
        stop = 0
        for _, logw, fields, good in parts:
            rows = slice(stop, stop := stop + good.size)
            columns["logw"][rows] = logw[good]
            for name, value in fields.items():
                columns[name][rows] = value[good] if isinstance(value, np.ndarray) else value
        return children


def joined(parts: list[NDArray[np.void]]) -> NDArray[np.void]:
    """Guesses one after the other; `np.concatenate` compares all fields first, which costs more."""
    whole = np.empty(sum(part.size for part in parts), CORE)
    at = 0
    for part in parts:
        whole[at : at + part.size] = part
        at += part.size
    return whole


def normal_log(x: Floats, variance: Floats) -> Floats:
    """Log density of a normal at distance `x` from its mean."""
    result: Floats = -0.5 * (x * x / variance + np.log(2.0 * np.pi * variance))
    return result


def tailed_log(x: Floats, variance: Floats, *, tail: float, scale: float) -> Floats:
    """Log density of a normal with a share `tail` that is `scale` times as wide."""
    narrow = np.log1p(-tail) + normal_log(x, variance)
    wide = np.log(tail) + normal_log(x, variance * scale**2)
    result: Floats = np.logaddexp(narrow, wide)
    return result


def lognormal_log(x: Floats, *, median: Floats | float, spread: Floats | float) -> Floats:
    """Log density of a log-normal; −inf where `x` is not above 0."""
    safe = np.maximum(x, 1e-9)
    z = np.log(safe / median) / spread
    density = -0.5 * z * z - np.log(safe * spread * np.sqrt(2.0 * np.pi))
    result: Floats = np.where(x > 0.0, density, -np.inf)
    return result


def merge_alike(core: NDArray[np.void], history: Ints) -> Ints:
    """Add up guesses that agree on what matters from here on; gives the rows to keep.

    `core["logw"]` of the kept rows is changed to the sum of their group.
    """
    keys = (
        core["k"].astype(np.int64) * 8 + core["phase"],
        np.rint(core["t0"] * 500.0).astype(np.int64),
        np.rint(core["u0"] * 20.0).astype(np.int64),
        np.rint(core["m"] * 40.0).astype(np.int64),
        np.rint(core["lr"] * 10.0).astype(np.int64),
        np.rint(np.log(core["q"] + 1e-4) * 2.0).astype(np.int64),
        np.rint(np.log(core["vb"] + 1e-4)).astype(np.int64),
        np.rint(core["early_mm"] * 10.0).astype(np.int64),
        history,
    )
    mixed = np.zeros(core.size, np.int64)
    for key in keys:
        mixed = mixed * np.int64(1000003) + key
    order = np.lexsort((-core["logw"], mixed))
    ordered = mixed[order]
    first = np.concatenate([[True], ordered[1:] != ordered[:-1]])
    group = np.cumsum(first) - 1
    best = core["logw"][order][first]
    total = np.bincount(group, weights=np.exp(core["logw"][order] - best[group]))
    kept = order[first]
    core["logw"][kept] = best + np.log(total)
    result: Ints = kept
    return result
