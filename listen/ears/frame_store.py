"""The frames of a run, kept for its second look."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames, Gap


class FrameStore:
    """Keeps the frames of a run for the second look, half as large as they came, a piece a stretch."""

    def __init__(self) -> None:
        self._stretches: list[list[tuple[NDArray[np.int64], NDArray[np.float32]]]] = [[]]
        self._noted: list[NDArray[np.float32]] = []

    def note(self, values: NDArray[np.float64]) -> None:
        """Keep a number for each of the next frames; single precision must hold it exactly."""
        self._noted.append(values.astype(np.float32))

    def noted(self, stretches: Sequence[Frames]) -> list[NDArray[np.float64] | None]:
        """The numbers of the frames of each stretch; None each where not every frame has one."""
        lengths = [len(frames) for frames in stretches]
        noted = np.concatenate([*self._noted, np.empty(0, dtype=np.float32)]).astype(np.float64)
        if noted.size != sum(lengths):
            return [None] * len(lengths)
        return list(np.split(noted, np.cumsum(lengths)[:-1])) if lengths else []

    def push(self, made: Frames | Gap) -> None:
        """Keep frames; a gap begins a new stretch."""
        if isinstance(made, Gap):
            self._stretches.append([])
        else:
            self._stretches[-1].append((made.at, made.values.astype(np.float32)))

    def stretches(self) -> list[Frames]:
        """The frames between gaps, each stretch in one piece."""
        return [
            Frames(
                at=np.concatenate([at for at, _ in pieces]),
                values=np.concatenate([values for _, values in pieces], dtype=np.float64),
            )
            for pieces in self._stretches
            if pieces
        ]
