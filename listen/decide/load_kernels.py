"""Kernels of load alone: a log as level stretches, and which of them are idle, cut, or the spindle itself."""

import numpy as np
from numpy.typing import NDArray

from listen.compiled import compiled

AIR, CUT, SPINDLE, IDLE, STANDING = 0, 1, 2, 3, 4

# Prices [nats]: a random search over the drawn logs of tools/tools_load, seeds 6000 to 6008 and
# 7000 to 7005; LIGHT_CUT, CALM_CUT, SPIKE, FAR_ABOVE and the prices of air in amperes were then set by
# hand on the same logs. tools/bench_load.py prints what they reach on other seeds.
CUT_PRICE = 0.878
NEXT_LEVEL = 1.6  # share of the price of a cut for a further level of the same one
CUT_A_SECOND = 0.0121
FREE_JUMP = 6.53
FREE_JUMP_FAR = 1.88
JUMP = 2.18
JUMP_AT_ONCE = 3.4
JUMP_FAR = 4.17
FIRST_LEVEL = 1.79
STAND_AFTER_SPIKE = 0.511
STAND = 5.68
STANDS_BELOW = 0.02  # share of a strong cut
STANDS_BELOW_PERCENT = 0.25  # of rated load
NEAR_NOTHING = 4.0  # a turning spindle draws something
CALM_CUT = 0.3
RESTLESS = 3.96
SHORT = 0.373
DRIFT_DOWN = 0.00234
DRIFT_UP = 0.00809
STEPPED = 7.54
SPIKE = 12.0
START = 0.74  # a spindle that stood must start
STOPS_IN_CUT = 0.726
SPIKE_A_SECOND = 1.56
LOW_SPIKE = 2.6
CUT_BY_RISE = 0.49
LIGHT_CUT = 0.5
FAR_ABOVE = 6.0  # times a strong cut
LONG_CUT = 0.562
STAND_FIRST = 0.109
UNKNOWN = 6.0
UNKNOWN_A_SECOND = 0.384
AIR_PRICE, EDGE = 3.8, 4.5
AIR_PRICE_AMPS, EDGE_AMPS = 2.0, 8.0  # feeding in air raises a current, too
LONGEST_SPIKE_S = 4.0
HOPELESS = 30.0


@compiled()
def cut_into_levels(
    load: NDArray[np.float64],
    penalty: NDArray[np.float64],
    floor: float,
    best: NDArray[np.float64],
    begin: NDArray[np.int64],
) -> None:
    """Cut a series into stretches of one level each, so that level and noise explain it best.

    Parameters
    ----------
    load : ndarray, shape (n_frames,)
    penalty : ndarray, shape (n_frames,)
        What a new stretch that begins at a frame costs [nats].
    floor : float
        Least standard deviation inside a stretch [unit of the load].
    best, begin : ndarray, shape (n_frames + 1,)
        Filled: the least cost of the first frames, and where their last stretch begins.

    References
    ----------
    Killick, Fearnhead and Eckley 2012, "Optimal detection of changepoints with a linear
    computational cost", section 3, with a normal of unknown mean and variance as cost.
    """
    n = load.shape[0]
    one = np.zeros(n + 1)
    two = np.zeros(n + 1)
    for i in range(n):
        one[i + 1] = one[i] + load[i]
        two[i + 1] = two[i] + load[i] * load[i]
    alive = np.zeros(n + 1, np.int64)
    n_alive = 0
    greatest = penalty.max() if n else 0.0
    best[0] = 0.0
    begin[0] = 0
    cost = np.zeros(n + 1)
    for stop in range(1, n + 1):
        alive[n_alive] = stop - 1
        n_alive += 1
        least = np.inf
        for k in range(n_alive):
            start = alive[k]
            size = stop - start
            mean = (one[stop] - one[start]) / size
            spread = max(0.0, (two[stop] - two[start]) / size - mean * mean)
            cost[k] = best[start] + penalty[start] + size * np.log(1.0 + spread / (floor * floor))
            if cost[k] < least:
                least = cost[k]
                begin[stop] = start
        best[stop] = least
        kept = 0
        for k in range(n_alive):
            if cost[k] <= least + greatest:
                alive[kept] = alive[k]
                kept += 1
        n_alive = kept


@compiled()
def follow_idle(
    stretches: NDArray[np.float64],
    told: NDArray[np.bool_],
    scales: NDArray[np.float64],
    kind: NDArray[np.int8],
    idle: NDArray[np.float64],
) -> None:
    """Label each stretch with the likeliest story of the idle level.

    A story says which stretches are idle (their level is the one before, drifted a little, or a
    new one at a price), which lie a little above it (air), far above it (cut), and which are the
    spindle's own: short spikes, and standing. Of all stories with the same last idle stretch only
    the likeliest goes on, so that n stretches need at most n stories.

    Parameters
    ----------
    stretches : ndarray, shape (n_stretches, 5)
        Level, spread, number of frames, start [s], stop [s].
    told : ndarray, shape (n_stretches,)
        Whether the source told another spindle speed since the stretch before.
    scales : ndarray, shape (6,)
        Noise of single frames; least rise that is a cut; rise of a strong cut; how wide a level
        is at the least; step of the values shown; 1 for percent of rated load.
    kind, idle : ndarray, shape (n_stretches,)
        Filled with the label, and the idle level in force (NaN where none is known).

    References
    ----------
    Viterbi 1967; the state is the stretch that was idle last, as in the segment models of Ostendorf,
    Digalakis and Kimball 1996, "From HMM's to segment models".
    """
    n = stretches.shape[0]
    cost = np.full(
        n + 1, np.inf
    )  # story 0: nothing known yet; story j + 1: stretch j was idle last, or stood
    known = np.full(n + 1, np.nan)
    weight = np.zeros(n + 1)
    seen_s = np.zeros(n + 1)
    was = np.full(n + 1, IDLE)  # label of the newest stretch in this story
    spiked_s = np.zeros(n + 1)  # when the newest spike began
    free = np.zeros(n + 1, np.bool_)  # since the last idle something told of another speed
    stood = np.zeros(n + 1, np.bool_)
    parent = np.full(n + 1, -1, np.int64)
    alive = np.zeros(n + 1, np.int64)
    cost[0] = 0.0
    n_alive = 1
    for j in range(n):
        new = j + 1
        for k in range(n_alive):
            c = alive[k]
            free[c] = free[c] or told[j]
            stay, level, mass = _stay(stretches[j], known[c], weight[c], seen_s[c], scales)
            fresh = _jump(stretches[j], known[c], seen_s[c], free[c], scales)
            stands = _stand(stretches[j], known[c], free[c], was[c] == CUT, j == 0, scales)
            least = min(stay, fresh, stands)
            if cost[c] + least < cost[new]:
                cost[new] = cost[c] + least
                parent[new] = c
                stood[new] = least == stands
                known[new] = np.nan if stood[new] else (level if least == stay else stretches[j, 0])
                weight[new] = mass if least == stay else min(stretches[j, 2], 50.0)
        seen_s[new], free[new], was[new] = stretches[j, 4], stood[new], IDLE
        lowest = cost[new]
        for k in range(n_alive):
            c = alive[k]
            price, label = _not_idle(stretches[j], known[c], seen_s[c], was[c], spiked_s[c], scales)
            cost[c] += price
            free[c] = free[c] or label == SPINDLE
            if label == SPINDLE and was[c] != SPINDLE:
                spiked_s[c] = stretches[j, 3]
            was[c] = label
            lowest = min(lowest, cost[c])
        n_kept = 0
        for k in range(n_alive):
            if cost[alive[k]] <= lowest + HOPELESS:
                alive[n_kept] = alive[k]
                n_kept += 1
        if np.isfinite(cost[new]):
            alive[n_kept] = new
            n_kept += 1
        n_alive = n_kept
    last = alive[0]
    for k in range(n_alive):
        if cost[alive[k]] < cost[last]:
            last = alive[k]
    _read_back(stretches, scales, known, parent, stood, last, kind, idle)


@compiled()
def _stay(
    one: NDArray[np.float64], known: float, weight: float, seen_s: float, scales: NDArray[np.float64]
) -> tuple[float, float, float]:
    """Price of being the same idle level as before, and that level and its weight with this stretch in it."""
    if np.isnan(known):
        return np.inf, np.nan, 0.0
    noise, least, width, step = scales[0], scales[1], scales[3], scales[4]
    away, size = one[0] - known, min(one[2], 50.0)
    drift = (DRIFT_DOWN if away < 0.0 else DRIFT_UP) * abs(known) + 0.3 * width
    variance = noise * noise * (1.0 / min(size, 25.0) + 1.0 / min(weight, 25.0)) + width * width
    variance += drift * drift * min(10.0, (one[3] - seen_s) / 60.0)
    price = _normal(away, variance, least)
    if step > 0.0:  # a level half-way between two values is shown as either
        price = min(price, STEPPED + _normal(away, variance + step * step, least))
    share = max(size / (size + min(weight, 50.0)), 1.0 - np.exp(-(one[4] - seen_s) / 60.0))
    return price + _restless(one, noise), known + share * away, min(100.0, weight + one[2])


@compiled()
def _normal(away: float, variance: float, unit: float) -> float:
    """Negative log density of a normal, per `unit`."""
    return float(0.5 * away * away / variance + 0.5 * np.log(variance / (unit * unit)))


@compiled()
def _restless(one: NDArray[np.float64], noise: float) -> float:
    """What idle pays for being noisier than the quiet of the log."""
    if one[2] < 3.0:
        return 0.0
    return float(min(8.0, RESTLESS * max(0.0, np.log(max(one[1], 1e-12) / noise) - 0.4)))


@compiled()
def _nothing(scales: NDArray[np.float64]) -> float:
    """Below this the spindle may stand."""
    return float(scales[0] + (STANDS_BELOW_PERCENT if scales[5] > 0.0 else STANDS_BELOW * scales[2]))


@compiled()
def _jump(
    one: NDArray[np.float64], known: float, seen_s: float, free: bool, scales: NDArray[np.float64]
) -> float:
    """Price of being a new idle level: cheap where the spindle's speed may have changed."""
    price = _restless(one, scales[0]) + SHORT * max(0.0, 3.0 - (one[4] - one[3]))
    if np.isnan(known):
        nothing = abs(one[0]) < _nothing(scales)
        return float(price + FIRST_LEVEL + (NEAR_NOTHING if nothing else 0.0))
    far = min(2.0, abs(one[0] - known) / scales[2])
    if free:
        return float(price + FREE_JUMP + FREE_JUMP_FAR * far)
    long_ago = np.exp(-(one[3] - seen_s) / 60.0)
    return float(price + JUMP + JUMP_AT_ONCE * long_ago + JUMP_FAR * far)


@compiled()
def _stand(
    one: NDArray[np.float64],
    known: float,
    free: bool,
    cutting: bool,
    is_first: bool,
    scales: NDArray[np.float64],
) -> float:
    """Price of being a spindle that stands: nothing is drawn, and nobody stops it in the metal."""
    level = one[0]
    if level >= _nothing(scales):
        return np.inf
    if not np.isnan(known) and level >= max(0.5 * known, scales[0]):
        return np.inf
    price = STAND_FIRST if is_first else (STAND_AFTER_SPIKE if free else STAND)
    return price + (STOPS_IN_CUT if cutting else 0.0)


@compiled()
def _not_idle(
    one: NDArray[np.float64],
    known: float,
    seen_s: float,
    was: int,
    spiked_s: float,
    scales: NDArray[np.float64],
) -> tuple[float, int]:
    """Least price and label of a stretch that is not idle; `was` is the label of the one before."""
    lasts = one[4] - one[3]
    spike = _spike(one, known, was, spiked_s, scales)
    if np.isnan(known):
        spike += max(0.0, one[3] - seen_s - 3.0)
        unknown = UNKNOWN + UNKNOWN_A_SECOND * lasts
        return (spike, SPINDLE) if spike < unknown else (unknown, AIR)
    if one[0] <= known:
        return min(spike, 50.0), SPINDLE
    percent = scales[5] > 0.0
    edge = (EDGE if percent else EDGE_AMPS) * ((one[0] - known) / scales[1] - 1.0)
    air = (AIR_PRICE if percent else AIR_PRICE_AMPS) + np.log1p(np.exp(min(50.0, edge)))
    cut = _cut(one, one[0] - known, was, scales) + np.log1p(np.exp(min(50.0, -edge)))
    if cut <= air:
        return (cut, CUT) if cut <= spike else (spike, SPINDLE)
    return (air, AIR) if air <= spike else (spike, SPINDLE)


@compiled()
def _spike(
    one: NDArray[np.float64], known: float, was: int, spiked_s: float, scales: NDArray[np.float64]
) -> float:
    """Price of being a spindle that starts, stops or changes speed; what goes on is one spike."""
    goes_on = was == SPINDLE
    if one[4] - (spiked_s if goes_on else one[3]) > LONGEST_SPIKE_S:
        return float(np.inf)
    price = SPIKE_A_SECOND * (one[4] - one[3])
    price += STOPS_IN_CUT if was == CUT else 0.0
    if np.isnan(known):
        return float(price + (0.0 if goes_on else START))
    price += 0.0 if goes_on else SPIKE
    level, cut_scale = one[0], scales[2]
    if 0.0 <= level < 3.0 * cut_scale + known:
        price += LOW_SPIKE
    if -0.2 * cut_scale <= level < known - scales[3] - 3.0 * scales[0]:
        price += 4.0
    return float(price)


@compiled()
def _cut(one: NDArray[np.float64], rise: float, was: int, scales: NDArray[np.float64]) -> float:
    """Price of being a cut that rises by this much."""
    noise, least, cut_scale, step = scales[0], scales[1], scales[2], scales[4]
    lasts = one[4] - one[3]
    price = CUT_PRICE + CUT_BY_RISE * np.log(max(rise, least) / least)
    price += LIGHT_CUT * max(0.0, 1.0 - rise / (0.3 * cut_scale)) + LONG_CUT * min(3.0, lasts / 30.0)
    price *= min(1.0, 0.1 + lasts) * (NEXT_LEVEL if was == CUT else 1.0)
    price += CUT_A_SECOND * lasts + max(0.0, rise / cut_scale - FAR_ABOVE)
    if one[2] >= 20.0 and noise > 0.5 * step and one[1] < 1.2 * noise:
        price += CALM_CUT
    return float(price)


@compiled()
def _read_back(
    stretches: NDArray[np.float64],
    scales: NDArray[np.float64],
    known: NDArray[np.float64],
    parent: NDArray[np.int64],
    stood: NDArray[np.bool_],
    last: int,
    kind: NDArray[np.int8],
    idle: NDArray[np.float64],
) -> None:
    """Labels of the story that ends with `last`, from its end; story c is about stretch c - 1."""
    stop = stretches.shape[0]
    while True:
        seen_s = stretches[last - 1, 4] if last > 0 else 0.0
        was, spiked_s = IDLE, 0.0
        for j in range(last, stop):
            _, label = _not_idle(stretches[j], known[last], seen_s, was, spiked_s, scales)
            if label == SPINDLE and was != SPINDLE:
                spiked_s = stretches[j, 3]
            kind[j], idle[j], was = label, known[last], label
        if last == 0:
            return
        kind[last - 1], idle[last - 1] = (STANDING if stood[last] else IDLE), known[last]
        stop, last = last - 1, parent[last]
