"""How often this run's operator turns the override and holds, beside what is believed before."""

from dataclasses import dataclass

BEFORE = 2.0  # events that the belief before the run counts as
KEEP_S = 1800.0  # what is older than this fades
LEAST, MOST = 0.2, 8.0  # times as often as was believed


@dataclass(slots=True)
class Habit:
    """How often one thing is done, learnt as it is seen.

    Attributes
    ----------
    before_per_s : float
        Rate believed before [1/s].
    """

    before_per_s: float
    _n: float = BEFORE
    _seconds: float = 0.0

    def __post_init__(self) -> None:
        self._seconds = BEFORE / self.before_per_s

    def learn(self, belief: float, seconds: float) -> None:
        """Take a stretch of the run, with the belief that the thing was done in it."""
        most_s = BEFORE / self.before_per_s + KEEP_S
        fade = min(1.0, most_s / (self._seconds + seconds))
        self._n, self._seconds = fade * (self._n + belief), fade * (self._seconds + seconds)

    @property
    def per_s(self) -> float:
        """Rate by now [1/s]."""
        times = self._n / self._seconds / self.before_per_s
        return self.before_per_s * min(max(times, LEAST), MOST)
