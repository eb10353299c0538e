"""Plain-loop twins of the kernels of `measure` and `decide`."""

import itertools
import math
from collections.abc import Sequence

Table = list[list[float]]


def follow_references(bands_db: Table, alive: Sequence[bool], hop_s: float) -> Table:
    """Contrasts from a stream's first frame, written as the docstring of the kernel says it."""
    n_bands = len(alive)
    references: list[list[float]] = []
    loudest_kept = -300.0
    rows: Table = []
    for seen, frame in enumerate(bands_db):
        loudest_kept = max(
            loudest_kept - 0.2 * hop_s, *(v for v, live in zip(frame, alive, strict=True) if live)
        )
        floor = 10.0 ** ((loudest_kept - 65.0) / 10.0)
        if not references:
            references = [list(frame) for _ in range(4)]
        row = [0.0] * (4 * n_bands)
        for r in range(4):
            for b, level in enumerate(frame):
                if alive[b]:
                    above = (10.0 ** (level / 10.0) + floor) / (10.0 ** (references[r][b] / 10.0) + floor)
                    row[r * n_bands + b] = 10.0 * math.log10(above)
                references[r][b] += _share(r, level > references[r][b], seen, hop_s) * (
                    level - references[r][b]
                )
        rows.append(row)
    return rows


def _share(reference: int, rising: bool, seen: int, hop_s: float) -> float:
    if reference < 3:
        return max(1.0 / (seen + 1), hop_s / (1.7, 12.0, 40.0)[reference])
    return max(0.2 / (seen + 1), hop_s / 30.0) if rising else max(1.0 / (seen + 1), hop_s / 0.4)


def follow_extremes(levels_db: Table, n_ring: int, hop_s: float) -> Table:
    """Level and extremes over the slow mean, by looking back over the whole list."""
    rows: Table = []
    means = list(levels_db[0])
    for seen, frame in enumerate(levels_db):
        row: list[float] = []
        for r, level in enumerate(frame):
            short = [levels_db[i][r] for i in range(max(0, seen - 11), seen + 1)]
            ring = [levels_db[i][r] for i in range(max(0, seen - n_ring + 1), seen + 1)]
            row += [v - means[r] for v in (level, min(short), max(short), min(ring))]
        rows.append(row)
        share = max(1.0 / (seen + 1), hop_s / 12.0)
        means = [mean + share * (level - mean) for mean, level in zip(means, frame, strict=True)]
    return rows


def mean_in_regions(density: Table, alive: Sequence[bool], region: Sequence[int], n_regions: int) -> Table:
    """Level of the mean of the live bands of each region."""
    rows: Table = []
    for frame in density:
        row = []
        for r in range(n_regions):
            mine = [v for v, live, at in zip(frame, alive, region, strict=True) if live and at == r]
            row.append(10.0 * math.log10(sum(mine) / len(mine)) if mine else 0.0)
        rows.append(row)
    return rows


def follow_flux(bands_db: Table, alive: Sequence[bool]) -> Table:
    """Mean step, and mean rise, of the live bands over three frames."""
    rows: Table = []
    for i, frame in enumerate(bands_db):
        before = bands_db[i - 3] if i >= 3 else frame
        steps = [v - w for v, w, live in zip(frame, before, alive, strict=True) if live]
        rows.append([sum(abs(s) for s in steps) / len(steps), sum(max(s, 0.0) for s in steps) / len(steps)])
    return rows


def follow_envelope(sound: Sequence[float], hop: int) -> Table:
    """Depth, evenness and crest of each whole hop of a sound with silence before it."""
    sharp = [v - 0.97 * w for v, w in zip(sound, [0.0, *sound[:-1]], strict=True)]
    edges = [round(k * hop / 8) for k in range(9)]
    taper = [0.5 - 0.5 * math.cos(2.0 * math.pi * (k + 1) / 257) for k in range(256)]
    steps = [0.0] * 256
    rows: Table = []
    for i in range(len(sound) // hop):
        power = [v * v for v in sharp[i * hop : (i + 1) * hop]]
        for low, high in itertools.pairwise(edges):
            steps.append(math.sqrt(sum(power[low:high]) / (high - low)) + 1e-9)
        crest = math.log(max(*power, 1e-18) / (sum(power) / hop + 1e-18))
        rows.append([*_swing(steps[-256:], taper), crest] if i % 2 == 0 else [*rows[-1][:2], crest])
    return rows


def _swing(steps: list[float], taper: list[float]) -> tuple[float, float]:
    mean = sum(steps) / len(steps)
    swing = [(v - mean) * t for v, t in zip(steps, taper, strict=True)]
    even = [_overlap(swing, lag) / _overlap(taper, lag) for lag in range(129)]
    whole = even[0] + 1e-18
    return math.sqrt(whole) / mean, max(even[3:]) / whole


def _overlap(row: list[float], lag: int) -> float:
    return sum(v * w for v, w in zip(row[: len(row) - lag], row[lag:], strict=True))


def strongest_lines(log_power: Sequence[float], step_hz: float) -> list[list[float]]:
    """All lines that stand out by 8 dB over the 51 bins around, strongest first: Hz, dB, dB over."""
    level = [10.0 * v / math.log(10.0) for v in log_power]
    found = []
    for k in range(1, len(level) - 1):
        around = level[max(0, k - 25) : k + 26]
        over = level[k] - sum(around) / len(around)
        a, b, c = level[k - 1 : k + 2]
        if a <= b > c and over >= 8.0 and 120.0 <= k * step_hz <= 8000.0:
            shift = 0.5 * (a - c) / (a - 2.0 * b + c)
            found.append([(k + shift) * step_hz, b, over])
    return sorted(found, key=lambda line: -line[1])


def run_memory(
    inputs: Table, w_input: Table, b_input: list[float], w_state: Table, b_state: list[float]
) -> Table:
    """A layer of gated recurrent units from an empty memory."""
    n_units = len(w_state[0])
    state = [0.0] * n_units
    outputs: Table = []
    for row in inputs:
        given = [
            sum(w * v for w, v in zip(ws, row, strict=True)) + b
            for ws, b in zip(w_input, b_input, strict=True)
        ]
        kept = [
            sum(w * v for w, v in zip(ws, state, strict=True)) + b
            for ws, b in zip(w_state, b_state, strict=True)
        ]
        new = []
        for u in range(n_units):
            reset = 1.0 / (1.0 + math.exp(-(given[u] + kept[u])))
            update = 1.0 / (1.0 + math.exp(-(given[n_units + u] + kept[n_units + u])))
            candidate = math.tanh(given[2 * n_units + u] + reset * kept[2 * n_units + u])
            new.append((1.0 - update) * candidate + update * state[u])
        state = new
        outputs.append(list(state))
    return outputs
