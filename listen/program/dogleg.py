"""Rapids in which each axis goes at its own speed: a bent path, one piece for each arrival."""

import numpy as np
from numpy.typing import NDArray

from listen.spans import SpanKind

Floats = NDArray[np.float64]
Moves = NDArray[np.void]


def each_axis(moves: Moves, seconds: Floats) -> tuple[Moves, Floats]:
    """Moves with every rapid of unlike axes split, and their times.

    All axes leave together at the same speed, so the axis with the shortest way arrives
    first; ramps are left out of the shape, not of the time.
    """
    ways = np.abs(moves["end"] - moves["begin"])
    bent = (moves["kind"] == SpanKind.RAPID) & np.isfinite(ways).all(axis=1)
    ways = np.where(bent[:, np.newaxis], ways, 0.0)
    longest = ways.max(axis=1, initial=0.0)
    shares = np.sort(ways / np.maximum(longest, 1e-300)[:, np.newaxis], axis=1)
    bent &= (longest > 0.0) & (((shares > 1e-9) & (shares < 1.0 - 1e-9)).any(axis=1))
    if not bent.any():
        return moves, seconds
    return _split(moves, seconds, bent, shares)


def _split(moves: Moves, seconds: Floats, bent: NDArray[np.bool_], shares: Floats) -> tuple[Moves, Floats]:
    stops = [_stops(share) if is_bent else (1.0,) for share, is_bent in zip(shares, bent, strict=True)]
    counts = np.array([len(s) for s in stops])
    source = np.repeat(np.arange(moves.size), counts)
    to = np.array([share for s in stops for share in s])
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])
    since = np.concatenate([[0.0], to[:-1]])
    since[first] = 0.0
    pieces = moves[source]
    times = np.where(bent[source], seconds[source] * (to - since), seconds[source])
    split = bent[source]
    pieces["begin"][split] = _at(moves[source][split], since[split])
    pieces["end"][split] = _at(moves[source][split], to[split])
    return pieces, times


def _stops(share: Floats) -> tuple[float, ...]:
    """Shares of the whole time at which an axis arrives."""
    found = sorted({float(s) for s in share if 1e-9 < s < 1.0 - 1e-9} | {1.0})
    return tuple(found)


def _at(moves: Moves, share: Floats) -> Floats:
    """Place at a share of the time: each axis has gone as far as the longest would, at most its own way."""
    step = moves["end"] - moves["begin"]
    longest = np.abs(step).max(axis=1, keepdims=True)
    gone = np.minimum(np.abs(step), share[:, np.newaxis] * longest)
    place: Floats = np.where(share[:, np.newaxis] >= 1.0, moves["end"], moves["begin"] + np.sign(step) * gone)
    return place
