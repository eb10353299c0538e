"""Sound and spindle load together, after the run: load as a further log-likelihood of contact.

Load sees a cut however loud the room is, but only ten times a second or less, and late; sound dates
it to a hundredth of a second, but misses and invents in noise. How late the load is follows from
where it agrees with sound best; then it teaches the run's own read-out what contact sounds like here,
and stands beside it, frame by frame, when contact is decided.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.decide.read_out import fit_read_out, separation
from listen.decide.second_look import Belief, events_of, inner
from listen.states import Event

Spans = Sequence[tuple[float, float]]

EARLIEST_S, LATEST_S = -0.4, 1.6  # how late a drive and its control are
STEP_S = 0.02
HELD = 3.0  # one frame of sound counts for as much, either way, when the lag is sought [nats]
AGREES = 0.62  # area under the curve from which sound and load tell of the same run
MARGIN_S = 0.35  # frames nearer to an end that load gives teach nothing
LEAST_S = 1.0  # of contact and of air, to teach from
OWN_WEIGHT = 0.5  # of the read-out that load taught
OF_LOAD = 1.0  # a frame of contact or air by load [nats]
RAMP_S = 0.3  # near its ends load says less and less
ROUNDS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What load says of a run, by its own clock.

    Attributes
    ----------
    contacts : sequence of (float, float)
        [s]
    silent : sequence of (float, float)
        Where there was no load, so that sound stands alone [s].
    """

    contacts: Spans
    silent: Spans


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """How late the load comes [s], and how well sound and load then agree [area under the curve]."""

    late_s: float
    agrees: float


def find_lag(beliefs: Sequence[Belief], seen: Seen, *, rate: int) -> Lag:
    """The lag under which sound believes most in the contacts of load.

    Parameters
    ----------
    beliefs : sequence of Belief
        Of each stretch of sound.
    seen : Seen
    rate : int
        [Hz]
    """
    lags = np.arange(EARLIEST_S, LATEST_S, STEP_S)
    total = np.zeros(lags.size)
    for one in beliefs:
        sums = np.concatenate([[0.0], np.cumsum(np.clip(one.odds, -HELD, HELD))])
        for start, stop in seen.contacts:
            first, last = (np.searchsorted(one.middle, (at_s - lags) * rate) for at_s in (start, stop))
            total += sums[last] - sums[first]
    late_s = float(lags[total.argmax()])
    inside, outside = (np.concatenate(part) for part in _parted(beliefs, seen, late_s, rate))
    agrees = separation(inside, outside) if inside.size and outside.size else 0.0
    return Lag(late_s=late_s, agrees=agrees)


def _parted(
    beliefs: Sequence[Belief], seen: Seen, late_s: float, rate: int
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Log odds of sound inside the contacts of load, and in its air."""
    says = [load_says(one.middle / rate, seen, late_s=late_s, ramp_s=STEP_S) for one in beliefs]
    parts = list(zip(beliefs, says, strict=True))
    return [b.odds[s > 0.0] for b, s in parts], [b.odds[s < 0.0] for b, s in parts]


def load_says(
    seconds: NDArray[np.float64], seen: Seen, *, late_s: float, ramp_s: float
) -> NDArray[np.float64]:
    """What load says of each frame: 1 for contact, -1 for air, 0 where it says nothing.

    Parameters
    ----------
    seconds : ndarray, shape (n_frames,)
    seen : Seen
    late_s, ramp_s : float
        How late load is; over how long it goes from -1 to 0 and on to 1 about each end.
    """
    says = np.full(seconds.size, -1.0)
    for start, stop in seen.contacts:
        within = np.minimum(seconds - (start - late_s), (stop - late_s) - seconds)
        says = np.maximum(says, np.clip(within / ramp_s, -1.0, 1.0))
    for start, stop in seen.silent:
        says[(seconds > start - late_s) & (seconds < stop - late_s)] = 0.0
    return says


def fuse_look(beliefs: Sequence[Belief], seen: Seen, *, lag: Lag, rate: int) -> tuple[Event, ...]:
    """Events of both, as known after the run.

    Parameters
    ----------
    beliefs : sequence of Belief
        Of each stretch of sound.
    seen : Seen
    lag : Lag
        As `find_lag` gives it.
    rate : int
        [Hz]
    """
    late_s, taught = lag.late_s, list(beliefs)
    for _ in range(ROUNDS):
        says = [load_says(one.middle / rate, seen, late_s=late_s, ramp_s=STEP_S) for one in beliefs]
        taught = [one.with_odds(_taught(one, here)) for one, here in zip(beliefs, says, strict=True)]
        late_s = find_lag(taught, seen, rate=rate).late_s
    events: list[Event] = []
    for one in taught:
        says_here = load_says(one.middle / rate, seen, late_s=late_s, ramp_s=RAMP_S)
        events += events_of(one, beside=OF_LOAD * says_here)
    return tuple(events)


def _taught(one: Belief, says: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log odds with the read-out that the contacts of load teach; unchanged where there are too few."""
    margin = round(MARGIN_S / one.hop_s)
    contact, air = inner(says > 0.0, margin), inner(says < 0.0, margin)
    if min(contact.sum(), air.sum()) * one.hop_s < LEAST_S:
        return one.odds
    read_out = fit_read_out(one.vectors[contact], one.vectors[air], stiffness=0.02)
    odds: NDArray[np.float64] = (1.0 - OWN_WEIGHT) * one.odds + OWN_WEIGHT * read_out.log_odds(one.vectors)
    return odds
