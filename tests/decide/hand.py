"""Frames of two bands and two lines, to be filled by hand: 10 samples each 10 ms."""

import numpy as np

from listen.decide.layout import Layout

HOP = 10
LAYOUT = Layout(
    model=slice(0, 0),
    bands=slice(0, 2),
    fine=slice(0, 0),
    lines=slice(2, 8),
    band_edges_hz=np.array([300.0, 1000.0, 8000.0]),
    fine_edges_hz=np.zeros(1),
    hop_s=0.01,
    window_s=0.02,
)
