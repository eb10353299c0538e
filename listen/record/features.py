"""Measured frames on disk, as they come: a run without voices that can still be heard a second time.

Conventions
-----------
``features.bin``: one line of JSON that says what the columns are, then records of one int64 (end of
the sound that the frame has seen, in samples) and as many float16. A record at -1 is a gap. A last
record that is not whole was being written when the run was cut off.

Levels in narrow bands a hundred times a second are not words, but enough of them could be made to
sound like the words that were spoken: who must not be recorded keeps decisions only.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames, Gap
from listen.errors import RecordingError
from listen.record.sound import DiskFile
from listen.record.spectrum import FLOOR_DB, MOST_BYTES, STEP_DB, Picture

FEATURES_FILE = "features.bin"
FORMAT = "cut-listen features 1"
AT_GAP = -1
LARGEST = 65504.0  # of float16


@dataclass(frozen=True, slots=True, kw_only=True)
class Features:
    """The frames of a run folder.

    Attributes
    ----------
    rate, hop : int
        Of the sound [Hz], and between frames [samples].
    columns : tuple of str
    bands_hz : tuple of float
        Centres of the columns named "band N level" [Hz].
    stretches : tuple of Frames
        The frames between gaps, values as float16 kept them.
    """

    rate: int
    hop: int
    columns: tuple[str, ...]
    bands_hz: tuple[float, ...]
    stretches: tuple[Frames, ...]


class FeatureWriter:
    """Appends frames to a run folder; a full disk does not raise, see `problem`."""

    def __init__(
        self, folder: Path, *, rate: int, hop: int, columns: Sequence[str], bands_hz: Sequence[float]
    ) -> None:
        self._record = _record(len(columns))
        self._file = DiskFile(folder / FEATURES_FILE)
        head = {"format": FORMAT, "rate": rate, "hop": hop, "columns": list(columns)}
        self._file.write(json.dumps({**head, "bands_hz": [round(hz, 2) for hz in bands_hz]}).encode() + b"\n")

    @property
    def problem(self) -> OSError | None:
        """The first failure of the disk, None while all is well."""
        return self._file.problem

    def push(self, made: Frames | Gap) -> None:
        """Take the next frames, or a gap."""
        if self.problem is not None:
            return
        records = np.zeros(1 if isinstance(made, Gap) else len(made), dtype=self._record)
        if isinstance(made, Gap):
            records["at"] = AT_GAP
        else:
            records["at"] = made.at
            records["values"] = np.clip(made.values, -LARGEST, LARGEST)
        self._file.write(records.tobytes())

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def read_features(folder: Path) -> Features:
    """The frames that a run folder keeps.

    Raises
    ------
    RecordingError
        If there are none, or the file is none of ours.
    """
    path = folder / FEATURES_FILE
    try:
        with path.open("rb") as file:
            head = json.loads(file.readline())
            data = file.read()
        record = _record(len(head["columns"]))
        rows = np.frombuffer(data[: len(data) // record.itemsize * record.itemsize], dtype=record)
        return Features(
            rate=int(head["rate"]),
            hop=int(head["hop"]),
            columns=tuple(head["columns"]),
            bands_hz=tuple(head["bands_hz"]),
            stretches=_stretches(rows),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RecordingError(f"{path} must hold the measured frames of a run: {error}") from None


def picture_of(features: Features) -> Picture:
    """The levels in the bands as a picture; the loudest of each where it would be too large."""
    bands = [
        i for i, name in enumerate(features.columns) if name.startswith("band ") and name.endswith(" level")
    ]
    frames = [piece.values[:, bands] for piece in features.stretches]
    places = np.concatenate([piece.at // features.hop for piece in features.stretches] or [np.zeros(0, int)])
    levels_db = np.full((int(places.max(initial=-1)) + 1, len(bands)), FLOOR_DB)
    levels_db[places] = np.concatenate(frames or [np.zeros((0, len(bands)))])
    step = max(1, -(-levels_db.size // MOST_BYTES))
    starts = np.arange(0, len(levels_db), step)
    loudest = np.maximum.reduceat(levels_db, starts, axis=0) if starts.size else levels_db
    columns = np.clip(np.round((loudest - FLOOR_DB) / STEP_DB), 0, 255).astype(np.uint8)
    hop_s = step * features.hop / features.rate
    return Picture(columns=columns, hop_s=hop_s, bands_hz=np.array(features.bands_hz))


def _record(n_columns: int) -> np.dtype[np.void]:
    return np.dtype([("at", "<i8"), ("values", "<f2", (n_columns,))])


def _stretches(rows: NDArray[np.void]) -> tuple[Frames, ...]:
    cuts = np.flatnonzero(rows["at"] == AT_GAP)
    pieces = [piece[piece["at"] != AT_GAP] for piece in np.split(rows, cuts)]
    return tuple(
        Frames(at=piece["at"].astype(np.int64), values=piece["values"].astype(np.float64))
        for piece in pieces
        if piece.size
    )
