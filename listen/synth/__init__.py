"""Machine sound from the physics of cutting, with the exact truth: to learn from, to show, to test with."""

from listen.synth.draw import air_hour, draw_clip
from listen.synth.made import Made, TrueChatter, TrueContact, TrueDisturbance, TrueSpindle, Truth
from listen.synth.plan import Bump, Running
from listen.synth.ranges import EVALUATION_RANGES, TRAINING_RANGES, Ranges
from listen.synth.room import Room, draw_room
from listen.synth.scenario import synthesise
from listen.synth.script import FAULTS, Fault, Script, TimeMap, map_time
from listen.synth.voice import Voice, draw_voice

__all__ = [
    "EVALUATION_RANGES",
    "FAULTS",
    "TRAINING_RANGES",
    "Bump",
    "Fault",
    "Made",
    "Ranges",
    "Room",
    "Running",
    "Script",
    "TimeMap",
    "TrueChatter",
    "TrueContact",
    "TrueDisturbance",
    "TrueSpindle",
    "Truth",
    "Voice",
    "air_hour",
    "draw_clip",
    "draw_room",
    "draw_voice",
    "map_time",
    "synthesise",
]
