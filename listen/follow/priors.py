"""What is believed before anything is heard, in one place, with the reason beside each number.

Where no source is named, a number is this project's own choice: set so that the harness in
`tools/bench_follow.py`, whose operators and machines are drawn from stated ranges, is followed.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.states import EarRates
from listen.timeline import Timeline

Floats = NDArray[np.float64]

# The rates an override dial can give: 5 % steps (common practice, no source) up to 150 %.
DETENTS = np.array([0.02, 0.05, 0.075, 0.1, 0.125, 0.15, 0.175, *np.arange(0.2, 1.51, 0.05), 1.75, 2.0])
BURST_S, LONG_BURST_S, UNEXPECTED_S = 0.12, 1.5, 3.0  # mean lengths
DROPOUT_S, LONG_DROPOUT_S = 0.25, 1.5
LONG_BURSTS = 0.15  # share of bursts that are long: doors, voices, a spindle that runs up
DEAF, FAINT = 0.9, 0.3  # share that the ear misses of contacts that no ear hears, and of too faint ones
RAPID_STEPS = np.array([0.05, 0.1, 0.25, 0.5, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """How far boundaries stray from their forecast, while the override may be turned."""

    feed_spread: float = 0.03  # of the feed time between two boundaries
    gap_s: float = 0.07  # per gap: look-ahead, corners, servo
    gap_bias_s: float = 0.08  # the same in every gap of a run
    wide_bias: float = 0.05  # share of programs whose air is computed badly
    rapid_spread: float = 0.1  # of the rapid time between two boundaries
    rapid_rate_spread: float = 0.1  # of the run's rapid rate over the stated one
    # how often the far tail of a date is right (a knock, a slow ramp)
    tail: float = 0.015
    late_tail: float = 0.04  # a machine can be late, not faster than commanded


ANY_FEED = Timing()
# The feed clock is known: what strays is the machine alone, a few percent and hundredths of a second.
KNOWN_FEED = Timing(
    feed_spread=0.018,
    gap_s=0.04,
    gap_bias_s=0.05,
    wide_bias=0.02,
    rapid_spread=0.04,
    rapid_rate_spread=0.05,
    tail=0.004,
    late_tail=0.01,
)
# A control tells the dials, but nobody vouches for the rapids that the job has.
TOLD_FEED = replace(KNOWN_FEED, rapid_rate_spread=0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """Rates per second, shares per contact, and spreads; see the comments."""

    # the ear, from its measured rates
    onset_s: float
    offset_s: float
    burst_per_s: float
    dropout_per_s: float
    missed: float
    missed_worth: float
    # the operator
    hold_per_s: float = 1.0 / 150.0
    hold_per_gap: float = 0.01
    hold_median_s: float = 5.0  # design: log-normal, median 5 s
    hold_log_spread: float = 1.3
    wait_median_s: float = 15.0
    step_per_s: float = 1.0 / 180.0
    step_per_boundary: float = 0.003
    rapid_step: float = 0.002  # per gap
    rapid_other: float = 0.3  # the dial stands elsewhere than was stated, when the run begins
    restart: float = 0.0005
    # the machine
    rate_spread: float = 0.029  # of a known rate: what the machine takes over what was computed
    contact_s: float = 0.03  # per contact: corners, stock
    bias_drift: float = 0.25  # how much of it is new in each gap; all of it after a tool change
    wide_bias_s: float = 0.35
    loose_spread: float = 0.5
    detent_spread: float = 0.02
    drift: float = 0.004  # of the rate, from one boundary to the next
    # faults, a contact each
    absent: float = 0.004
    absent_again: float = 0.3  # after one that was absent
    absent_gone: float = 0.5  # after one that was cut short: the tool may be gone
    absent_lost: float = 0.95  # and after that it is
    early: float = 0.012
    early_again: float = 0.9  # plunges and ramps by the same length: one wrong tool length
    early_again_side: float = 0.03  # side entries: rather a machine that does its air faster
    late: float = 0.003
    gone: float = 0.003
    ended_late: float = 0.002
    unexpected_per_s: float = 1.0 / 1800.0
    tail_scale: float = 2.5

    def real_share(self, length_s: float) -> float:
        """Chance that an extra sound of this length is a real contact and no burst of the ear."""
        burst, real = self.extra_densities(np.array([length_s]))
        return float(real[0] / (burst[0] + real[0]))

    def burst_lasts(self, length_s: Floats) -> Floats:
        """Chance that a burst of the ear is longer than this."""
        short = (1.0 - LONG_BURSTS) * np.exp(-length_s / BURST_S)
        result: Floats = short + LONG_BURSTS * np.exp(-length_s / LONG_BURST_S)
        return result

    def unexpected_lasts(self, length_s: Floats) -> Floats:
        """Chance that a real contact that no line explains is longer than this."""
        result: Floats = np.exp(-length_s / UNEXPECTED_S)
        return result

    def extra_lasts(self, length_s: Floats) -> Floats:
        """Chance that a sound without a contact is longer than this."""
        real = self.unexpected_per_s * self.unexpected_lasts(length_s)
        total = self.burst_per_s + self.unexpected_per_s
        result: Floats = (self.burst_per_s * self.burst_lasts(length_s) + real) / total
        return result

    def extra_densities(self, length_s: Floats) -> tuple[Floats, Floats]:
        """Rate times density of the length of bursts of the ear, and of real unexpected contacts."""
        short = (1.0 - LONG_BURSTS) * np.exp(-length_s / BURST_S) / BURST_S
        long = LONG_BURSTS * np.exp(-length_s / LONG_BURST_S) / LONG_BURST_S
        burst = self.burst_per_s * (short + long)
        real = self.unexpected_per_s * np.exp(-length_s / UNEXPECTED_S) / UNEXPECTED_S
        return burst, real


def priors_for(timeline: Timeline, ear: EarRates) -> Priors:
    """Priors that fit the ear as measured and the job as stated."""
    steady = timeline.override_steady
    dry = timeline.kind == "raised dry run"
    return Priors(
        onset_s=max(ear.onset_spread_s, 0.01),
        offset_s=max(ear.offset_spread_s, 0.01),
        burst_per_s=max(ear.false_bursts_per_hour, 0.2) / 3600.0,
        dropout_per_s=max(ear.dropouts_per_hour, 0.5) / 3600.0,
        missed=max(ear.missed_share, 5e-4),
        missed_worth=ear.missed_worth,
        step_per_s=1.0 / 20000.0 if steady else 1.0 / 180.0,
        step_per_boundary=1e-4 if steady else 0.003,
        absent=0.98 if dry else 0.004,
        absent_again=0.98 if dry else 0.3,
        absent_gone=0.98 if dry else 0.5,
    )


def rate_grid(timeline: Timeline) -> tuple[Floats, Floats]:
    """Rates an operator may turn to, and the log of how likely each is when nothing is known."""
    stated = timeline.feed_override / 100.0
    weights = np.where(
        DETENTS <= 1.0, 1.0, np.where(DETENTS <= 1.21, 0.3, np.where(DETENTS <= 1.51, 0.03, 0.003))
    )
    weights = weights * np.where(np.isin(np.round(DETENTS * 1000), (75, 125, 175)), 0.3, 1.0)
    weights = weights * np.where(DETENTS < 0.04, 0.1, 1.0)
    tens = np.isclose(np.round(DETENTS * 10), DETENTS * 10, atol=1e-6)
    weights = weights * np.where(tens, 2.0, 1.0)
    weights = weights / weights.sum()
    if stated > 0.0:
        nearest = int(np.argmin(np.abs(np.log(DETENTS / stated))))
        weights = 0.6 * weights
        weights[nearest] += 0.4
    log_weights: Floats = np.log(weights / weights.sum())
    return DETENTS, log_weights


def dropout_log(length_s: Floats) -> Floats:
    """Log density of the length of a dropout: short ones, and a few long ones."""
    short = np.log(0.97 / DROPOUT_S) - length_s / DROPOUT_S
    long = np.log(0.03 / LONG_DROPOUT_S) - length_s / LONG_DROPOUT_S
    result: Floats = np.logaddexp(short, long)
    return result


def dropout_lasts(length_s: Floats) -> Floats:
    """Chance that a dropout is longer than this."""
    result: Floats = 0.97 * np.exp(-length_s / DROPOUT_S) + 0.03 * np.exp(-length_s / LONG_DROPOUT_S)
    return result
