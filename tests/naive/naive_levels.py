"""The best cut of a series into levels, by trying every place for every last stretch."""

import numpy as np
from numpy.typing import NDArray


def best_edges(
    load: NDArray[np.float64], prices: NDArray[np.float64], floor: float
) -> tuple[float, list[int]]:
    """Least cost, and where its stretches begin."""
    best = [0.0]
    begin = [0]
    for stop in range(1, load.size + 1):
        costs = []
        for start in range(stop):
            part = load[start:stop]
            spread = float(np.mean((part - part.mean()) ** 2))
            costs.append(best[start] + prices[start] + part.size * np.log(1.0 + spread / floor**2))
        begin.append(int(np.argmin(costs)))
        best.append(float(min(costs)))
    edges = [load.size]
    while edges[-1] > 0:
        edges.append(begin[edges[-1]])
    return best[-1], edges[::-1]
