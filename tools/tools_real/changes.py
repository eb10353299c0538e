"""One thing changed in a run of passes, and what must then be said of each."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tools_real.labelled import Pass

FINE, NEVER, EARLY, SHORT = (
    frozenset({word}) for word in ("as expected", "not heard", "started early", "ended early")
)
UNTOLD = frozenset({"cannot tell"})
PLAIN_S = 0.2  # a start is counted as heard within so much: earlier by less, it may be as expected


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A stretch of contact that belongs to pass `number`, from 0 [s]."""

    start_s: float
    stop_s: float
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A changed run.

    Attributes
    ----------
    cuts : tuple of Cut
        What is really cut, in order; a pass held in the cut is two of them.
    right : tuple of frozenset
        For each pass the verdicts that are right.
    most_flags : int
        One for one cause, none for none.
    fault_s : float or None
        When the fault that must be flagged is there, on the clock of `cuts`; None where none must be.
    before_s, after_s : float
        Air before the first and after the last cut.
    """

    name: str
    cuts: tuple[Cut, ...]
    right: tuple[frozenset[str], ...]
    most_flags: int
    fault_s: float | None = None
    before_s: float = 2.0
    after_s: float = 6.0


def changes(rng: np.random.Generator, passes: Sequence[Pass]) -> Iterator[Change]:
    """All changes, each at the same pass, drawn from the middle of the run."""
    cuts = tuple(Cut(start_s=p.start_s, stop_s=p.stop_s, number=i) for i, p in enumerate(passes))
    k = int(rng.integers(3, len(cuts) - 3))
    yield _change("nothing changed", cuts, {}, 0)
    yield from _missing(cuts, k)
    yield from _early(cuts, k)
    yield from _held(cuts, k)
    yield from _slowed(cuts, k)
    yield from _told_wrong(cuts, k)
    yield from _lost(cuts, k)
    yield from _elsewhere(cuts)


def _change(
    name: str,
    cuts: Sequence[Cut],
    other: dict[int, frozenset[str]],
    most_flags: int,
    *,
    n: int | None = None,
    fault_s: float | None = None,
    before_s: float = 2.0,
    after_s: float = 6.0,
) -> Change:
    n_passes = 1 + cuts[-1].number if n is None else n
    return Change(
        name=name,
        cuts=tuple(cuts),
        right=tuple(other.get(i, FINE) for i in range(n_passes)),
        most_flags=most_flags,
        fault_s=fault_s,
        before_s=before_s,
        after_s=after_s,
    )


def _later(cuts: Sequence[Cut], from_number: int, by_s: float) -> list[Cut]:
    return [
        replace(c, start_s=c.start_s + by_s, stop_s=c.stop_s + by_s) if c.number >= from_number else c
        for c in cuts
    ]


def _missing(cuts: tuple[Cut, ...], k: int) -> Iterator[Change]:
    n, due_s = len(cuts), cuts[k].start_s
    yield _change("one taken out", [c for c in cuts if c.number != k], {k: NEVER}, 1, fault_s=due_s)
    gone = {k: NEVER, k + 1: NEVER}
    yield _change("two taken out", [c for c in cuts if c.number not in gone], gone, 1, fault_s=due_s)
    yield _change("first taken out", cuts[1:], {0: NEVER | UNTOLD}, 1)  # or the recording began later
    yield _change("last taken out", cuts[:-1], {n - 1: NEVER}, 1, n=n, fault_s=cuts[-1].start_s)


def _early(cuts: tuple[Cut, ...], k: int) -> Iterator[Change]:
    by_s = 0.6 * (cuts[k].start_s - cuts[k - 1].stop_s)
    sooner = replace(cuts[k], start_s=cuts[k].start_s - by_s)
    moved = replace(sooner, stop_s=cuts[k].stop_s - by_s)
    for name, early in (("one brought forward", moved), ("one begun early, ended in time", sooner)):
        parts = [*cuts[:k], early, *cuts[k + 1 :]]
        right, fault_s = (EARLY, early.start_s) if by_s > PLAIN_S else (EARLY | FINE | UNTOLD, None)
        yield _change(name, parts, {k: right}, 1, fault_s=fault_s)
    sooner_all = EARLY | UNTOLD if by_s > PLAIN_S else EARLY | UNTOLD | FINE
    yield _change("all from one brought forward", _later(cuts, k, -by_s), {k: sooner_all}, 1)


def _held(cuts: tuple[Cut, ...], k: int) -> Iterator[Change]:
    half_s = 0.5 * (cuts[k].start_s + cuts[k].stop_s)
    first, rest = replace(cuts[k], stop_s=half_s), replace(cuts[k], start_s=half_s)
    for held_s in (2.0, 6.0, 20.0):
        parts = [*cuts[:k], first, *_later([rest, *cuts[k + 1 :]], k, held_s)]
        yield _change(f"held {held_s:g} s in the cut", parts, {}, 0)
        yield _change(f"held {held_s:g} s in air", _later(cuts, k, held_s), {}, 0)


def _slowed(cuts: tuple[Cut, ...], k: int) -> Iterator[Change]:
    n, turned_s, back_s = len(cuts), cuts[k - 1].stop_s, cuts[k + 2].stop_s
    for times, n_cut in ((2.0, n), (10.0, min(n, 6))):
        slow = _timed(cuts[:n_cut], times)
        rest = dict.fromkeys(range(n_cut, n), NEVER | UNTOLD)  # the recording ends there
        yield _change(f"{times:g} times as slow", slow, rest, min(len(rest), 1), n=n)
        lost_s = (times - 1.0) * turned_s
        slow = _later(_timed(cuts[k : k + 3], times), k, -lost_s)
        after = _later(cuts[k + 3 :], k + 3, (times - 1.0) * (back_s - turned_s))
        yield _change(f"{times:g} times as slow for three", [*cuts[:k], *slow, *after], {}, 0)
        within = replace(cuts[k], stop_s=cuts[k].start_s + times * (cuts[k].stop_s - cuts[k].start_s))
        after = _later(cuts[k + 1 :], k + 1, within.stop_s - cuts[k].stop_s)
        yield _change(f"{times:g} times as slow within one", [*cuts[:k], within, *after], {}, 0)


def _timed(cuts: Sequence[Cut], times: float) -> list[Cut]:
    return [replace(c, start_s=c.start_s * times, stop_s=c.stop_s * times) for c in cuts]


def _told_wrong(cuts: tuple[Cut, ...], k: int) -> Iterator[Change]:
    """The feed that was told is a tenth off: no fault by itself, and it hides none."""
    for name, times in (("a tenth slower than told", 1.1), ("a tenth faster than told", 0.9)):
        run = _timed(cuts, times)
        yield _change(name, run, {}, 0)
        rest = [c for c in run if c.number != k]
        yield _change(f"{name}, one taken out", rest, {k: NEVER}, 1, fault_s=run[k].start_s)


def _lost(cuts: tuple[Cut, ...], k: int) -> Iterator[Change]:
    n, half_s = len(cuts), 0.5 * (cuts[k].start_s + cuts[k].stop_s)
    first = replace(cuts[k], stop_s=half_s)
    gone = {k: SHORT, **dict.fromkeys(range(k + 1, n), NEVER)}
    rest_s = cuts[-1].stop_s - half_s + 6.0
    yield _change("tool lost", [*cuts[:k], first], gone, 1, n=n, fault_s=half_s, after_s=rest_s)
    parts = [*cuts[:k], first, *cuts[k + 1 :]]
    yield _change("gone in the middle", parts, {k: SHORT}, 1, fault_s=half_s)
    yield _change("dry run", [], dict.fromkeys(range(n), NEVER), 1, n=n, before_s=cuts[-1].stop_s + 20.0)


def _elsewhere(cuts: tuple[Cut, ...]) -> Iterator[Change]:
    """The recording begins or ends in the middle, or long before; among alike passes none may be sure."""
    n = len(cuts)
    before = {**dict.fromkeys(range(5), UNTOLD), **dict.fromkeys(range(5, n), FINE | UNTOLD)}
    half = replace(cuts[5], start_s=0.5 * (cuts[5].start_s + cuts[5].stop_s))
    gap_s = cuts[5].start_s - cuts[4].stop_s
    yield _change("begins before the sixth", cuts[5:], before, 0, before_s=0.5 * gap_s)
    yield _change("begins in the sixth", [half, *cuts[6:]], before, 0, before_s=0.0)
    yield _change("begins 40 s before", cuts, {}, 0, before_s=40.0)
    ended = dict.fromkeys(range(12, n), NEVER | UNTOLD)
    yield _change("ends after the twelfth", cuts[:12], ended, 0, n=n, after_s=1.0)
    yield _change("90 s of air after", cuts, {}, 0, after_s=90.0)
