"""Times of moves with bounded acceleration and jerk, by plain loops and small steps."""

import math


def ramp(slow: float, fast: float, acceleration: float, jerk: float) -> tuple[float, float]:
    """Time and way of a ramp, by its three parts: jerk up, steady, jerk down."""
    change = fast - slow
    bend = min(math.sqrt(change / jerk), acceleration / jerk)
    top = jerk * bend
    steady = (change - top * bend) / top if top > 0.0 else 0.0
    speed = slow
    way = 0.0
    for start, slope, length in ((0.0, jerk, bend), (top, 0.0, steady), (top, -jerk, bend)):
        way += speed * length + start * length**2 / 2 + slope * length**3 / 6
        speed += start * length + slope * length**2 / 2
    return 2 * bend + steady, way


def greatest(slow: float, limit: float, length: float, acceleration: float, jerk: float) -> float:
    """Greatest speed within the limit that `length` allows."""
    if limit <= slow or ramp(slow, limit, acceleration, jerk)[1] <= length:
        return limit
    low, high = slow, limit
    while high - low > 1e-12 * limit:
        middle = (low + high) / 2
        if ramp(slow, middle, acceleration, jerk)[1] <= length:
            low = middle
        else:
            high = middle
    return low


def stretch_time(
    first: float, last: float, limit: float, length: float, acceleration: float, jerk: float
) -> float:
    """Time of one stretch between two end speeds."""
    low, high = max(first, last), limit

    def ways(peak: float) -> float:
        return ramp(first, peak, acceleration, jerk)[1] + ramp(last, peak, acceleration, jerk)[1]

    if ways(high) > length:
        while high - low > 1e-12 * limit:
            middle = (low + high) / 2
            low, high = (middle, high) if ways(middle) <= length else (low, middle)
        high = low
    cruise = max(length - ways(high), 0.0) / high
    return ramp(first, high, acceleration, jerk)[0] + cruise + ramp(last, high, acceleration, jerk)[0]


def stretch_times(
    lengths: list[float], limits: list[float], joints: list[float], acceleration: float, jerk: float
) -> list[float]:
    """Time of each stretch of moves that join without loss of speed."""
    stretches: list[list[int]] = [[0]]
    for i in range(1, len(lengths)):
        if limits[i] == limits[i - 1] and joints[i - 1] >= limits[i]:
            stretches[-1].append(i)
        else:
            stretches.append([i])
    way = [sum(lengths[i] for i in s) for s in stretches]
    limit = [limits[s[0]] for s in stretches]
    corner = [min(joints[s[-1]], limits[s[-1]], limits[min(s[-1] + 1, len(limits) - 1)]) for s in stretches]
    speed = [0.0, *corner]
    speed[-1] = 0.0
    for k in range(len(stretches) - 1, 0, -1):
        speed[k] = min(speed[k], greatest(min(speed[k + 1], speed[k]), speed[k], way[k], acceleration, jerk))
    for k in range(len(stretches)):
        if speed[k + 1] > speed[k]:
            speed[k + 1] = greatest(speed[k], speed[k + 1], way[k], acceleration, jerk)
    return [
        stretch_time(speed[k], speed[k + 1], limit[k], way[k], acceleration, jerk)
        for k in range(len(stretches))
    ]
