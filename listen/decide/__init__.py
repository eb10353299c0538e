"""Frames as state likelihoods and events: the ear."""

from listen.decide.decide import Decide, Decided
from listen.decide.decoder import DecoderSettings
from listen.decide.fuse import Seen, find_lag, fuse_look, taught_by_load
from listen.decide.fuse_live import FuseLive
from listen.decide.layout import Layout
from listen.decide.load_points import AHEAD_COLUMNS, LOAD_COLUMNS, LOAD_VERSION
from listen.decide.load_states import DecideLoad, LoadSettings
from listen.decide.model import Model, Network, load_model, load_network, save_model
from listen.decide.second_look import Belief, SecondLookSettings, belief_of, second_look
from listen.decide.second_look_load import second_look_load

__all__ = [
    "AHEAD_COLUMNS",
    "LOAD_COLUMNS",
    "LOAD_VERSION",
    "Belief",
    "Decide",
    "DecideLoad",
    "Decided",
    "DecoderSettings",
    "FuseLive",
    "Layout",
    "LoadSettings",
    "Model",
    "Network",
    "SecondLookSettings",
    "Seen",
    "belief_of",
    "find_lag",
    "fuse_look",
    "load_model",
    "load_network",
    "save_model",
    "second_look",
    "second_look_load",
    "taught_by_load",
]
