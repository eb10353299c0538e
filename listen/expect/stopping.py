"""How far an axis still goes after something was heard or pressed.

Conventions
-----------
Speeds in mm/s, times in seconds of the real clock (not program time).
"""

import math

import numpy as np

from listen.job import REACTION_S, Machine
from listen.program.path import TimedPath
from listen.spans import SpanKind

SOUND_PATH_S = 0.006  # two metres at 343 m/s
DECISION_S = 0.1  # the ear's own delay, by its budget
PAGE_S = 0.15  # microphone to drawn frame, by its budget
PANEL_S = 0.03  # hold request through panel and interpolator: 5 to 30 ms, from memory
SERVO_LAG_S = 0.02  # an axis trails its command by about this; common practice, no source
LEAST_PRESS_S = 1.0
FEED_DETENTS = (5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0)
RAPID_DETENTS = (5.0, 25.0, 50.0, 100.0)


def stopping_distance(speed: float, machine: Machine) -> float:
    """Way from full speed to standstill [mm], with limited jerk and acceleration.

    References
    ----------
    A CNC technical manual of 2013, section 6.8: with the jerk r alone, s = v·√(v/r).

    Examples
    --------
    >>> round(stopping_distance(1000 / 60, Machine(jerk_m_per_s3=35.0, acceleration_m_per_s2=10.0)), 2)
    0.36
    """
    jerk, limit = machine.jerk_m_per_s3 * 1000.0, machine.acceleration_m_per_s2 * 1000.0
    if math.sqrt(speed * jerk) <= limit:
        return speed * math.sqrt(speed / jerk)
    return 0.5 * speed * (speed / limit + limit / jerk)


def travel_after_press(speed: float, machine: Machine) -> float:
    """Way from the press on feed hold to standstill [mm]."""
    return speed * (PANEL_S + SERVO_LAG_S) + stopping_distance(speed, machine)


def travel_after_sound(speed: float, machine: Machine, *, reaction_s: float = REACTION_S) -> float:
    """Way from a sound at the tool to standstill, when a person presses on the cue [mm]."""
    return speed * (SOUND_PATH_S + DECISION_S + PAGE_S + reaction_s) + travel_after_press(speed, machine)


def override_of(kind: int, machine: Machine) -> float:
    """Share of the programmed speed at which a span runs when the run starts; 0 standing."""
    if kind == SpanKind.RAPID:
        return machine.rapid_override / 100.0
    return machine.feed_override / 100.0 if kind == SpanKind.FEED else 1.0


class RealClock:
    """Turns program time into seconds of the real clock at given overrides.

    Parameters
    ----------
    path : TimedPath
    feed, rapid : float
        Shares of the programmed feed and of rapid, above 0.
    """

    def __init__(self, path: TimedPath, *, feed: float, rapid: float) -> None:
        spans = path.spans
        pace = np.ones(len(spans))
        pace[spans.kind == SpanKind.FEED] = max(feed, 1e-3)
        pace[spans.kind == SpanKind.RAPID] = max(rapid, 1e-3)
        lasts = (spans.stop_s - spans.start_s) / pace
        self._program = np.concatenate([[0.0], spans.stop_s])
        self._real = np.concatenate([[0.0], np.cumsum(lasts)])

    def at(self, program_time: float) -> float:
        """Real time of a program time [s]."""
        return float(np.interp(program_time, self._program, self._real))

    def program_time(self, real: float) -> float:
        """Program time of a real time [s]."""
        return float(np.interp(real, self._real, self._program))

    def between(self, start: float, stop: float) -> float:
        """Real seconds between two program times."""
        return self.at(stop) - self.at(start)
