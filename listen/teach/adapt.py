"""Fit a read-out of the shop's own machine from a few labelled runs; what knows many machines stays as it is.

Conventions
-----------
The read-out is a logistic regression on band levels. It stands beside the networks, with a share in the log
odds of either ear; the shares are chosen on runs that the read-out was not fitted on, and where none gains,
the model stays.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.decide import Model
from listen.decide.shop import Shop, teach_shop
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
    shares : tuple of float
        Of the shop's read-out in the log odds of an ear; each is tried.
    least_gain : float
        Event F1 on held-out runs must rise by so much for the ear that a share is for.
    most_run_loss : float
        By how much it may fall in any single held-out run.
    least_score : float
        An ear must score so much on held-out runs once it is taught: of what is wrong about every
        other contact, three runs cannot tell whether it has become better or worse.
    """

    shares: tuple[float, ...] = (0.3, 0.5, 0.7)
    least_gain: float = 0.01
    most_run_loss: float = 0.1
    least_score: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trial:
    """A way to teach, and how models so taught hear the runs that they were not taught on.

    Attributes
    ----------
    live, second : float
        Share of the shop's read-out in either ear, 0 where one stays as it was.
    heard : tuple of RunScore
        Each run by a model that the other runs taught.
    """

    live: float
    second: float
    heard: tuple[RunScore, ...]

    @property
    def live_score(self) -> EventScore:
        """All runs, as heard live."""
        return pooled(score.live for score in self.heard)

    @property
    def refined_score(self) -> EventScore:
        """All runs, after the second look."""
        return pooled(score.refined for score in self.heard)

    def gain(self, before: "Trial", ear: int) -> float:
        """By how much event F1 of an ear rises (0 live, 1 second look)."""
        return self.score_of(ear).f1 - before.score_of(ear).f1

    def score_of(self, ear: int) -> EventScore:
        """All runs, as an ear hears them (0 live, 1 second look)."""
        return (self.live_score, self.refined_score)[ear]

    def worst_run(self, before: "Trial", ear: int) -> float:
        """The least gain of event F1 in a single run; silent runs count as right."""
        pairs = zip(self.heard, before.heard, strict=True)
        scores = [[(one.live, one.refined)[ear] for one in pair] for pair in pairs]
        return min((_f1(after) - _f1(earlier) for after, earlier in scores), default=0.0)


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
    before = _trial(model, runs, share=0.0)
    tried: list[Trial] = []
    for share in settings.shares:
        progress((len(tried) + 1) / (len(settings.shares) + 1))
        tried.append(_trial(model, runs, share=share))
    live, second = (best_trial(before, tried, settings, ear) for ear in (LIVE_EAR, SECOND_EAR))
    chosen = _chosen(before, live, second)
    taught = model if chosen is before else taught_model(model, runs, live=chosen.live, second=chosen.second)
    progress(1.0)
    return Adapted(model=taught, before=before, chosen=chosen, tried=tuple(tried))


def _check_runs(runs: Sequence[LabelledRun]) -> None:
    if len(runs) < FEWEST_RUNS:
        raise InputError(
            f"teaching needs at least {FEWEST_RUNS} runs, as each is held out once, got {len(runs)}; "
            f"label one more"
        )
    if not any(run.cuts for run in runs):
        raise InputError("teaching needs at least one labelled contact, these runs have none")


def best_trial(before: Trial, tried: Sequence[Trial], settings: TeachSettings, ear: int) -> Trial:
    """The trial in which an ear gains most (0 live, 1 second look); `before` where none does without loss."""
    best = before
    for trial in tried:
        gains = trial.gain(before, ear) >= max(settings.least_gain, best.gain(before, ear) + 1e-9)
        is_good = trial.score_of(ear).f1 >= settings.least_score
        if gains and is_good and trial.worst_run(before, ear) >= -settings.most_run_loss:
            best = trial
    return best


def _chosen(before: Trial, live: Trial, second: Trial) -> Trial:
    """The best for either ear as one: the share of one ear does not change what the other hears."""
    if live is before and second is before:
        return before
    pairs = zip(live.heard, second.heard, strict=True)
    heard = tuple(replace(one, refined=other.refined) for one, other in pairs)
    return Trial(live=live.live, second=second.second, heard=heard)


def _trial(model: Model, runs: Sequence[LabelledRun], *, share: float) -> Trial:
    """Hear each run with a model that the others taught."""
    heard: list[RunScore] = []
    for index, run in enumerate(runs):
        others = [*runs[:index], *runs[index + 1 :]]
        taught = taught_model(model, others, live=share, second=share) if share else model
        heard += check_model(taught, [run])
    return Trial(live=share, second=share, heard=tuple(heard))


def taught_model(model: Model, runs: Sequence[LabelledRun], *, live: float, second: float) -> Model:
    """The model with a read-out that labelled runs taught; as it is where they lack contact or air.

    Parameters
    ----------
    model : Model
    runs : sequence of LabelledRun
    live, second : float
        Share of the read-out in the log odds of either ear [0 to 1].
    """
    layout = ear_layout()
    vectors = np.vstack([layout.vectors(part.values) for run in runs for part in run.stretches])
    truth = np.concatenate([_truth(run) for run in runs])
    if not 0 < truth.sum() < truth.size:
        return model
    read_out, far = teach_shop(vectors[truth], vectors[~truth])
    return replace(model, shop=Shop(read_out=read_out, far=far, live_share=live, second_share=second))


def _truth(run: LabelledRun) -> NDArray[np.bool_]:
    """Whether tool and work touch in each frame, shape (n_frames,)."""
    contacts = [
        LabelledContact(start=cut.onset, full=cut.onset, leaving=cut.offset, stop=cut.offset)
        for cut in run.cuts
    ]
    return np.concatenate([label_frames(part.at, contacts, rate=run.rate) > 0 for part in run.stretches])


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
        "share of the shop's read-out": {"live": chosen.live, "second": chosen.second},
        "event F1 at 200 ms on held-out runs, before and after": scores,
    }
    return {**adapted.model.card, "name": name, "taught": taught}
