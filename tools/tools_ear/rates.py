"""How often the ear errs, measured: what the follower takes its priors from.

Conventions
-----------
Contacts are (onset, offset) in seconds. A contact is missed where nothing heard shares 20 ms with it; each
further piece heard of one is a dropout. Contacts below 0.3 s are counted by themselves: programs have few,
and the ear misses far more of them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from scipy.stats import chi2

Contacts = Sequence[tuple[float, float]]
SHARED_S = 0.02
SHORT_S = 0.3
LEAST_SPREAD_S = (0.03, 0.05)  # of entries and exits: real rooms ring longer than made ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Counts over some sound; of the short contacts apart."""

    true: int = 0
    missed: int = 0
    short: int = 0
    short_missed: int = 0
    dropouts: int = 0
    cut_s: float = 0.0

    def plus(self, other: "Errors") -> "Errors":
        """Pool two counts."""
        return Errors(
            true=self.true + other.true,
            missed=self.missed + other.missed,
            short=self.short + other.short,
            short_missed=self.short_missed + other.short_missed,
            dropouts=self.dropouts + other.dropouts,
            cut_s=self.cut_s + other.cut_s,
        )


def errors_of(true: Contacts, heard: Contacts) -> Errors:
    """Count misses and dropouts of one clip."""
    pieces = [sum(min(b, d) - max(a, c) > SHARED_S for c, d in heard) for a, b in true]
    short = [b - a < SHORT_S for a, b in true]
    return Errors(
        true=len(true) - sum(short),
        missed=sum(n == 0 for n, is_short in zip(pieces, short, strict=True) if not is_short),
        short=sum(short),
        short_missed=sum(n == 0 for n, is_short in zip(pieces, short, strict=True) if is_short),
        dropouts=sum(max(0, n - 1) for n in pieces),
        cut_s=sum(b - a for a, b in true),
    )


def pooled(parts: Iterable[Errors]) -> Errors:
    """Pool many counts."""
    whole = Errors()
    for part in parts:
        whole = whole.plus(part)
    return whole


def at_most(n_seen: int) -> float:
    """The upper one-sided 95 % limit of a Poisson mean of which so many were seen (Garwood 1936)."""
    return float(0.5 * chi2.ppf(0.95, 2 * (n_seen + 1)))


def rates_of(errors: Errors, *, false_bursts: int, air_h: float, spreads_s: tuple[float, float]) -> dict:
    """The card's rates; no dropout seen counts as half a one.

    False bursts and misses are as many as there may be at the most (95 %, Poisson): few are seen, a
    real shop makes sounds that made air has not, and a follower that trusts the ear too much flags what
    is nothing.
    """
    onset, offset = (max(s, least) for s, least in zip(spreads_s, LEAST_SPREAD_S, strict=True))
    return {
        "false_bursts_per_hour": round(at_most(false_bursts) / air_h, 2),
        "dropouts_per_hour": round(max(errors.dropouts, 0.5) / (errors.cut_s / 3600.0), 2),
        "missed_share": round(min(1.0, at_most(errors.missed) / max(errors.true, 1)), 4),
        "onset_spread_s": round(onset, 3),
        "offset_spread_s": round(offset, 3),
    }
