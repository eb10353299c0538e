"""What was heard: the four states, their events, and other findings of the ear."""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError


class State(StrEnum):
    """The four things a mill can be heard doing; values are used in files."""

    AIR = "air"
    ENTRY = "entry"
    STEADY = "steady"
    EXIT = "exit"


STATES = (State.AIR, State.ENTRY, State.STEADY, State.EXIT)


class Standing(StrEnum):
    """How firm an event is: a provisional one is later confirmed or withdrawn."""

    PROVISIONAL = "provisional"
    CONFIRMED = "confirmed"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StateLikelihoods:
    """How well each state explains each frame.

    Attributes
    ----------
    at : ndarray, shape (n_frames,)
        End of the sound seen [samples], int64.
    log_likelihood : ndarray, shape (n_frames, n_states)
        Natural log, states in the order of `STATES`; only differences matter.
    contact : ndarray, shape (n_frames,)
        Belief that tool and work touch, by all that was heard up to `at` [0 to 1].
    """

    at: NDArray[np.int64]
    log_likelihood: NDArray[np.float64]
    contact: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.log_likelihood.shape != (self.at.size, len(STATES)):
            raise InputError(
                f"log_likelihood must have shape (n_frames, {len(STATES)}), "
                f"got {self.log_likelihood.shape} for {self.at.size} frames"
            )
        if np.count_nonzero(np.isnan(self.log_likelihood)):
            raise InputError("log_likelihood has a NaN; a state cannot be unknown, only unlikely")


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One heard change of state.

    The length of an entry ramp is the ``at`` of its steady event less the ``at`` of its entry.
    A provisional event is followed by the same event (same state and `at`, to within its
    `spread`) as confirmed or withdrawn.

    Attributes
    ----------
    state : State
        The state that begins.
    at : int
        Where it begins [samples since the stream opened], dated back.
    decided_at : int
        End of the audio used to decide [samples]; ``decided_at - at`` is the
        delay a person sees, so it is kept, not hidden.
    probability : float
        Belief in `state` when decided [0 to 1].
    spread : int
        One standard deviation of `at` [samples].
    standing : Standing
        Provisional, confirmed or withdrawn.
    """

    state: State
    at: int
    decided_at: int
    probability: float
    spread: int = 0
    standing: Standing = Standing.CONFIRMED

    def __post_init__(self) -> None:
        if not 0 <= self.at <= self.decided_at:
            raise InputError(
                f"an event needs 0 <= at <= decided_at, got at={self.at}, "
                f"decided_at={self.decided_at}: it was decided before it happened"
            )
        if not 0.0 <= self.probability <= 1.0:
            raise InputError(f"probability must be in [0, 1], got {self.probability}")
        if not self.spread >= 0:
            raise InputError(f"spread must be 0 samples or more, got {self.spread}")


FINDING_KINDS = (
    "chatter",
    "rubbing",
    "sound changed",
    "sound changed once a turn",
    "tooth pass off",
    "clipping",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something else the ear noticed during a cut.

    Attributes
    ----------
    kind : str
        One of `FINDING_KINDS`.
    start, stop : int
        Where it was heard [samples].
    decided_at : int
        End of the audio used to decide [samples].
    frequency_hz : float
        The line that gives it away [Hz]; 0 where there is none.
    level_db : float
        Its level over what a clean cut has there [dB].
    probability : float
        Belief in it [0 to 1].
    """

    kind: str
    start: int
    stop: int
    decided_at: int
    frequency_hz: float
    level_db: float
    probability: float

    def __post_init__(self) -> None:
        if self.kind not in FINDING_KINDS:
            raise InputError(f"kind of finding must be one of {FINDING_KINDS}, got {self.kind!r}")
        if not 0 <= self.start <= self.stop <= self.decided_at:
            raise InputError(
                f"a finding needs 0 <= start <= stop <= decided_at, "
                f"got {self.start}, {self.stop}, {self.decided_at}"
            )
        if not 0.0 <= self.probability <= 1.0:
            raise InputError(f"probability must be in [0, 1], got {self.probability}")


@dataclass(frozen=True, slots=True, kw_only=True)
class EarRates:
    """How often the ear errs, as measured; the follower takes its priors from here.

    Attributes
    ----------
    false_bursts_per_hour : float
        Confirmed entries in an hour of air.
    dropouts_per_hour : float
        Breaks of a contact in an hour of cutting.
    missed_share : float
        Share of contacts that are not heard at all [0 to 1].
    onset_spread_s, offset_spread_s : float
        One standard deviation of where entries and exits are dated [s].
    missed_worth : float
        For how many contacts of a run `missed_share` counts beside what the run itself shows: few where
        misses come in rows, as they do for sound (`python -m tools.tools_follow.measure_ear`).
    """

    false_bursts_per_hour: float
    dropouts_per_hour: float
    missed_share: float
    onset_spread_s: float
    offset_spread_s: float
    missed_worth: float = 4.4

    def __post_init__(self) -> None:
        if not 0.0 <= self.missed_share <= 1.0:
            raise InputError(f"missed_share must be in [0, 1], got {self.missed_share}")
        rest = (
            self.false_bursts_per_hour,
            self.dropouts_per_hour,
            self.onset_spread_s,
            self.offset_spread_s,
            self.missed_worth,
        )
        if not all(0.0 <= value < float("inf") for value in rest):
            raise InputError(f"rates and spreads must be finite and not negative, got {rest}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Turning:
    """A spindle speed and a number of flutes that the program has; the ear may know them.

    Attributes
    ----------
    spindle_hz : float
        Turns per second [Hz], above 0.
    flutes : int
        0 where not known.
    holes : bool
        It only makes holes, where each peck enters anew.
    """

    spindle_hz: float
    flutes: int
    holes: bool = False

    def __post_init__(self) -> None:
        if not (0.0 < self.spindle_hz < float("inf") and self.flutes >= 0):
            raise InputError(
                f"a turning needs a speed above 0 and 0 flutes or more, "
                f"got {self.spindle_hz} and {self.flutes}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactSound:
    """How one heard contact sounded as a whole, told when it is over.

    Attributes
    ----------
    start, stop : int
        The contact [samples].
    decided_at : int
        End of the audio used [samples].
    level_db : float
        The middle of its loudness over the quiet part of the air just before, 300 to 8000 Hz [dB].
    own_db : float
        Its loudness without the air's, as the recording has it [dB, 0 is full scale]; NaN where it was not
        kept. Spray that comes on leaves it as it was, a microphone that sets its own level does not;
        with `level_db` it is the other way round.
    tooth_pass_hz : float
        Tooth-pass frequency that its lines show [Hz]; NaN where none stands out.
    tooth_pass_spread_hz : float
        One standard deviation of it [Hz]; 0 where there is none.
    """

    start: int
    stop: int
    decided_at: int
    level_db: float
    tooth_pass_hz: float
    tooth_pass_spread_hz: float = 0.0
    own_db: float = math.nan

    def __post_init__(self) -> None:
        if not 0 <= self.start <= self.stop <= self.decided_at:
            raise InputError(
                f"a contact's sound needs 0 <= start <= stop <= decided_at, "
                f"got {self.start}, {self.stop}, {self.decided_at}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """How far the run has taught the ear its own air and its own cut by now; told when that changes.

    Attributes
    ----------
    at : int
        [samples]
    part : float
        0 not at all, 1 as far as it may have a say [0 to 1]. It falls where what was learnt proves wrong.
    """

    at: int
    part: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.part <= 1.0:
            raise InputError(f"what a run has taught must be a part from 0 to 1, got {self.part}")


@dataclass(frozen=True, slots=True, kw_only=True)
class AirSound:
    """How half a second without contact sounded beside this run's own air, to tell whether the spindle turns.

    Attributes
    ----------
    at : int
        End of the sound used [samples].
    below_db : float
        How far it lies below the air just before this run's contacts, where the spindle turned
        [dB, negative above it]; NaN before the first contact.
    over_quiet_db : float
        How far it lies above the quietest half second of the run [dB].
    lines_hz : tuple of float
        Lines that lasted and that the quietest half second does not have [Hz].
    gone_hz : tuple of float
        Lines of the air before the contacts of which there is nothing left [Hz].
    """

    at: int
    below_db: float
    over_quiet_db: float
    lines_hz: tuple[float, ...] = ()
    gone_hz: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactLoad:
    """What one contact drew from the spindle, to hold against the sheet.

    Attributes
    ----------
    start, stop, decided_at : int
        [samples]
    rise : float
        Median rise over the idle level [unit of `kind`].
    kind : str
        As of a load sample.
    """

    start: int
    stop: int
    decided_at: int
    rise: float
    kind: str


def log_odds(belief: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log odds of a belief [nats], which is held 1e-4 off certainty."""
    held = np.clip(belief, 1e-4, 1.0 - 1e-4)
    odds: NDArray[np.float64] = np.log(held / (1.0 - held))
    return odds
