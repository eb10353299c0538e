"""The world as blocks of sound, load and marks."""

from listen.hear.audio_file import SOUND_SUFFIXES, SoundInfo, read_blocks, sound_info
from listen.hear.clamp_witness import ClampWitness
from listen.hear.clock import ArrivalClock, ClockMap, align_clock, fit_clock
from listen.hear.devices import Device, best_rate, list_devices, record
from listen.hear.level_check import LevelCheck, Remark, check_knock, check_level, check_spindle
from listen.hear.load_channel import Clamp, clamp_loads, parse_clamp
from listen.hear.load_csv import LoadLog, columns_taken, parse_columns, read_load_log
from listen.hear.microphone import Microphone
from listen.hear.mqtt import MqttWitness
from listen.hear.mtconnect import MTConnectWitness
from listen.hear.opcua import OpcUaWitness
from listen.hear.read_ahead import read_ahead
from listen.hear.witness import Witness

__all__ = [
    "SOUND_SUFFIXES",
    "ArrivalClock",
    "Clamp",
    "ClampWitness",
    "ClockMap",
    "Device",
    "LevelCheck",
    "LoadLog",
    "MTConnectWitness",
    "Microphone",
    "MqttWitness",
    "OpcUaWitness",
    "Remark",
    "SoundInfo",
    "Witness",
    "align_clock",
    "best_rate",
    "check_knock",
    "check_level",
    "check_spindle",
    "clamp_loads",
    "columns_taken",
    "fit_clock",
    "list_devices",
    "parse_clamp",
    "parse_columns",
    "read_ahead",
    "read_blocks",
    "read_load_log",
    "record",
    "sound_info",
]
