"""The world as blocks of sound, load and marks."""

from listen.hear.audio_file import SOUND_SUFFIXES, SoundInfo, read_blocks, sound_info
from listen.hear.clock import ArrivalClock, ClockMap, align_clock, fit_clock
from listen.hear.load_csv import LoadLog, parse_columns, read_load_log

__all__ = [
    "SOUND_SUFFIXES",
    "ArrivalClock",
    "ClockMap",
    "LoadLog",
    "SoundInfo",
    "align_clock",
    "fit_clock",
    "parse_columns",
    "read_blocks",
    "read_load_log",
    "sound_info",
]
