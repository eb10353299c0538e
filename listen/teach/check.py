"""How a model does on labelled runs: the command ``teach --check``."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import reduce

from listen.decide import Decide, Model, second_look
from listen.ears import ear_layout
from listen.states import Event, Standing, State
from listen.teach.labels import LabelledRun
from listen.teach.score import EventScore, Interval, score_contacts

COLLAR_S = 0.2
NOTHING = EventScore(true=0, heard=0, matched=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunScore:
    """Event scores of one run at a collar of 200 ms: as heard live, and after the second look."""

    name: str
    live: EventScore
    refined: EventScore


def check_model(
    model: Model,
    runs: Sequence[LabelledRun],
    *,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[RunScore, ...]:
    """Score a model on each labelled run.

    Parameters
    ----------
    model : Model
    runs : sequence of LabelledRun
    progress : callable
        Is given the share done, 0 to 1.
    """
    scores = []
    for index, run in enumerate(runs):
        live, refined = score_live(model, run), score_refined(model, run)
        scores.append(RunScore(name=run.name, live=live, refined=refined))
        progress((index + 1) / len(runs))
    return tuple(scores)


def score_live(model: Model, run: LabelledRun) -> EventScore:
    """What the ear confirms while the run goes on, against the labels."""
    decide = Decide(model, ear_layout(), hop=run.hop)
    decided = [item for given in run.heard for item in decide.push(given)]
    decided += decide.close()
    return _score(run, (item for item in decided if isinstance(item, Event)))


def score_refined(model: Model, run: LabelledRun) -> EventScore:
    """What the second look gives, against the labels."""
    layout = ear_layout()
    return _score(
        run,
        (event for part in run.stretches for event in second_look(part, model, layout, hop=run.hop)),
    )


def pooled(scores: Iterable[EventScore]) -> EventScore:
    """The counts of all added up."""
    return reduce(EventScore.plus, scores, NOTHING)


def contacts_heard(events: Iterable[Event], *, rate: int) -> list[Interval]:
    """Pairs of entry and air among confirmed events [s]."""
    found: list[Interval] = []
    start: int | None = None
    for event in events:
        if event.standing is not Standing.CONFIRMED:
            continue
        if event.state is State.ENTRY:
            start = event.at
        elif event.state is State.AIR and start is not None:
            found.append((start / rate, event.at / rate))
            start = None
    return found


def _score(run: LabelledRun, events: Iterable[Event]) -> EventScore:
    return score_contacts(run.intervals, contacts_heard(events, rate=run.rate), collar_s=COLLAR_S)
