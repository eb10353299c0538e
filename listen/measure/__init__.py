"""Blocks of sound and load as frames of features."""

from listen.measure.load import LOAD_FEATURES, MeasureLoad
from listen.measure.measure import (
    BAND_COLUMNS,
    COLUMNS,
    FEATURES,
    FINE_COLUMNS,
    HOP_S,
    LINE_COLUMNS,
    MODEL_COLUMNS,
    VERSION,
    Measure,
    Pace,
)

__all__ = [
    "BAND_COLUMNS",
    "COLUMNS",
    "FEATURES",
    "FINE_COLUMNS",
    "HOP_S",
    "LINE_COLUMNS",
    "LOAD_FEATURES",
    "MODEL_COLUMNS",
    "VERSION",
    "Measure",
    "MeasureLoad",
    "Pace",
]
