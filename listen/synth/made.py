"""What the synthesiser hands out: sound, and the exact truth about it.

Conventions
-----------
Times are samples since the clip began, intervals half-open. The signal to noise ratio of a contact
is the power of the cut's own sound in full engagement over that of the air in the half second before
first touch, 300 to 8000 Hz (or up to what the microphone carries), ahead of the level control. Chatter
and squeals come on top of it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.states import STATES, State

AIR, ENTRY, STEADY, EXIT = (STATES.index(state) for state in State)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueContact:
    """One contact as it was made.

    Attributes
    ----------
    start, stop : int
        First and one past last sample with a cutting force.
    full, leaving : int
        Where the engagement becomes full, and where it begins to go.
    snr_db : float
        See the module's conventions [dB]; ``rise_db`` is what the level really goes up by.
    rpm : float
    flutes : int
    way : str
        "side", "slot", "face", "drill" or "plunge".
    contact : int | None
        Id of the expected contact; None where there was none, or no program.
    fault : str
        "" or the planted fault.
    """

    start: int
    full: int
    leaving: int
    stop: int
    snr_db: float
    rpm: float
    flutes: int
    way: str
    contact: int | None = None
    fault: str = ""

    def __post_init__(self) -> None:
        if not 0 <= self.start <= self.full <= self.leaving <= self.stop:
            raise InputError(
                f"a contact needs 0 <= start <= full <= leaving <= stop, "
                f"got {self.start}, {self.full}, {self.leaving}, {self.stop}"
            )

    @property
    def rise_db(self) -> float:
        """By how much the level goes up at full engagement [dB]."""
        return float(10.0 * np.log10(1.0 + 10.0 ** (self.snr_db / 10.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueChatter:
    """A stretch of chatter, its line [Hz], and its force over that of the clean cut [dB]."""

    start: int
    stop: int
    frequency_hz: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueSpindle:
    """A stretch in which the spindle turns at speed with one tool; run-up and run-down lie outside."""

    start: int
    stop: int
    rpm: float
    flutes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueDisturbance:
    """Something else that sounds; `level_db` is over the reference air where it has a level."""

    kind: str
    start: int
    stop: int
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """All that is true of a clip.

    Attributes
    ----------
    n_samples : int
    contacts, chatter, spindle, disturbances : tuple
        In order of start.
    missing : tuple of int
        Ids of expected contacts that were left out.
    program_at, program_s : ndarray, shape (n_points,)
        Program time [s at 100 %] by sample, linear between the points; empty without a program.
    """

    n_samples: int
    contacts: tuple[TrueContact, ...]
    chatter: tuple[TrueChatter, ...] = ()
    spindle: tuple[TrueSpindle, ...] = ()
    disturbances: tuple[TrueDisturbance, ...] = ()
    missing: tuple[int, ...] = ()
    program_at: NDArray[np.float64]
    program_s: NDArray[np.float64]

    def states(self, at: NDArray[np.int64]) -> NDArray[np.int8]:
        """State at each sample of `at`, as an index into `listen.states.STATES`, shape (n_at,)."""
        bounds: list[int] = []
        states = [AIR]
        for contact in self.contacts:
            bounds += [contact.start, contact.full, contact.leaving, contact.stop]
            states += [ENTRY, STEADY, EXIT, AIR]
        return np.array(states, np.int8)[np.searchsorted(np.array(bounds, np.int64), at, side="right")]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Made:
    """A made clip.

    Attributes
    ----------
    samples : ndarray, shape (n_samples,)
        Mono, full scale = ±1, float64.
    rate : int
        [Hz]
    truth : Truth
    """

    samples: NDArray[np.float64]
    rate: int
    truth: Truth
