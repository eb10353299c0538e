"""A start after air: on time, after a hold, late, or with another override; early ones lie beside."""

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import CUT, On, lognormal_log, normal_log
from listen.follow.model import Model
from listen.follow.priors import RAPID_STEPS
from listen.follow.space import RAPID
from listen.follow.target import Target
from listen.follow.turning import Turning

Floats = NDArray[np.float64]
LEAST_RAPID_S = 0.15  # less rapid than this tells nothing of its rate
LEAST_FEED_S = 0.3  # less feed than this tells nothing of a turn
STEP_SPREAD = 0.1  # how far rapids stray from what the dial says


class Arrival:
    """Grows the children of a start that came as the program has it, or later.

    Parameters
    ----------
    model : Model
        Read only.
    turning : Turning
    """

    def __init__(self, model: Model, turning: Turning) -> None:
        self._model = model
        self._turning = turning

    def grow(self, target: Target) -> None:
        """Add all of them."""
        space = self._model.space
        waits = space.waits_at_start[target.k] - space.waits_until(target.parents["u0"]) > 0
        self._on_time(target, waits)
        self._held(target, waits)
        self._late(target)
        if target.n_gaps <= 2:
            self._rapid_turned(target)
            turned = target.fields(self._model) | {"code": On.STEPPED, "predicted": target.at}
            self._turning.grow(
                target.growing,
                target.rows,
                target.base,
                target.forecast,
                turned,
                share=self._model.step_share(target.forecast, turns=1),
                least_feed_s=LEAST_FEED_S,
            )

    def _on_time(self, target: Target, waits: NDArray[np.bool_]) -> None:
        """On time; where a wrong length should have shown again and did not, it was none."""
        model, parents = self._model, target.parents
        again = model.space.down[target.k] & (parents["early_mm"] > target.least_mm(model))
        usual = np.where(again, np.log1p(-model.priors.early_again), np.log(0.9))
        logs = np.where(waits, np.log(0.1), usual) + model.on_time_log(target.forecast)
        learnt = model.learn(parents, target.forecast, target.at, boundary_s=target.spread_s)
        learnt["early_mm"] = np.where(again, 0.0, parents["early_mm"])
        target.add(True, logs, target.fields(model) | learnt, On.ON_TIME)

    def _held(self, target: Target, waits: NDArray[np.bool_]) -> None:
        priors, forecast, holding = self._model.priors, target.forecast, self._model.holding
        share = np.where(waits, 0.9, self._model.held_share(target.parents, forecast.mean))
        spread = np.sqrt(forecast.variance)
        late = np.hypot(forecast.behind, 0.3 * spread)
        waited = lognormal_log(late, median=priors.wait_median_s, spread=priors.hold_log_spread)
        logs = np.log(share) + np.where(waits, waited, holding.length_log(target.parents, late))
        fields = target.fields(self._model) | {"predicted": target.at}
        seen = holding.after_hold(target.parents, target.n_gaps, late)
        fields |= {name: np.where(waits, target.parents[name], value) for name, value in seen.items()}
        target.add(forecast.behind > 0.5 * spread, logs, fields, On.HELD)

    def _late(self, target: Target) -> None:
        """Contact after its place: stock too small; the contact is then shorter."""
        space, forecast, k = self._model.space, target.forecast, target.k
        moved = forecast.behind * np.exp(target.parents["m"] + forecast.known)
        length = space.stop[k] - space.start[k]
        good = (forecast.behind > np.sqrt(forecast.variance)) & (moved < length)
        scale = 0.5 * length + 0.3
        logs = np.log(self._model.priors.late) - forecast.behind / scale - np.log(scale)
        changes = {"u0": space.start[k] + moved, "shift": -moved}
        target.add(good, logs, target.fields(self._model) | changes, On.LATE)

    def _rapid_turned(self, target: Target) -> None:
        rapid, forecast = target.amounts[:, RAPID], target.forecast
        good = rapid > LEAST_RAPID_S
        if not good.any():
            return
        prior = np.log(self._model.rapid_share(target.parents) / RAPID_STEPS.size)
        heard = np.maximum(forecast.elapsed - forecast.mean + forecast.rapid, 0.02)
        log_rate = np.log(np.maximum(rapid, 1e-6) / heard)
        away = heard - rapid / RAPID_STEPS[:, None]
        variance = forecast.variance + (STEP_SPREAD * rapid / RAPID_STEPS[:, None]) ** 2
        logs = np.where(good, target.base + prior + normal_log(away, variance), -np.inf)
        steps = np.log(RAPID_STEPS)[:, None]
        as_heard = np.minimum(np.maximum(log_rate, steps - 0.3), steps + 0.1)
        fields = target.fields(self._model) | {"predicted": target.at, "vr": STEP_SPREAD**2 / 4.0}
        step, row = np.nonzero(logs > logs.max() - CUT)
        picked = {name: v[row] if isinstance(v, np.ndarray) else v for name, v in fields.items()}
        picked |= {"lr": as_heard[step, row], "code": On.STEPPED}
        target.growing.add(target.rows[row], logs[step, row], **picked)
