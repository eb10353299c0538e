"""Published limits of noise at work beside an estimate that is never a measurement.

Conventions
-----------
Levels are A-weighted [dB], times are hours. Local rules go first; a dose is percent of a day's limit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from listen.errors import InputError

CAUTION = (
    "Uncalibrated estimate: a microphone that was not calibrated cannot tell a level in dB(A). Wear hearing "
    "protection where your workplace says so, and have noise measured by someone qualified."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A rule for a day of noise: `hours` are allowed at `level_db`, half as long each `exchange_db` more."""

    name: str
    level_db: float
    hours: float
    exchange_db: float

    def allowed_h(self, level_db: float) -> float:
        """Hours a day at a level."""
        if not np.isfinite(level_db):
            raise InputError(f"a level must be a finite number of dB(A), got {level_db}")
        return float(self.hours / 2.0 ** ((level_db - self.level_db) / self.exchange_db))

    def dose_percent(self, stays: Sequence[tuple[float, float]]) -> float:
        """Percent of a day's limit for stays of (hours, level in dB(A))."""
        if not all(hours >= 0.0 for hours, _ in stays):
            raise InputError(f"hours must be 0 or more, got {[hours for hours, _ in stays]}")
        return 100.0 * sum(hours / self.allowed_h(level_db) for hours, level_db in stays)

    def day_level_db(self, dose_percent: float) -> float:
        """The level that for `hours` gives this dose [dB(A)]."""
        if not dose_percent > 0.0:
            raise InputError(f"a dose must be above 0 percent, got {dose_percent}")
        return float(self.level_db + self.exchange_db * np.log2(dose_percent / 100.0))


OSHA = Limit(name="OSHA 29 CFR 1910.95", level_db=90.0, hours=8.0, exchange_db=5.0)
NIOSH = Limit(name="NIOSH 98-126", level_db=85.0, hours=8.0, exchange_db=3.0)


def exposure_words(level_db: float, hours: float) -> str:
    """A stay in words, with both limits beside it and the caution first."""
    rules = "; ".join(
        f"{limit.name}: {limit.allowed_h(level_db):.3g} h a day allowed at this level, "
        f"dose {limit.dose_percent([(hours, level_db)]):.0f} %"
        for limit in (OSHA, NIOSH)
    )
    return f"{CAUTION} If it were {level_db:.0f} dB(A) for {hours:g} h: {rules}."
