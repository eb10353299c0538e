"""The decoder's rules, one hand-worked case each; frames of 10 samples, hop 10."""

import numpy as np
import pytest

from listen.decide.decoder import Decoder, DecoderSettings, Scores
from listen.errors import InputError
from listen.states import Event, Standing, State

HOP = 10
AIR_STATES = np.array([0.97, 0.01, 0.01, 0.01])
CUT_STATES = np.array([0.01, 0.01, 0.97, 0.01])


def beliefs(truth: np.ndarray, delay: int) -> np.ndarray:
    """What a perfect ear says of the contact `delay` frames ago."""
    late = np.concatenate([np.zeros(delay), truth])[: truth.size]
    return 0.02 + 0.96 * late


def run(truth: np.ndarray, *, late: np.ndarray | None = None, sure: np.ndarray | None = None) -> list[Event]:
    decoder = Decoder(DecoderSettings(), hop=HOP, early=2 * HOP, spread=HOP)
    now = beliefs(truth, 0)
    late = beliefs(truth, 30) if late is None else late
    sure = beliefs(truth, 100) if sure is None else sure
    events: list[Event] = []
    for i in range(truth.size):
        states = CUT_STATES if late[i] > 0.5 else AIR_STATES
        scores = Scores(at=(i + 1) * HOP, now=now[i], late=late[i], sure=sure[i], states=states)
        events += decoder.step(scores)
    return [*events, *decoder.close(truth.size * HOP)]


def contact(*, start: int, stop: int, n_frames: int = 400) -> np.ndarray:
    truth = np.zeros(n_frames)
    truth[start:stop] = 1.0
    return truth


def of(events: list[Event], standing: Standing) -> list[tuple[State, int]]:
    return [(event.state, event.at) for event in events if event.standing is standing]


@pytest.mark.closed
def test_one_contact_is_supposed_at_once_and_dated_when_confirmed() -> None:
    """Contact in frames 100-199: supposed after two frames, confirmed 300 ms later and dated to the frame."""
    events = run(contact(start=100, stop=200))
    provisional = [event for event in events if event.standing is Standing.PROVISIONAL]
    assert [(e.state, e.decided_at) for e in provisional] == [(State.ENTRY, 1020), (State.AIR, 2020)]
    confirmed = [e for e in events if e.standing is Standing.CONFIRMED]
    assert [e.state for e in confirmed] == [State.ENTRY, State.STEADY, State.AIR]
    assert abs(confirmed[0].at - 1000) <= HOP
    assert abs(confirmed[-1].at - 2000) <= HOP
    assert confirmed[0].decided_at == 1310


@pytest.mark.closed
def test_a_burst_that_the_late_score_does_not_share_is_withdrawn() -> None:
    """A knock of 80 ms fools the fast score only."""
    events = run(contact(start=100, stop=108), late=np.full(400, 0.05), sure=np.full(400, 0.05))
    assert of(events, Standing.CONFIRMED) == []
    assert [state for state, _ in of(events, Standing.WITHDRAWN)] == [State.ENTRY]


@pytest.mark.closed
def test_an_unsure_late_score_waits_for_the_one_of_a_second() -> None:
    """Late score 0.6 opens but does not confirm; the entry comes a second after it happened."""
    truth = contact(start=100, stop=300)
    late = np.where(beliefs(truth, 30) > 0.5, 0.6, 0.05)
    entry = next(e for e in run(truth, late=late) if e.standing is Standing.CONFIRMED)
    assert entry.state is State.ENTRY
    assert abs(entry.at - 1000) <= HOP
    assert entry.decided_at == 2010


@pytest.mark.closed
def test_a_short_dip_of_the_fast_score_does_not_end_the_contact() -> None:
    truth = contact(start=100, stop=300)
    dipped = truth.copy()
    dipped[200:206] = 0.0
    decoder_events = run(dipped, late=beliefs(truth, 30), sure=beliefs(truth, 100))
    assert [state for state, _ in of(decoder_events, Standing.CONFIRMED)] == [
        State.ENTRY,
        State.STEADY,
        State.AIR,
    ]
    assert [state for state, _ in of(decoder_events, Standing.WITHDRAWN)] == [State.AIR]


@pytest.mark.closed
def test_a_contact_still_open_ends_where_the_sound_ends() -> None:
    events = run(contact(start=100, stop=400))
    assert (events[-1].state, events[-1].at) == (State.AIR, 4000)


@pytest.mark.closed
def test_times_never_run_backwards_and_every_guess_is_settled() -> None:
    rng = np.random.default_rng(3)
    truth = np.repeat(rng.integers(0, 2, 60), rng.integers(3, 40, 60)).astype(float)
    events = run(truth)
    decided = [event.decided_at for event in events]
    assert decided == sorted(decided)
    confirmed = [e for e in events if e.standing is Standing.CONFIRMED]
    assert [e.at for e in confirmed] == sorted(e.at for e in confirmed)
    guesses = [e for e in events if e.standing is Standing.PROVISIONAL]
    assert len(guesses) >= 3


@pytest.mark.closed
def test_settings_refuse_nonsense() -> None:
    with pytest.raises(InputError, match="close_now <= open_now"):
        DecoderSettings(open_now=float("nan"))
