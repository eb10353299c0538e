"""Plain ways to follow the same runs, to stand beside: counting, time warping, a grid of frames.

Each gives, for every heard start of contact, the index of the contact it takes it for.
"""

import numpy as np
from numpy.typing import NDArray

from listen.states import State
from listen.timeline import Timeline
from tools.tools_follow.runs import RATE, Truth

Stretches = list[tuple[float, float]]
FRAME_S = 0.1
RATES = np.array([0.1, 0.2, 0.3, 0.5, 0.7, 0.85, 1.0, 1.2])


def count_yardsticks(timeline: Timeline, truth: Truth) -> dict[str, float]:
    """How many starts each yardstick takes for the right contact."""
    heard: Stretches = []
    for event in truth.events:
        if event.state == State.ENTRY:
            heard.append((event.at / RATE, event.at / RATE))
        elif event.state == State.AIR:
            heard[-1] = (heard[-1][0], event.at / RATE)
    ways = {
        "counting": count_events(timeline, heard),
        "warping": warp_online(timeline, heard, truth.end_s),
        "grid": frame_grid(timeline, heard, truth.end_s),
    }
    firsts: dict[int, float] = {}
    for start, _, contact in truth.stretches:
        firsts.setdefault(contact, start)
    counts = dict.fromkeys(("all", *ways), 0.0)
    for contact, start in firsts.items():
        near = [i for i, (at, _) in enumerate(heard) if abs(at - start) < 0.35]
        if contact >= 0 and near:
            counts["all"] += 1
            for name, guesses in ways.items():
                counts[name] += guesses[near[0]] == contact
    return counts


def count_events(timeline: Timeline, heard: Stretches) -> list[int]:
    """The n-th start is the n-th contact."""
    return [min(index, len(timeline.contacts) - 1) for index in range(len(heard))]


def _states(timeline: Timeline, step_s: float) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    times = np.arange(0.0, timeline.duration, step_s)
    starts = np.array([c.start for c in timeline.contacts])
    stops = np.array([c.stop for c in timeline.contacts])
    index = np.minimum(np.searchsorted(stops, times, side="right"), starts.size - 1)
    return (times >= starts[index]) & (times < stops[index]), index


def _frames(heard: Stretches, end_s: float) -> NDArray[np.bool_]:
    frames = np.zeros(int(end_s / FRAME_S) + 1, bool)
    for start, stop in heard:
        frames[int(start / FRAME_S) : int(stop / FRAME_S) + 1] = True
    return frames


def frame_grid(timeline: Timeline, heard: Stretches, end_s: float) -> list[int]:
    """Forward filter over place and rate on a grid of frames, untuned."""
    touching, index = _states(timeline, FRAME_S)
    n_places = touching.size
    belief = np.zeros((RATES.size, n_places))
    belief[:, 0] = 1.0 / RATES.size
    moves = RATES  # places a frame
    agree = np.where(touching, 0.95, 0.05)
    places: list[int] = []
    firsts = {int(start / FRAME_S) + 2 for start, _ in heard}
    for number, contact in enumerate(_frames(heard, end_s)):
        moved = np.empty_like(belief)
        for row, move in enumerate(moves):
            ahead = np.concatenate([[0.0], belief[row, :-1]])
            moved[row] = (1.0 - min(move, 1.0)) * belief[row] + min(move, 1.0) * ahead
        held = 0.02 * belief
        mixed = 0.98 * moved + held
        mixed = 0.995 * mixed + 0.005 * mixed.mean(axis=0)
        mixed *= agree if contact else 1.0 - agree
        belief = mixed / max(mixed.sum(), 1e-300)
        if number in firsts:
            places.append(int(index[int(np.argmax(belief.sum(axis=0)))]))
    return places + [0] * (len(heard) - len(places))


def warp_online(timeline: Timeline, heard: Stretches, end_s: float) -> list[int]:
    """Online time warping with steps 1:3 to 3:1 and a window of 5 s, as for music.

    References
    ----------
    Dixon (2005), "Live tracking of musical performances using on-line time warping", DAFx;
    simplified here to one step a frame.
    """
    touching, index = _states(timeline, FRAME_S)
    window = int(5.0 / FRAME_S)
    cost = np.full(touching.size, np.inf)
    cost[:window] = 0.0
    place = 0
    places: list[int] = []
    firsts = {int(start / FRAME_S) + 2 for start, _ in heard}
    for number, contact in enumerate(_frames(heard, end_s)):
        low, high = max(place - window, 0), min(place + window, touching.size)
        fresh = np.full(touching.size, np.inf)
        fresh[low:high] = _cheapest(cost, low, high) + (touching[low:high] != contact)
        cost = fresh - fresh[low:high].min() if np.isfinite(fresh[low:high]).any() else fresh
        place = int(low + np.argmin(cost[low:high]))
        if number in firsts:
            places.append(int(index[min(place, index.size - 1)]))
    return places + [0] * (len(heard) - len(places))


def _cheapest(cost: NDArray[np.float64], low: int, high: int) -> NDArray[np.float64]:
    """Cheapest way into each place of a window: staying, or one to three steps on."""
    ways = [cost[low:high] + 0.2]
    for step, price in ((1, 0.0), (2, 0.1), (3, 0.2)):
        source = cost[max(low - step, 0) : high - step]
        ways.append(np.concatenate([np.full(high - low - source.size, np.inf), source]) + price)
    result: NDArray[np.float64] = np.min(np.stack(ways), axis=0)
    return result
