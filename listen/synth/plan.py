"""What happens in a clip and when, before it is turned into sound.

Conventions
-----------
Times are seconds since the clip began; levels are over the reference air (the room with the spindle
at speed) in 300 to 8000 Hz.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedContact:
    """One contact to be made.

    Attributes
    ----------
    start_s, full_s, leaving_s, stop_s : float
    tool : int
        Which of the voice's tools.
    snr_db : float
    chatter_from, chatter_to, chatter_db : float
        Where in its full part it chatters [shares], and how strongly over the clean force.
    regenerative : float
        Depth of cut over the stability limit; 0 where chatter is not worked out from its cause.
    feed_share : float
        Feed override in force.
    course : tuple of (clip_s, db)
        Steps of its force over the planned one.
    contact, fault
        As in `made.TrueContact`.
    """

    start_s: float
    full_s: float
    leaving_s: float
    stop_s: float
    tool: int
    snr_db: float
    chatter_from: float = 0.0
    chatter_to: float = 0.0
    chatter_db: float = 0.0
    regenerative: float = 0.0
    feed_share: float = 1.0
    contact: int | None = None
    fault: str = ""
    course: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """An axis move; `share` is its speed over the rapid speed."""

    start_s: float
    stop_s: float
    share: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """Something that runs for a while: coolant, blast, compressor, neighbour, talk, chirp."""

    kind: str
    start_s: float
    stop_s: float
    ramp_s: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bump:
    """A single noise; `level_db` is its peak over the reference air's root mean square."""

    kind: str
    at_s: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """All that happens in a clip.

    Attributes
    ----------
    duration_s : float
    contacts : tuple of PlannedContact
    tools : tuple of (start_s, stop_s, index)
        Which tool turns at speed when; in between the spindle runs up or down or stands.
    spindle_s, spindle_rpm : ndarray, shape (n_points,)
        Speed over time, straight lines between points.
    moves, running, bumps : tuple
    missing : tuple of int
    program_at_s, program_s : ndarray, shape (n_points,)
        Clip time and program time, where there is a program.
    """

    duration_s: float
    contacts: tuple[PlannedContact, ...]
    tools: tuple[tuple[float, float, int], ...]
    spindle_s: NDArray[np.float64]
    spindle_rpm: NDArray[np.float64]
    moves: tuple[Move, ...] = ()
    running: tuple[Running, ...] = ()
    bumps: tuple[Bump, ...] = ()
    missing: tuple[int, ...] = ()
    program_at_s: NDArray[np.float64]
    program_s: NDArray[np.float64]
