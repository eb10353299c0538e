"""Clips for fitting that are cut and put together again: labels move with the sound."""

import sys
from pathlib import Path

import numpy as np
import pytest

from listen.teach.dataset import LabelledContact

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))
splicing = pytest.importorskip("tools_train.splicing")

RATE = 8000


def states(n_samples: int, contacts: list[LabelledContact]) -> np.ndarray:
    """The state of each sample, as a signal."""
    made = np.zeros(n_samples)
    for one in contacts:
        made[one.start : one.full], made[one.full : one.leaving], made[one.leaving : one.stop] = 1, 2, 3
    return made


def drawn(rng: np.random.Generator) -> list[LabelledContact]:
    """Up to four contacts in 30 s."""
    contacts, at = [], 0
    for _ in range(4):
        steps = rng.uniform([0.1, 0.01, 0.01, 0.01], [4.0, 0.4, 3.0, 0.4]) * RATE
        start, full, leaving, stop = (at + int(edge) for edge in np.cumsum(steps))
        contacts.append(LabelledContact(start=start, full=full, leaving=leaving, stop=stop))
        at = stop
    return contacts


@pytest.mark.closed
@pytest.mark.parametrize("seed", range(40))
def test_every_sample_keeps_its_state(seed: int) -> None:
    rng = np.random.default_rng(seed)
    contacts = drawn(rng)
    signal = states(36 * RATE, contacts)
    spliced, moved = splicing.splice(rng, signal, contacts, RATE)
    np.testing.assert_array_equal(np.round(spliced), states(spliced.size, moved))
    assert len(moved) == len(contacts)


@pytest.mark.closed
def test_clips_grow_and_shrink() -> None:
    sizes = [
        splicing.splice(rng, np.zeros(36 * RATE), drawn(rng), RATE)[0].size / RATE
        for rng in map(np.random.default_rng, range(40))
    ]
    assert min(sizes) < 36.0 < max(sizes) < 36.0 + 4 * 25.0
