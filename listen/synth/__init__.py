"""Machine sound from the physics of cutting, with the exact truth: to learn from, to show, to test with."""

from listen.synth.draw import air_hour, draw_clip
from listen.synth.made import Made, TrueChatter, TrueContact, TrueDisturbance, TrueSpindle, Truth
from listen.synth.ranges import EVALUATION_RANGES, TRAINING_RANGES, Ranges
from listen.synth.room import Room, draw_room
from listen.synth.voice import Voice, draw_voice

__all__ = [
    "EVALUATION_RANGES",
    "TRAINING_RANGES",
    "Made",
    "Ranges",
    "Room",
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
]
