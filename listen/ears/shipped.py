"""What measure gives laid out for what decide looks for, and the shipped models that fit it."""

from contextlib import closing
from pathlib import Path

import numpy as np

from listen.decide import (
    AHEAD_COLUMNS,
    LOAD_COLUMNS,
    LOAD_VERSION,
    Layout,
    Model,
    Network,
    load_model,
    load_network,
)
from listen.errors import ModelError
from listen.measure import (
    BAND_COLUMNS,
    COLUMNS,
    FEATURES,
    FINE_COLUMNS,
    HOP_S,
    LINE_COLUMNS,
    MODEL_COLUMNS,
    VERSION,
)
from listen.measure.measure import SHORT_S, Pace
from listen.measure.spectrum import (
    FINE_HIGHEST_HZ,
    FINE_LOWEST_HZ,
    HIGHEST_HZ,
    LOWEST_HZ,
    N_BANDS,
    N_FINE,
    log_edges,
)
from listen.record.features import FeatureWriter
from listen.shipped import models_folder

LOAD_MODEL, LOAD_PARTS = "mill_load", ("second", "wider")


def ear_layout() -> Layout:
    """Where `measure` puts what `decide` looks for."""
    return Layout(
        model=MODEL_COLUMNS,
        bands=BAND_COLUMNS,
        fine=FINE_COLUMNS,
        lines=LINE_COLUMNS,
        band_edges_hz=log_edges(LOWEST_HZ, HIGHEST_HZ, N_BANDS),
        fine_edges_hz=log_edges(FINE_LOWEST_HZ, FINE_HIGHEST_HZ, N_FINE),
        hop_s=HOP_S,
        window_s=SHORT_S,
    )


def kept_features(folder: Path, rate: int) -> "closing[FeatureWriter]":
    """What takes the frames of a run that keeps them, closed with the block."""
    edges = log_edges(LOWEST_HZ, HIGHEST_HZ, N_BANDS)
    centres = np.sqrt(edges[1:] * edges[:-1])
    hop = Pace.at(rate).hop
    return closing(FeatureWriter(folder, rate=rate, hop=hop, columns=COLUMNS, bands_hz=list(centres)))


def shipped_model(folder: Path | None = None) -> Model:
    """The model in `folder`, or the shipped one.

    Raises
    ------
    ModelError
        If there is none, or it does not fit the frames.
    """
    if folder is None:
        found = sorted(path.parent for path in models_folder().glob("*/card.json"))
        if not found:
            raise ModelError(f"no model in {models_folder()}; install cut-listen again")
        folder = found[0]
    return load_model(folder, features=FEATURES, version=VERSION)


def shipped_load_networks() -> tuple[Network, ...]:
    """The shipped networks that take a second look at a load log.

    Raises
    ------
    ModelError
        If there is none, or it does not fit what is told of a load log.
    """
    columns = (*LOAD_COLUMNS, *AHEAD_COLUMNS)
    folder = models_folder() / LOAD_MODEL
    return tuple(load_network(folder, part, features=columns, version=LOAD_VERSION) for part in LOAD_PARTS)
