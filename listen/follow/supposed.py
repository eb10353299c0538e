"""How often the live ear supposes a start in air and takes it back: what it only supposes is mostly none.

Of 300 made clips of half a minute at 12 and 6 dB, by `python -m tools.tools_follow.measure_ear 300`: 0.22 a
second of air, three in eight of the clips without one. A run learns its own; the belief before it is worth so
much air as the scatter between clips says (a gamma distribution).
"""

USUAL_PER_S, WORTH_S = 0.22, 5.8  # of air


class Supposed:
    """Counts the supposed starts of a run that were taken back, and the air that they came in [s]."""

    def __init__(self) -> None:
        self._n = USUAL_PER_S * WORTH_S
        self._air_s = WORTH_S
        self._since_s: float | None = 0.0  # when the air began that goes on

    def taken_back(self) -> None:
        """A start in air was none."""
        self._n += 1.0

    def touches(self, at_s: float) -> None:
        """The air is over."""
        self._air_s = self._until(at_s)
        self._since_s = None

    def leaves(self, at_s: float) -> None:
        """Air begins."""
        self._since_s = at_s

    def per_s(self, now_s: float) -> float:
        """How often in a second of air, by what was seen up to now."""
        return self._n / self._until(now_s)

    def _until(self, now_s: float) -> float:
        since_s = now_s if self._since_s is None else self._since_s
        return self._air_s + max(now_s - since_s, 0.0)
