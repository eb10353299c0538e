"""Sound with known contacts as frames and labels to fit on."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block
from listen.errors import InputError
from listen.measure import MODEL_COLUMNS, Measure

LOOK_BACK_S = 0.010  # a frame's window is centred about this far before its end


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelledContact:
    """Where a contact truly is: first touch, full, leaving, last touch [samples]."""

    start: int
    full: int
    leaving: int
    stop: int

    def __post_init__(self) -> None:
        if not 0 <= self.start <= self.full <= self.leaving <= self.stop:
            raise InputError(
                f"a labelled contact needs start <= full <= leaving <= stop, "
                f"got {self.start}, {self.full}, {self.leaving}, {self.stop}"
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Examples:
    """Frames of one clip with their labels.

    Attributes
    ----------
    features : ndarray, shape (n_frames, n_features)
        float16, as the model sees them.
    labels : ndarray, shape (n_frames,)
        State at the middle of the frame's window: 0 air, 1 entry, 2 steady, 3 exit; int8.
    """

    features: NDArray[np.float16]
    labels: NDArray[np.int8]


def label_frames(
    at: NDArray[np.int64], contacts: Sequence[LabelledContact], *, rate: int
) -> NDArray[np.int8]:
    """State at the middle of each frame's window, shape (n_frames,)."""
    middle = at - round(LOOK_BACK_S * rate)
    labels = np.zeros(at.size, dtype=np.int8)
    for contact in contacts:
        labels[(middle >= contact.start) & (middle < contact.full)] = 1
        labels[(middle >= contact.full) & (middle < contact.leaving)] = 2
        labels[(middle >= contact.leaving) & (middle < contact.stop)] = 3
    return labels


def examples_of(samples: NDArray[np.float64], contacts: Sequence[LabelledContact], *, rate: int) -> Examples:
    """Measure a clip and label its frames.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    contacts : sequence of LabelledContact
    rate : int
        [Hz]
    """
    frames = Measure(rate).push(Block(samples=samples, start=0, rate=rate))
    if not frames:
        raise InputError(f"a clip needs at least 10 ms of sound, got {samples.size / rate:.3f} s")
    (only,) = frames
    assert not isinstance(only, tuple)
    features = only.values[:, MODEL_COLUMNS].astype(np.float16)  # type: ignore[union-attr]
    return Examples(features=features, labels=label_frames(only.at, contacts, rate=rate))  # type: ignore[union-attr]
