"""A listening test that gets harder while answers are right and easier when one is wrong.

Conventions
-----------
Levels are signal-to-noise ratios [dB]; lower is harder. `listen/show/static/coach_staircase.js` is the same
rule for the page, and a browser test holds the two together.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from listen.errors import InputError

STEPS_DB = (4.0, 2.0, 1.0)  # a smaller one after each pair of reversals
N_REVERSALS = 20
N_FIRST_LEFT_OUT = 6
MOST_TRIALS = 150
TARGET = math.sqrt(0.5)  # share of right answers at which two right and one wrong balance


@dataclass(frozen=True, slots=True, kw_only=True)
class Staircase:
    """Two right answers in a row lower the level, one wrong raises it; it hovers where 70.7 % are right.

    Attributes
    ----------
    level_db : float
        Of the next trial.
    lowest_db, highest_db : float
    in_a_row : int
        Right answers since the level last moved.
    going : int
        -1 down, 1 up, 0 at first.
    reversals_db : tuple of float
        Levels at which the direction turned.
    n_trials : int

    References
    ----------
    Levitt, J. Acoust. Soc. Am. 49 (1971), 467-477: transformed up-down methods, entry 2 of its table I,
    70.7 %; the estimate is the mean of an even number of reversals with the first ones left out.
    """

    level_db: float = 20.0
    lowest_db: float = -20.0
    highest_db: float = 30.0
    in_a_row: int = 0
    going: int = 0
    reversals_db: tuple[float, ...] = field(default=())
    n_trials: int = 0

    def __post_init__(self) -> None:
        if not self.lowest_db <= self.level_db <= self.highest_db:
            raise InputError(
                f"the level must lie between {self.lowest_db} and {self.highest_db} dB, got {self.level_db}"
            )

    @property
    def step_db(self) -> float:
        """Size of the next step [dB]."""
        return STEPS_DB[min(len(self.reversals_db) // 2, len(STEPS_DB) - 1)]

    @property
    def is_done(self) -> bool:
        """True when there are enough reversals, or too many trials."""
        return len(self.reversals_db) >= N_REVERSALS or self.n_trials >= MOST_TRIALS

    @property
    def threshold_db(self) -> float | None:
        """Level at which 70.7 % are right [dB]; None until there are two reversals to take a mean of."""
        kept = self.reversals_db[N_FIRST_LEFT_OUT:]
        kept = kept[len(kept) % 2 :]
        return sum(kept) / len(kept) if kept else None

    def answered(self, right: bool) -> "Staircase":
        """The staircase after one more answer."""
        in_a_row = self.in_a_row + 1 if right else 0
        if right and in_a_row < 2:
            return replace(self, in_a_row=in_a_row, n_trials=self.n_trials + 1)
        way = -1 if right else 1
        turned = self.going not in (0, way)
        level = min(max(self.level_db + way * self.step_db, self.lowest_db), self.highest_db)
        return replace(
            self,
            level_db=level,
            in_a_row=0,
            going=way,
            reversals_db=(*self.reversals_db, self.level_db) if turned else self.reversals_db,
            n_trials=self.n_trials + 1,
        )


def confusions(answers: Sequence[tuple[str, str]], words: Sequence[str]) -> tuple[tuple[int, ...], ...]:
    """How often each word was taken for which: row what it was, column what was answered.

    Examples
    --------
    >>> confusions([("air", "air"), ("exit", "air")], ["air", "exit"])
    ((1, 0), (1, 0))
    """
    unknown = {word for pair in answers for word in pair} - set(words)
    if unknown:
        raise InputError(f"answers must be among {', '.join(words)}; got {', '.join(sorted(unknown))}")
    return tuple(tuple(sum(pair == (was, said) for pair in answers) for said in words) for was in words)
