"""Fit a model's read-outs to a shop from a few labelled runs; what it remembers stays as it is.

Conventions
-----------
Each read-out gets a correction of its log odds of contact that is linear in the memory's outputs and
held towards nothing: without evidence the shipped read-out stays. How firmly it is held is chosen on
runs that the correction was not fitted on, and where none of them gains, the model stays.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logsumexp

from listen.decide import Model
from listen.decide.decoder import LATE_FRAMES, SURE_FRAMES
from listen.decide.model import Dense, Network
from listen.decide.network import Memory, score_whole
from listen.ears import ear_layout
from listen.errors import InputError
from listen.teach.check import RunScore, check_model, pooled
from listen.teach.dataset import LabelledContact, label_frames
from listen.teach.labels import LabelledRun
from listen.teach.score import EventScore

Values = NDArray[np.float64]
FEWEST_RUNS = 2
LIVE_EAR, SECOND_EAR = 0, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class TeachSettings:
    """Limits of teaching.

    Attributes
    ----------
    live, second : tuple of float
        How firmly corrections of each network are held towards nothing; each is tried, firmest
        first. The second ear knows more, and has more to lose: it is held more firmly.
    least_gain : float
        Event F1 on held-out runs must rise by so much for the ear that a correction is for, live
        or second look; a gain of the other one is luck and does not count.
    most_loss : float
        By how much event F1 of the other ear may fall.
    most_run_loss : float
        By how much it may fall in any single held-out run, with either ear.
    """

    live: tuple[float, ...] = (0.3,)
    second: tuple[float, ...] = (3.0,)
    least_gain: float = 0.01
    most_loss: float = 0.0
    most_run_loss: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trial:
    """A way to teach, and how models so taught hear the runs that they were not taught on.

    Attributes
    ----------
    second, live : float | None
        Firmness of the corrections of the two networks; None where one stays as it was.
    heard : tuple of RunScore
        Each run by a model that the other runs taught.
    """

    second: float | None
    live: float | None
    heard: tuple[RunScore, ...]

    @property
    def live_score(self) -> EventScore:
        """All runs, as heard live."""
        return pooled(score.live for score in self.heard)

    @property
    def refined_score(self) -> EventScore:
        """All runs, after the second look."""
        return pooled(score.refined for score in self.heard)

    def gains(self, before: "Trial") -> tuple[float, float]:
        """By how much event F1 rises, live and after the second look."""
        return (
            self.live_score.f1 - before.live_score.f1,
            self.refined_score.f1 - before.refined_score.f1,
        )

    def worst_run(self, before: "Trial") -> float:
        """The least gain of event F1 in a single run, of either ear; silent runs count as right."""
        pairs = [
            (after, earlier)
            for mine, theirs in zip(self.heard, before.heard, strict=True)
            for after, earlier in ((mine.live, theirs.live), (mine.refined, theirs.refined))
        ]
        return min((_f1(after) - _f1(earlier) for after, earlier in pairs), default=0.0)


def _f1(score: EventScore) -> float:
    """Event F1; a run without contacts in which none was heard is a perfect one."""
    return score.f1 if score.true + score.heard else 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adapted:
    """What teaching gave.

    Attributes
    ----------
    model : Model
        The taught one, or the given one where it stays.
    before, chosen : Trial
        The model as it was, and the way that was chosen; the same where the model stays.
    tried : tuple of Trial
        Everything else that was tried.
    """

    model: Model
    before: Trial
    chosen: Trial
    tried: tuple[Trial, ...]

    @property
    def has_changed(self) -> bool:
        """False where the given model stays."""
        return self.chosen is not self.before


def adapt_model(
    model: Model,
    runs: Sequence[LabelledRun],
    *,
    settings: TeachSettings | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Adapted:
    """Teach a model from labelled runs of one machine, microphone and room.

    Parameters
    ----------
    model : Model
        Not changed.
    runs : sequence of LabelledRun
        At least two, so that each can be held out once; together with both contact and air.
    settings : TeachSettings | None
    progress : callable
        Is given the share done, 0 to 1.

    Raises
    ------
    InputError
        If there are too few runs or no labelled contact.

    References
    ----------
    Hastie, Tibshirani, Friedman 2009, "The Elements of Statistical Learning", 2nd ed., sections
    4.4 (logistic regression) and 7.10 (cross-validation).
    """
    settings = settings or TeachSettings()
    _check_runs(runs)
    n_steps = len(settings.live) + len(settings.second) + 1
    before = _trial(model, runs, second=None, live=None)
    tried: list[Trial] = []

    def attempt(*, second: float | None, live: float | None) -> Trial:
        tried.append(_trial(model, runs, second=second, live=live))
        progress((len(tried) + 1) / n_steps)
        return tried[-1]

    progress(1 / n_steps)
    live = [attempt(second=None, live=firm) for firm in settings.live]
    best = best_trial(before, before, live, settings, LIVE_EAR)
    second = [attempt(second=firm, live=best.live) for firm in settings.second]
    best = best_trial(before, best, second, settings, SECOND_EAR)
    taught = _taught(model, runs, second=best.second, live=best.live)
    return Adapted(model=taught, before=before, chosen=best, tried=tuple(tried))


def _check_runs(runs: Sequence[LabelledRun]) -> None:
    if len(runs) < FEWEST_RUNS:
        raise InputError(
            f"teaching needs at least {FEWEST_RUNS} runs, as each is held out once, got {len(runs)}; "
            f"label one more"
        )
    if not any(run.cuts for run in runs):
        raise InputError("teaching needs at least one labelled contact, these runs have none")


def best_trial(
    before: Trial, best: Trial, tried: Sequence[Trial], settings: TeachSettings, ear: int
) -> Trial:
    """The trial in which an ear gains most (0 live, 1 second look); `best` where none gains without loss."""
    for trial in tried:
        gains, reached = trial.gains(before), best.gains(before)
        steps = [one - other for one, other in zip(gains, reached, strict=True)]
        without_loss = (
            steps[1 - ear] >= -settings.most_loss and trial.worst_run(before) >= -settings.most_run_loss
        )
        if steps[ear] >= settings.least_gain and without_loss:
            best = trial
    return best


def _trial(model: Model, runs: Sequence[LabelledRun], *, second: float | None, live: float | None) -> Trial:
    """Hear each run with a model that the others taught."""
    heard: list[RunScore] = []
    for index, run in enumerate(runs):
        others = [*runs[:index], *runs[index + 1 :]]
        heard += check_model(_taught(model, others, second=second, live=live), [run])
    return Trial(second=second, live=live, heard=tuple(heard))


def _taught(model: Model, runs: Sequence[LabelledRun], *, second: float | None, live: float | None) -> Model:
    """The model with corrections of one network, both or none."""
    if second is not None:
        model = replace(model, second=taught_network(model.second, SECOND, runs, stiffness=second))
    if live is not None:
        model = replace(model, live=taught_network(model.live, LIVE, runs, stiffness=live))
    return model


@dataclass(frozen=True, slots=True, kw_only=True)
class _ReadOut:
    """One read-out of contact: which rows speak for it, how far back it looks, which row is moved."""

    rows: tuple[int, ...]
    against: tuple[int, ...]
    delay: int
    moved: int
    sign: float


LIVE = (
    _ReadOut(rows=(0,), against=(), delay=0, moved=0, sign=1.0),
    _ReadOut(rows=(1,), against=(), delay=LATE_FRAMES, moved=1, sign=1.0),
    _ReadOut(rows=(2,), against=(), delay=SURE_FRAMES, moved=2, sign=1.0),
    _ReadOut(rows=(4, 5, 6), against=(3,), delay=LATE_FRAMES, moved=3, sign=-1.0),
)
SECOND = (_ReadOut(rows=(1, 2, 3), against=(0,), delay=0, moved=0, sign=-1.0),)


def taught_network(
    network: Network, read_outs: Sequence[_ReadOut], runs: Sequence[LabelledRun], *, stiffness: float
) -> Network:
    """A network whose read-outs of contact are fitted to labelled runs; its memory stays."""
    memories = [_memory(network, run) for run in runs]
    scores = [memory @ network.heads.weight.T + network.heads.bias for memory in memories]
    weight, bias = network.heads.weight.copy(), network.heads.bias.copy()
    for read_out in read_outs:
        odds = np.concatenate([_odds(read_out, score) for score in scores])
        truth = np.concatenate([_truth(run, read_out.delay) for run in runs])
        change = fit_correction(np.vstack(memories), odds, truth, stiffness=stiffness)
        weight[read_out.moved] += (read_out.sign * change[:-1]).astype(np.float32)
        bias[read_out.moved] += np.float32(read_out.sign * change[-1])
    return replace(network, heads=Dense(weight=weight, bias=bias))


def fit_correction(memory: Values, odds: Values, truth: NDArray[np.bool_], *, stiffness: float) -> Values:
    """Logistic regression on top of given log odds.

    Parameters
    ----------
    memory : ndarray, shape (n_frames, n_units)
    odds : ndarray, shape (n_frames,)
        Log odds of contact as they are.
    truth : ndarray, shape (n_frames,)
    stiffness : float
        Weight of the square penalty on the correction, against the mean loss of a frame.

    Returns
    -------
    ndarray, shape (n_units + 1,)
        Weights and bias to be added: the corrected log odds are odds + memory @ weights + bias.
    """
    sign = np.where(truth, 1.0, -1.0)

    def loss(theta: Values) -> tuple[float, Values]:
        margin = sign * (odds + memory @ theta[:-1] + theta[-1])
        pull = -sign * expit(-margin) / sign.size
        value = np.logaddexp(0.0, -margin).mean() + 0.5 * stiffness * theta @ theta
        return float(value), np.append(memory.T @ pull, pull.sum()) + stiffness * theta

    start = np.zeros(memory.shape[1] + 1)
    found: Values = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 200}).x
    return found


def _memory(network: Network, run: LabelledRun) -> Values:
    """What the network remembers at each frame of a run, shape (n_frames, n_units)."""
    size = network.heads.weight.shape[1]
    bare = Dense(weight=np.eye(size, dtype=np.float32), bias=np.zeros(size, dtype=np.float32))
    open_network = replace(network, heads=bare)
    rows = [part.values[:, ear_layout().model] for part in run.stretches]
    if network.backward:
        return np.vstack([score_whole(open_network, row) for row in rows])
    return np.vstack([Memory(open_network).push(row) for row in rows])


def _odds(read_out: _ReadOut, scores: Values) -> Values:
    """Log odds of contact that a read-out gives, shape (n_frames,)."""
    speaks: Values = logsumexp(scores[:, read_out.rows], axis=1)
    return speaks - scores[:, read_out.against[0]] if read_out.against else speaks


def _truth(run: LabelledRun, delay: int) -> NDArray[np.bool_]:
    """Whether tool and work touched so many frames before each frame, shape (n_frames,)."""
    contacts = [
        LabelledContact(start=cut.onset, full=cut.onset, leaving=cut.offset, stop=cut.offset)
        for cut in run.cuts
    ]
    told = []
    for part in run.stretches:
        in_contact = label_frames(part.at, contacts, rate=run.rate) > 0
        before = np.full(min(delay, in_contact.size), in_contact[0])
        told.append(np.concatenate([before, in_contact[: in_contact.size - before.size]]))
    return np.concatenate(told)


def taught_card(
    adapted: Adapted, *, name: str, start: str, runs: Sequence[str], day: str
) -> dict[str, object]:
    """The card of the taught model: that of the one it began with, and how it was taught.

    The rates stay those of the model it began with: a few runs do not tell how often an ear errs in an hour.

    Parameters
    ----------
    adapted : Adapted
    name, start : str
        Of the taught model, and of the one it began with.
    runs : sequence of str
    day : str
        ISO 8601.
    """
    before, chosen = adapted.before, adapted.chosen
    scores = {
        "live": [round(before.live_score.f1, 4), round(chosen.live_score.f1, 4)],
        "second look": [round(before.refined_score.f1, 4), round(chosen.refined_score.f1, 4)],
    }
    taught = {
        "from": start,
        "on": day,
        "runs": list(runs),
        "stiffness": {"live": chosen.live, "second": chosen.second},
        "event F1 at 200 ms on held-out runs, before and after": scores,
    }
    return {**adapted.model.card, "name": name, "taught": taught}
