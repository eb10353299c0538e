"""Frames as state likelihoods and events: the ear."""

from listen.decide.decide import Decide, Decided
from listen.decide.decoder import DecoderSettings
from listen.decide.layout import Layout
from listen.decide.model import Model, load_model, save_model
from listen.decide.second_look import SecondLookSettings, second_look

__all__ = [
    "Decide",
    "Decided",
    "DecoderSettings",
    "Layout",
    "Model",
    "SecondLookSettings",
    "load_model",
    "save_model",
    "second_look",
]
