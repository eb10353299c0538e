"""The second look at a whole recording: two-sided, and taught by the run itself.

Nothing of it runs live; the events that were decided live stay as they were.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames
from listen.decide.decoder import SURE_FRAMES
from listen.decide.kernels import best_path, bridged, runs_of
from listen.decide.layout import Layout
from listen.decide.model import Model
from listen.decide.network import Memory, score_whole, shares
from listen.decide.read_out import fit_read_out, separation
from listen.states import Event, State


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondLookSettings:
    """Limits of the second look.

    Attributes
    ----------
    surely : float
        The two-sided ear must believe this much for a frame to be a seed [0 to 1].
    seeds_s, air_s : float
        Least contact and air among the seeds [s]; with less the run teaches nothing.
    margin_frames : int
        Frames next to a change are no seeds.
    separates : float
        Least area under the curve between halves of the run that did not see each other.
    own_weight : float
        Share of the run's own read-out in the log odds [0 to 1].
    live_weight : float
        Share of what the live ear thought a second later [0 to 1].
    gain : float
        Nats that one frame's log odds count for; neighbouring frames say the same thing.
    switch_cost : float
        [nats]
    long_frames : int
        Contacts longer than this must be believed by both ears together, on the whole.
    long_belief : float
        Least sum of both ears' mean log odds in such a contact [nats].
    short_frames, short_belief
        The same for contacts that are not longer than this: a clatter is as short, and while the
        two-sided ear takes it for a cut, the live ear a second later does not.
    compare_s : float
        With less air than this in the whole stretch, nothing is said [s].
    shortest_frames : int
        Shorter contacts are dropped, shorter gaps bridged.
    """

    surely: float = 0.85
    seeds_s: float = 0.25
    air_s: float = 0.5
    margin_frames: int = 8
    separates: float = 0.93
    own_weight: float = 0.2
    live_weight: float = 0.1
    gain: float = 0.4
    switch_cost: float = 3.5
    long_frames: int = 100
    long_belief: float = 3.0
    short_frames: int = 40
    short_belief: float = 1.5
    compare_s: float = 0.5
    shortest_frames: int = 7
    rounds: int = 2


def second_look(
    frames: Frames,
    model: Model,
    layout: Layout,
    *,
    hop: int,
    settings: SecondLookSettings | None = None,
) -> tuple[Event, ...]:
    """Refined events of a stretch of sound without a gap.

    Parameters
    ----------
    frames : Frames
        All frames of the stretch.
    model, layout
        As for `Decide`.
    hop : int
        [samples]

    Returns
    -------
    tuple of Event
        Confirmed events, decided at the end of the stretch.
    """
    settings = settings or SecondLookSettings()
    if len(frames) < 5:
        return ()
    features = frames.values[:, layout.model]
    states = shares(score_whole(model.second, features))
    belief = 1.0 - states[:, 0]
    taught = _taught(belief, layout.vectors(frames.values), hop_s=layout.hop_s, settings=settings)
    live = _live_odds(model, features)
    odds = (1.0 - settings.live_weight) * taught + settings.live_weight * live
    path = best_path(settings.gain * odds, settings.switch_cost)
    path = bridged(path, settings.shortest_frames)
    _drop_doubted(path, odds + live, settings)
    if (~path).sum() * layout.hop_s < settings.compare_s:
        return ()  # nothing to compare with: whether it is all contact or all air cannot be told
    sure = 1.0 / (1.0 + np.exp(-odds))
    return _events(path, sure, states, frames.at, back=layout.back(hop))


def _live_odds(model: Model, features: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the live ear thought of each frame a second later, as log odds held to ±9 nats."""
    sure = Memory(model.live).push(features)[:, 2]
    ahead = np.concatenate([sure[SURE_FRAMES:], np.full(min(SURE_FRAMES, sure.size), sure[-1])])
    odds: NDArray[np.float64] = np.clip(ahead[: sure.size], -9.0, 9.0)
    return odds


def _drop_doubted(path: NDArray[np.bool_], both: NDArray[np.float64], settings: SecondLookSettings) -> None:
    """Drop long and short contacts that both ears together, on the whole, do not believe; changes `path`.

    A recording of nothing but a machine in air gives the two-sided ear nothing to compare with.
    """
    for begin, stop in runs_of(path):
        believed = both[begin:stop].mean()
        if stop - begin > settings.long_frames and believed < settings.long_belief:
            path[begin:stop] = False
        if stop - begin <= settings.short_frames and believed < settings.short_belief:
            path[begin:stop] = False


def _log_odds(belief: NDArray[np.float64]) -> NDArray[np.float64]:
    held = np.clip(belief, 1e-4, 1.0 - 1e-4)
    odds: NDArray[np.float64] = np.log(held / (1.0 - held))
    return odds


def _taught(
    belief: NDArray[np.float64],
    vectors: NDArray[np.float64],
    *,
    hop_s: float,
    settings: SecondLookSettings,
) -> NDArray[np.float64]:
    """Log odds of contact, sharpened by a read-out fitted on the run's own sure frames."""
    base = _log_odds(belief)
    odds = base
    for _ in range(settings.rounds):
        contact, air = _seeds(odds, settings)
        if contact.sum() * hop_s < settings.seeds_s or air.sum() * hop_s < settings.air_s:
            return odds
        if not _holds_across(vectors, contact, air, settings):
            return odds
        read_out = fit_read_out(vectors[contact], vectors[air], stiffness=0.02)
        odds = (1.0 - settings.own_weight) * base + settings.own_weight * read_out.log_odds(vectors)
    return odds


def _seeds(
    odds: NDArray[np.float64], settings: SecondLookSettings
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames that are surely contact, and surely air, away from any change."""
    limit = float(np.log(settings.surely / (1.0 - settings.surely)))
    return _inner(odds > limit, settings.margin_frames), _inner(odds < -limit, settings.margin_frames)


def _inner(mask: NDArray[np.bool_], margin: int) -> NDArray[np.bool_]:
    """True where the mask holds for `margin` frames both ways."""
    sums = np.concatenate([[0], np.cumsum(mask)])
    index = np.arange(mask.size)
    low, high = np.maximum(index - margin, 0), np.minimum(index + margin + 1, mask.size)
    inner: NDArray[np.bool_] = (sums[high] - sums[low]) == (high - low)
    return inner


def _holds_across(
    vectors: NDArray[np.float64],
    contact: NDArray[np.bool_],
    air: NDArray[np.bool_],
    settings: SecondLookSettings,
) -> bool:
    """True when what one half of the seeds teaches tells the other half apart."""
    first = np.cumsum(contact) <= contact.sum() / 2
    parts = []
    for half in (first, ~first):
        parts.append((vectors[contact & half], vectors[air & half]))
    if min(len(rows) for part in parts for rows in part) < 10:
        return True  # one contact at an end of the run: nothing to hold it against
    for (mine, my_air), (other, other_air) in (parts, parts[::-1]):
        read_out = fit_read_out(mine, my_air, stiffness=0.02)
        if separation(read_out.log_odds(other), read_out.log_odds(other_air)) < settings.separates:
            return False
    return True


def _events(
    path: NDArray[np.bool_],
    belief: NDArray[np.float64],
    states: NDArray[np.float64],
    at: NDArray[np.int64],
    *,
    back: int,
) -> tuple[Event, ...]:
    events: list[Event] = []
    end = int(at[-1])
    for begin, stop in runs_of(path):
        probability = float(np.clip(belief[begin:stop].mean(), 0.0, 1.0))
        full, leaving = _ramps(states[begin:stop])
        marks = (
            (State.ENTRY, begin),
            (State.STEADY, begin + full),
            (State.EXIT, begin + leaving),
            (State.AIR, stop),
        )
        for state, index in marks:
            when = int(at[index]) if index < at.size else end + back
            events.append(_event(state, max(0, when - back), end, probability))
    return tuple(events)


def _ramps(states: NDArray[np.float64]) -> tuple[int, int]:
    """Frames from the start of a contact until it is full, and until it begins to leave."""
    n_frames = len(states)
    steady = np.flatnonzero(states[:, 2] >= np.maximum(states[:, 1], states[:, 3]))
    if steady.size == 0:
        return n_frames // 2, n_frames // 2
    return int(steady[0]), int(steady[-1]) + 1


def _event(state: State, at: int, end: int, probability: float) -> Event:
    return Event(state=state, at=min(at, end), decided_at=end, probability=probability)
