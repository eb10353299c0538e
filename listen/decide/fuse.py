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

from listen.decide.read_out import ReadOut, fit_read_out, separation
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
COARSE_S = 0.1  # step of the lags at which load teaches a read-out
TAUGHT_MARGIN_S = 0.2
HOLDS = 0.75  # the same area for what one half of the run teaches of the other
BETTER = 0.1  # by so much a read-out that load taught must tell more than sound's own ear, to stand for it


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
    return Lag(late_s=late_s, agrees=_agrees(beliefs, seen, late_s, rate))


def _agrees(beliefs: Sequence[Belief], seen: Seen, late_s: float, rate: int) -> float:
    """How well sound tells the contacts of load from its air [area under the curve]."""
    inside, outside = (np.concatenate(part) for part in _parted(beliefs, seen, late_s, rate))
    return separation(inside, outside) if inside.size and outside.size else 0.0


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


def taught_by_load(beliefs: Sequence[Belief], seen: Seen, *, lag: Lag, rate: int) -> tuple[list[Belief], Lag]:
    """Beliefs by what the load teaches of this machine, where sound's own ear tells far less of the run.

    Parameters
    ----------
    beliefs : sequence of Belief
        Of each stretch of sound.
    seen : Seen
    lag : Lag
        As `find_lag` gives it.
    rate : int
        [Hz]

    Returns
    -------
    list of Belief
        The same where load teaches nothing that holds from one half of the run to the other.
    Lag
        Under which it does best.
    """
    taught, found = list(beliefs), lag
    for late_s in np.arange(EARLIEST_S, LATEST_S, COARSE_S).tolist():
        odds = [_other_half(one, seen, late_s, rate) for one in beliefs]
        if any(one is None for one in odds):
            continue
        here = [one.with_odds(each) for one, each in zip(beliefs, odds, strict=True) if each is not None]
        agrees = _agrees(here, seen, late_s, rate)
        if agrees >= max(HOLDS, lag.agrees + BETTER, found.agrees):
            taught, found = here, Lag(late_s=late_s, agrees=agrees)
    return taught, found


def _other_half(one: Belief, seen: Seen, late_s: float, rate: int) -> NDArray[np.float64] | None:
    """Log odds of each half of the contacts by what the other half taught; None where there are too few."""
    says = load_says(one.middle / rate, seen, late_s=late_s, ramp_s=STEP_S)
    contact, air = _sides(one, says, margin_s=TAUGHT_MARGIN_S)
    first = np.cumsum(contact) <= contact.sum() / 2
    odds = np.empty(one.odds.size)
    for half in (first, ~first):
        read_out = _read_out(one, contact & half, air & half)
        if read_out is None:
            return None
        odds[~half] = read_out.log_odds(one.vectors[~half])
    return odds


def _taught(one: Belief, says: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log odds with the read-out that the contacts of load teach; unchanged where there are too few."""
    read_out = _read_out(one, *_sides(one, says, margin_s=MARGIN_S))
    if read_out is None:
        return one.odds
    odds: NDArray[np.float64] = (1.0 - OWN_WEIGHT) * one.odds + OWN_WEIGHT * read_out.log_odds(one.vectors)
    return odds


def _sides(
    one: Belief, says: NDArray[np.float64], *, margin_s: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames that load puts inside a contact, and in air, away from its ends."""
    margin = round(margin_s / one.hop_s)
    return inner(says > 0.0, margin), inner(says < 0.0, margin)


def _read_out(one: Belief, contact: NDArray[np.bool_], air: NDArray[np.bool_]) -> ReadOut | None:
    """What these frames teach; None where there are too few of either."""
    if min(contact.sum(), air.sum()) * one.hop_s < LEAST_S:
        return None
    return fit_read_out(one.vectors[contact], one.vectors[air], stiffness=0.02)
