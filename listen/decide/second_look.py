"""The second look at a whole recording: two-sided, and taught by the run itself.

Nothing of it runs live; the events that were decided live stay as they were.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames
from listen.decide.kernels import best_path, bridged, runs_of
from listen.decide.layout import Layout
from listen.decide.model import Model
from listen.decide.network import SURE_FRAMES, SURE_HEAD, Memory, score_together, shares
from listen.decide.paths import dated
from listen.decide.read_out import fit_read_out, separation
from listen.states import Event, State, log_odds


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondLookSettings:
    """Limits of the second look.

    Attributes
    ----------
    surely : float
        The two-sided ear must believe this much for a frame to be a seed [0 to 1].
    choice, choice_s : float
        Of contact there must be so much to choose from [s] before only the surest of it are seeds: those
        that reach this share of what the surest tenth reach [log odds]. After a long cut air sounds
        strange, and is believed a little for as long.
    seeds_s, air_s : float
        Least contact and air among the seeds [s]; with less the run teaches nothing.
    margin_frames : int
        Frames next to a change are no seeds.
    separates : float
        Least area under the curve between halves of the run that did not see each other.
    unchecked : bool
        Whether what has no other half to be held against may teach.
    own_weight, own_when : float
        Share of the run's own read-out in the log odds that decide whether there is contact, and
        in those that date it: it knows this machine better, and looks through longer windows.
    plenty_s, plenty_air_s : float
        With less contact or air to learn from than this, the read-out decides no more than it dates [s].
    near_frames : int
        A change is dated by the latter where they have one this near.
    live_weight : float
        Share of what the live ear thought a second later [0 to 1].
    live_seeds, both_s, both_separates : float
        Its share in what may teach where the two-sided ear finds nothing that does; the least contact and
        air of that [s]; and what it must separate, in halves that are held against each other.
    gain, gain_beside : float
        Nats that one frame's log odds count for; neighbouring frames say the same thing. The latter
        where another witness, which sees contact more coarsely, is weighed beside them.
    switch_cost : float
        [nats]
    short_frames, short_belief
        Contacts that are not longer than this must be believed by both ears together: the least sum
        of their mean log odds [nats]. A clatter, or a voice behind a poor codec, is as short, and while
        the two-sided ear takes it for a cut, the live ear a second later does not.
    long_belief : float
        The same for longer ones [nats].
    least_belief : float
        Least mean log odds that decide, without the live ear's, in longer ones [nats]: where the
        two-sided ear has nothing to compare with, it is in two minds for minutes, and the live ear
        may be as long wrong.
    compare_s : float
        With less air than this in the whole stretch, nothing is said [s].
    shortest_frames : int
        Shorter contacts are dropped, shorter gaps bridged.
    """

    surely: float = 0.85
    choice: float = 0.75
    choice_s: float = 30.0
    seeds_s: float = 0.25
    air_s: float = 0.5
    margin_frames: int = 8
    separates: float = 0.93
    unchecked: bool = True
    own_weight: float = 0.4
    own_when: float = 0.2
    plenty_s: float = 1.0
    plenty_air_s: float = 2.0
    near_frames: int = 20
    live_weight: float = 0.1
    live_seeds: float = 0.5
    both_s: float = 2.0
    both_separates: float = 0.98
    gain: float = 0.6
    gain_beside: float = 0.4
    switch_cost: float = 3.5
    short_frames: int = 100
    short_belief: float = 1.5
    long_belief: float = 3.0
    least_belief: float = 1.4
    compare_s: float = 0.5
    shortest_frames: int = 5
    rounds: int = 2


def second_look(
    frames: Frames,
    model: Model,
    layout: Layout,
    *,
    hop: int,
    sure: NDArray[np.float64] | None = None,
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
    sure : ndarray | None, shape (n_frames,)
        What `Decide` noted of these frames; None has it worked out again.

    Returns
    -------
    tuple of Event
        Confirmed events, decided at the end of the stretch.
    """
    if len(frames) < 5:
        return ()
    return events_of(belief_of(frames, model, layout, hop=hop, sure=sure, settings=settings))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Belief:
    """What the second look believes of each frame of a stretch, before it is decided.

    Attributes
    ----------
    at : ndarray, shape (n_frames,)
    middle : ndarray, shape (n_frames,)
        Of each frame's window [samples].
    odds, whether, live : ndarray, shape (n_frames,)
        Log odds of contact as they date it; as they decide whether; those of the live ear alone.
    states : ndarray, shape (n_frames, n_states)
    vectors : ndarray, shape (n_frames, n_vector)
        What a run can teach itself on.
    back : int
        From a frame's end to the middle of its window [samples].
    hop_s : float
    settings : SecondLookSettings
    """

    at: NDArray[np.int64]
    middle: NDArray[np.int64]
    odds: NDArray[np.float64]
    whether: NDArray[np.float64]
    live: NDArray[np.float64]
    states: NDArray[np.float64]
    vectors: NDArray[np.float64]
    back: int
    hop_s: float
    settings: SecondLookSettings

    def with_odds(self, odds: NDArray[np.float64]) -> "Belief":
        """The same with other log odds."""
        return replace(self, odds=odds)


def belief_of(
    frames: Frames,
    model: Model,
    layout: Layout,
    *,
    hop: int,
    sure: NDArray[np.float64] | None = None,
    settings: SecondLookSettings | None = None,
) -> Belief:
    """Belief of each frame; parameters as for `second_look`."""
    settings = settings or SecondLookSettings()
    features = frames.values[:, layout.model]
    states = shares(score_together(model.second + model.later, features))
    vectors = layout.vectors(frames.values)
    base = log_odds(1.0 - states[:, 0])
    live = _live_odds(Memory(model.live).push(features)[:, SURE_HEAD] if sure is None else sure)
    if model.shop is not None:
        taught = model.shop.log_odds(vectors)
        base, live = (model.shop.mixed(odds, taught, model.shop.second_share) for odds in (base, live))
    own, share = _own(base, live, vectors, hop_s=layout.hop_s, settings=settings)
    back = layout.back(hop)
    return Belief(
        at=frames.at,
        middle=frames.at - back,
        odds=_mixed(_mixed(base, own, settings.own_when), live, settings.live_weight),
        whether=_mixed(_mixed(base, own, share), live, settings.live_weight),
        live=live,
        states=states,
        vectors=vectors,
        back=back,
        hop_s=layout.hop_s,
        settings=settings,
    )


def events_of(belief: Belief, *, beside: NDArray[np.float64] | None = None) -> tuple[Event, ...]:
    """Events of a belief.

    Parameters
    ----------
    belief : Belief
    beside : ndarray | None, shape (n_frames,)
        Log likelihood ratio of another witness for each frame.
    """
    settings = belief.settings
    if beside is None:
        nats = belief.whether
        path = _path(nats, settings)
        _drop_doubted(path, nats, belief.live, settings)
        path = dated(path, _path(belief.odds, settings), near=settings.near_frames)
    else:
        nats = belief.odds + beside / settings.gain_beside
        path = _path(nats, replace(settings, gain=settings.gain_beside))
    if (~path).sum() * belief.hop_s < settings.compare_s:
        return ()  # nothing to compare with: whether it is all contact or all air cannot be told
    sure = 1.0 / (1.0 + np.exp(-nats))
    return _events(path, sure, belief.states, belief.at, back=belief.back)


def _path(odds: NDArray[np.float64], settings: SecondLookSettings) -> NDArray[np.bool_]:
    return bridged(best_path(settings.gain * odds, settings.switch_cost), settings.shortest_frames)


def _live_odds(sure: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the live ear thought of each frame a second later, as log odds held to ±9 nats.

    Of the last second it cannot have thought yet: that is no opinion, 0.
    """
    odds = np.zeros(sure.size)
    odds[:-SURE_FRAMES] = np.clip(sure[SURE_FRAMES:], -9.0, 9.0)
    return odds


def _drop_doubted(
    path: NDArray[np.bool_],
    whether: NDArray[np.float64],
    live: NDArray[np.float64],
    settings: SecondLookSettings,
) -> None:
    """Drop contacts that the ears, on the whole, do not believe; changes `path`.

    A recording of nothing but a machine in air gives the two-sided ear nothing to compare with.
    """
    for begin, stop in runs_of(path):
        alone = float(whether[begin:stop].mean())
        both = alone + float(live[begin:stop].mean())
        if not _is_believed(stop - begin, alone, both, settings):
            path[begin:stop] = False


def _is_believed(n_frames: int, alone: float, both: float, settings: SecondLookSettings) -> bool:
    """Whether a contact of so many frames stands, by mean log odds without and with the live ear's [nats]."""
    if n_frames <= settings.short_frames:
        return both >= settings.short_belief
    return alone >= settings.least_belief and both >= settings.long_belief


def _own(
    base: NDArray[np.float64],
    live: NDArray[np.float64],
    vectors: NDArray[np.float64],
    *,
    hop_s: float,
    settings: SecondLookSettings,
) -> tuple[NDArray[np.float64] | None, float]:
    """Log odds by a read-out fitted on the run's own sure frames, and how much it may decide.

    Where the two-sided ear finds none, in two minds about the whole run or sure of what does not hold
    together, plenty of what both ears are sure of may teach. None where the run teaches nothing.
    """
    own, share = _taught(base, vectors, hop_s=hop_s, settings=settings)
    if own is None:
        both = _mixed(base, live, settings.live_seeds)
        least_s, separates = settings.both_s, settings.both_separates
        firmly = replace(settings, seeds_s=least_s, air_s=least_s, separates=separates, unchecked=False)
        own, share = _taught(both, vectors, hop_s=hop_s, settings=firmly)
    return own, share


def _taught(
    base: NDArray[np.float64],
    vectors: NDArray[np.float64],
    *,
    hop_s: float,
    settings: SecondLookSettings,
) -> tuple[NDArray[np.float64] | None, float]:
    """The same by these log odds alone."""
    own, share = None, settings.own_when
    for _ in range(settings.rounds):
        contact, air = _seeds(_mixed(base, own, share), settings, hop_s=hop_s)
        contact_s, air_s = contact.sum() * hop_s, air.sum() * hop_s
        if contact_s < settings.seeds_s or air_s < settings.air_s:
            break
        if not _holds_across(vectors, contact, air, settings):
            break
        own = fit_read_out(vectors[contact], vectors[air], stiffness=0.02).log_odds(vectors)
        plenty = contact_s >= settings.plenty_s and air_s >= settings.plenty_air_s
        share = settings.own_weight if plenty else settings.own_when
    return own, share


def _mixed(
    odds: NDArray[np.float64], others: NDArray[np.float64] | None, share: float
) -> NDArray[np.float64]:
    return odds if others is None else (1.0 - share) * odds + share * others


def _seeds(
    odds: NDArray[np.float64], settings: SecondLookSettings, *, hop_s: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames that are surely contact, and surely air, away from any change."""
    limit = float(np.log(settings.surely / (1.0 - settings.surely)))
    least = _least_of_surest(odds[odds > limit], settings, hop_s=hop_s, limit=limit)
    return inner(odds > least, settings.margin_frames), inner(odds < -limit, settings.margin_frames)


def _least_of_surest(
    sure: NDArray[np.float64], settings: SecondLookSettings, *, hop_s: float, limit: float
) -> float:
    """Above which log odds a frame teaches contact; `choice_s` of the surest always do."""
    n_choice = round(settings.choice_s / hop_s)
    if sure.size <= n_choice:
        return limit
    kept = float(np.partition(sure, sure.size - n_choice)[sure.size - n_choice])
    return max(limit, min(settings.choice * float(np.quantile(sure, 0.9)), kept))


def inner(mask: NDArray[np.bool_], margin: int) -> NDArray[np.bool_]:
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
    """Whether what one half of the seeds teaches tells the other half apart."""
    first = np.cumsum(contact) <= contact.sum() / 2
    parts = []
    for half in (first, ~first):
        parts.append((vectors[contact & half], vectors[air & half]))
    if min(len(rows) for part in parts for rows in part) < 10:
        return settings.unchecked  # one contact at an end of the run: nothing to hold it against
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
