"""How the loudness of the sound swings: teeth hit in an even beat, coolant does not.

Conventions
-----------
Hops are worked in order, so that batches of any size give the same numbers.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled

NAMES = ("envelope depth", "envelope evenness", "crest")
STEPS_PER_HOP = 8
N_STEPS = 256
SHORTEST_LAG = 3
LONGEST_LAG = 128
EVERY = 2  # hops between two looks


class Envelope(NamedTuple):
    """Sizes and memory of the envelope: eight steps a hop, of which 256 (320 ms) are looked at.

    Attributes
    ----------
    edges : ndarray, shape (9,)
        Where the steps of a hop begin and end [samples].
    taper, taper_correlation : ndarray, shape (256,) and (129,)
    steps : ndarray, shape (256,)
        The last steps, the latest last; changed in place.
    held : ndarray, shape (2,)
        Depth and evenness as last looked at; changed in place.
    """

    edges: NDArray[np.int64]
    taper: NDArray[np.float64]
    taper_correlation: NDArray[np.float64]
    steps: NDArray[np.float64]
    held: NDArray[np.float64]


def new_envelope(hop: int) -> Envelope:
    """An envelope that has heard nothing, for hops of so many samples."""
    taper = np.hanning(N_STEPS + 2)[1:-1]
    whole = np.correlate(taper, taper, mode="full")[N_STEPS - 1 :]
    return Envelope(
        edges=np.rint(np.arange(STEPS_PER_HOP + 1) * hop / STEPS_PER_HOP).astype(np.int64),
        taper=taper,
        taper_correlation=whole[: LONGEST_LAG + 1].copy(),
        steps=np.zeros(N_STEPS),
        held=np.zeros(2),
    )


@compiled()
def follow_envelope(
    sound: NDArray[np.float64],
    start: int,
    n_before: int,
    envelope: Envelope,
    features: NDArray[np.float64],
) -> None:
    """Depth, evenness and crest of whole hops.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
    start : int
        Where the first hop begins in it, at least 1.
    n_before : int
        Hops before the first of these.
    features : ndarray, shape (n_hops, 3)
        Filled.
    """
    hop = envelope.edges[-1]
    for i in range(features.shape[0]):
        features[i, 2] = add_hop(sound, start + i * hop, envelope)
        if (n_before + i) % EVERY == 0:
            depth_and_evenness(envelope)
        features[i, 0] = envelope.held[0]
        features[i, 1] = envelope.held[1]


@compiled()
def add_hop(sound: NDArray[np.float64], begin: int, envelope: Envelope) -> float:
    """Append the steps of one hop; give the crest of its power [nepers]."""
    steps = envelope.steps
    kept = steps.size - STEPS_PER_HOP
    steps[:kept] = steps[STEPS_PER_HOP:].copy()
    total, most = 0.0, 0.0
    for step in range(STEPS_PER_HOP):
        first, last = envelope.edges[step], envelope.edges[step + 1]
        inside = 0.0
        for k in range(begin + first, begin + last):
            rise = sound[k] - 0.97 * sound[k - 1]
            inside += rise * rise
            most = max(most, rise * rise)
        total += inside
        steps[kept + step] = np.sqrt(inside / (last - first)) + 1e-9
    return float(np.log(max(most, 1e-18) / (total / envelope.edges[-1] + 1e-18)))


@compiled()
def depth_and_evenness(envelope: Envelope) -> None:
    """Look at the whole envelope: how far it swings, and how alike the next swing is."""
    steps, taper = envelope.steps, envelope.taper
    mean = steps.mean()
    swing = (steps - mean) * taper
    correlation = np.zeros(LONGEST_LAG + 1)
    for k in range(N_STEPS):
        for lag in range(min(LONGEST_LAG + 1, N_STEPS - k)):
            correlation[lag] += swing[k] * swing[k + lag]
    even = correlation / envelope.taper_correlation
    whole = even[0] + 1e-18
    envelope.held[0] = np.sqrt(whole) / mean
    envelope.held[1] = even[SHORTEST_LAG:].max() / whole
