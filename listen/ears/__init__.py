"""What can hear: sound, spindle load, or both; input in, events out, and a second look after the run."""

from listen.ears.ear import Ear, Given, Heard
from listen.ears.fused import FusedEar
from listen.ears.load import LoadEar
from listen.ears.shipped import ear_layout, kept_features, shipped_load_networks, shipped_model
from listen.ears.sound import FramesEar, SoundEar, told_by

__all__ = [
    "Ear",
    "FramesEar",
    "FusedEar",
    "Given",
    "Heard",
    "LoadEar",
    "SoundEar",
    "ear_layout",
    "kept_features",
    "shipped_load_networks",
    "shipped_model",
    "told_by",
]
