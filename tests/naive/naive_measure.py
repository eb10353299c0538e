"""Plain-loop twins of the kernels of `measure` and `decide`."""

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
