"""Clips cut and put together again, as a recording is that someone shortened or slowed down."""

import itertools
from dataclasses import replace

import numpy as np

CALM_S = 0.5  # a stretch shorter than this is left whole
MARGIN_S = 0.1  # from an edge of a contact
FADE_S = 0.005
LONGEST_S = 20.0  # that a stretch may grow


def splice(rng: np.random.Generator, samples: np.ndarray, contacts: list, rate: int):
    """Leave out or play again pieces of air, or of the full part of a cut.

    Gives the new samples, shape (n_samples',), and the contacts moved with them.
    """
    pieces, at = [], 0
    for low, high in _chosen(rng, samples.size, contacts, rate):
        length = high - low
        again = 0 if rng.random() < 0.5 else int(rng.integers(2, 5))
        again = min(again, 1 + int(LONGEST_S * rate) // length)
        pieces += [(at, low), *[(low, high)] * again]
        at = high
    pieces.append((at, samples.size))
    joined = _join(samples, [piece for piece in pieces if piece[1] > piece[0]], round(FADE_S * rate))
    return joined, [_moved(contact, pieces) for contact in contacts]


def _chosen(rng: np.random.Generator, n_samples: int, contacts: list, rate: int) -> list[tuple[int, int]]:
    """Pieces within up to four calm stretches, in order."""
    edges = sorted({0, n_samples, *(edge for c in contacts for edge in (c.start, c.full, c.leaving, c.stop))})
    margin = round(MARGIN_S * rate)
    ramps = [span for c in contacts for span in ((c.start, c.full), (c.leaving, c.stop))]
    calm = [
        (low + margin, high - margin)
        for low, high in itertools.pairwise(edges)
        if high - low > CALM_S * rate and (low, high) not in ramps
    ]
    picked = sorted(rng.permutation(len(calm))[: int(rng.integers(1, 5))])
    spans = [sorted(rng.integers(*calm[i], 2)) for i in picked]
    return [(int(low), int(high)) for low, high in spans if high - low > 2 * FADE_S * rate]


def _join(samples: np.ndarray, pieces: list[tuple[int, int]], n_fade: int) -> np.ndarray:
    """The pieces one after the other; what followed a piece fades out under the next one."""
    joined = np.concatenate([samples[low:high] for low, high in pieces])
    fall, at = np.linspace(1.0, 0.0, n_fade), 0
    for (begin, end), (low, high) in itertools.pairwise(pieces):
        at += end - begin
        n = min(n_fade, samples.size - end, high - low)
        joined[at : at + n] += fall[:n] * (samples[end : end + n] - joined[at : at + n])
    return joined


def _moved(contact, pieces: list[tuple[int, int]]):
    """The contact where its edges come to lie."""
    return replace(
        contact,
        **{name: _place(getattr(contact, name), pieces) for name in ("start", "full", "leaving", "stop")},
    )


def _place(edge: int, pieces: list[tuple[int, int]]) -> int:
    at = 0
    for low, high in pieces:
        if low <= edge <= high and (edge < high or (low, high) == pieces[-1]):
            return at + edge - low
        at += high - low
    return at
