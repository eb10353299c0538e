"""The read-out that a run teaches itself: what contact sounds like on this machine, today."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

N_AT_MOST = 1500  # seed frames used of each side
STRONGEST = 6.0  # a read-out never speaks louder than this [nats]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadOut:
    """A logistic read-out: log odds of contact are (vector - mean) / spread @ weight + bias."""

    mean: NDArray[np.float64]
    spread: NDArray[np.float64]
    weight: NDArray[np.float64]
    bias: float

    def log_odds(self, vectors: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log odds of contact, shape (n_frames,), held to ±6 nats."""
        scaled = vectors - self.mean
        scaled /= self.spread
        odds = scaled @ self.weight + self.bias
        limited: NDArray[np.float64] = np.clip(odds, -STRONGEST, STRONGEST)
        return limited


def fit_read_out(contact: NDArray[np.float64], air: NDArray[np.float64], *, stiffness: float) -> ReadOut:
    """Logistic regression that gives both sides the same weight.

    Parameters
    ----------
    contact, air : ndarray, shape (n_frames, n_features)
        Frames that are surely the one and surely the other.
    stiffness : float
        Weight of the square penalty; more holds the read-out nearer to saying nothing.
    """
    contact, air = _thin(contact), _thin(air)
    rows = np.vstack([contact, air])
    mean = 0.5 * (contact.mean(axis=0) + air.mean(axis=0))
    spread = np.sqrt(0.5 * (contact.var(axis=0) + air.var(axis=0))) + 0.5
    scaled = (rows - mean) / spread
    sign = np.concatenate([np.ones(len(contact)), -np.ones(len(air))])
    share = np.concatenate([np.full(len(contact), 0.5 / len(contact)), np.full(len(air), 0.5 / len(air))])

    def loss(theta: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        margin = sign * (scaled @ theta[:-1] + theta[-1])
        pull = -share * sign / (1.0 + np.exp(np.clip(margin, -50.0, 50.0)))
        value = share @ np.logaddexp(0.0, -margin) + 0.5 * stiffness * theta[:-1] @ theta[:-1]
        return float(value), np.append(scaled.T @ pull + stiffness * theta[:-1], pull.sum())

    found = minimize(
        loss, np.zeros(rows.shape[1] + 1), jac=True, method="L-BFGS-B", options={"maxiter": 40}
    ).x
    return ReadOut(mean=mean, spread=spread, weight=found[:-1], bias=float(found[-1]))


def separation(contact: NDArray[np.float64], air: NDArray[np.float64]) -> float:
    """Share of pairs in which the contact frame scores above the air frame (area under the curve)."""
    order = np.argsort(np.concatenate([air, contact]), kind="stable")
    ranks = np.empty(order.size)
    ranks[order] = np.arange(1, order.size + 1)
    above = ranks[air.size :].sum() - contact.size * (contact.size + 1) / 2.0
    return float(above / (contact.size * air.size))


def _thin(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    step = max(1, -(-len(rows) // N_AT_MOST))
    return rows[::step]
