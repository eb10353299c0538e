"""The decoder's rules, one hand-worked case each; frames of 10 samples, hop 10."""

import numpy as np
import pytest

from listen.decide.decoder import Decoder, DecoderSettings, Scores
from listen.decide.own_sound import Opinion
from listen.errors import InputError
from listen.states import Event, Standing, State

HOP = 10
AIR_STATES = (0.97, 0.01, 0.01, 0.01)
CUT_STATES = (0.01, 0.01, 0.97, 0.01)


def run(
    truth: np.ndarray,
    *,
    second: np.ndarray | None = None,
    late: np.ndarray | None = None,
    own: np.ndarray | None = None,
    gap_at: int | None = None,
) -> list[Event]:
    """Events where the live ear believes `truth` and `late` 300 ms after, the two-sided one `second`.

    What the run has taught has a share of 0.3, with log odds `own`.
    """
    second = truth if second is None else second
    late = truth if late is None else late
    heard = 0
    decoder = Decoder(
        DecoderSettings(),
        hop=HOP,
        early=2 * HOP,
        back=0,
        spread=HOP,
        review=lambda: 0.02 + 0.96 * second[max(0, heard - 800) : heard],
        own=lambda n: None if own is None else Opinion(odds=own[heard - n : heard], share=0.3),
    )
    events: list[Event] = []
    for i in range(truth.size):
        heard = i + 1
        events += decoder.start_anew(i * HOP) if i == gap_at else ()
        states = CUT_STATES if i >= 30 and late[i - 30] > 0.5 else AIR_STATES
        events += decoder.step(Scores(at=(i + 1) * HOP, now=0.02 + 0.96 * truth[i], states=states))
    return [*events, *decoder.close(truth.size * HOP)]


def contact(*, start: int, stop: int, n_frames: int = 400) -> np.ndarray:
    truth = np.zeros(n_frames)
    truth[start:stop] = 1.0
    return truth


def of(events: list[Event], standing: Standing) -> list[tuple[State, int]]:
    return [(event.state, event.at) for event in events if event.standing is standing]


@pytest.mark.closed
def test_one_contact_is_supposed_at_once_and_dated_when_confirmed() -> None:
    """Contact in frames 100-199: supposed at once, confirmed 45 frames later, dated right."""
    events = run(contact(start=100, stop=200))
    provisional = [event for event in events if event.standing is Standing.PROVISIONAL]
    assert [(e.state, e.decided_at) for e in provisional] == [(State.ENTRY, 1010), (State.AIR, 2010)]
    confirmed = [e for e in events if e.standing is Standing.CONFIRMED]
    assert [e.state for e in confirmed] == [State.ENTRY, State.STEADY, State.AIR]
    assert abs(confirmed[0].at - 1000) <= HOP
    assert abs(confirmed[-1].at - 2000) <= HOP
    assert confirmed[0].decided_at == 1010 + 45 * HOP


@pytest.mark.closed
@pytest.mark.parametrize(("believed", "is_supposed"), [(0.51, True), (0.48, False)])
def test_contact_is_supposed_as_soon_as_it_is_as_likely_as_not(believed: float, is_supposed: bool) -> None:
    """At even odds; `run` gives the live ear .02 + .96 of each number."""
    found = run(believed * contact(start=100, stop=104), second=np.zeros(400))
    assert any(event.standing is Standing.PROVISIONAL for event in found) == is_supposed


@pytest.mark.closed
def test_a_burst_that_the_second_ear_does_not_hear_is_withdrawn() -> None:
    """A knock of 80 ms fools the live ear only."""
    events = run(contact(start=100, stop=108), second=np.zeros(400))
    assert of(events, Standing.CONFIRMED) == []
    assert [state for state, _ in of(events, Standing.WITHDRAWN)] == [State.ENTRY, State.AIR]


@pytest.mark.closed
def test_what_the_live_ear_alone_doubts_throughout_is_air() -> None:
    """A knock, then a second in which the live ear hears nothing; 0.7 of 0.88 is under 0.7."""
    truth = contact(start=100, stop=104)
    assert of(run(truth, second=0.9 * contact(start=100, stop=200)), Standing.CONFIRMED) == []


@pytest.mark.closed
@pytest.mark.parametrize(
    ("n_frames", "believed_late", "told"), [(30, False, 0), (30, True, 1), (60, False, 1)]
)
def test_a_short_contact_that_the_live_ear_takes_back_is_a_clatter(
    n_frames: int, believed_late: bool, told: int
) -> None:
    """Both ears take 0.3 s for contact, 3.9 nats, and 300 ms later the live one is sure of air, -3.5 nats."""
    truth = contact(start=100, stop=100 + n_frames)
    events = run(truth, late=truth if believed_late else np.zeros(400))
    entries = [state for state, _ in of(events, Standing.CONFIRMED) if state is State.ENTRY]
    assert len(entries) == told


@pytest.mark.closed
def test_an_unsure_second_ear_is_asked_again_later() -> None:
    """Belief of 0.64 is near one half: the first look leaves it to the last, 110 frames after."""
    truth = contact(start=100, stop=300)
    entry = next(e for e in run(truth, second=0.65 * truth) if e.standing is Standing.CONFIRMED)
    assert entry.state is State.ENTRY
    assert abs(entry.at - 1000) <= HOP
    assert entry.decided_at == 1010 + 110 * HOP


@pytest.mark.closed
def test_a_short_dip_of_the_live_ear_does_not_end_the_contact() -> None:
    truth = contact(start=100, stop=300)
    dipped = truth.copy()
    dipped[200:206] = 0.0
    events = run(dipped, second=truth)
    assert [s for s, _ in of(events, Standing.CONFIRMED)] == [State.ENTRY, State.STEADY, State.AIR]
    assert [state for state, _ in of(events, Standing.WITHDRAWN)] == [State.AIR, State.ENTRY]


@pytest.mark.closed
def test_contacts_that_follow_fast_are_all_told() -> None:
    """Three contacts of 200 ms with gaps of 150 ms: what begins while one waits is settled with it."""
    truth = np.zeros(400)
    for start in (100, 135, 170):
        truth[start : start + 20] = 1.0
    confirmed = of(run(truth), Standing.CONFIRMED)
    entries = [at for state, at in confirmed if state is State.ENTRY]
    ends = [at for state, at in confirmed if state is State.AIR]
    np.testing.assert_allclose(entries, [1000, 1350, 1700], rtol=0, atol=HOP)
    np.testing.assert_allclose(ends, [1200, 1550, 1900], rtol=0, atol=HOP)


@pytest.mark.closed
def test_a_contact_is_supposed_at_once_though_the_end_of_the_one_before_still_waits() -> None:
    """A gap of 200 ms: the second entry is told with its first frame."""
    truth = contact(start=100, stop=200)
    truth[220:300] = 1.0
    guesses = [e for e in run(truth) if e.standing is Standing.PROVISIONAL]
    assert [(e.state, e.decided_at) for e in guesses[1:3]] == [(State.AIR, 2010), (State.ENTRY, 2210)]


@pytest.mark.closed
def test_every_guess_is_confirmed_or_withdrawn() -> None:
    rng = np.random.default_rng(5)
    truth = np.repeat(rng.integers(0, 2, 60), rng.integers(3, 40, 60)).astype(float)
    events = [e for e in run(truth, second=np.roll(truth, 2)) if e.state in (State.ENTRY, State.AIR)]
    n_of = {standing: sum(e.standing is standing for e in events) for standing in Standing}
    assert n_of[Standing.PROVISIONAL] <= n_of[Standing.CONFIRMED] + n_of[Standing.WITHDRAWN]
    assert n_of[Standing.WITHDRAWN] > 0


@pytest.mark.closed
def test_a_contact_that_the_live_ear_only_half_believes_is_asked_about_all_the_same() -> None:
    """Live belief of 0.31 never supposes; both together are at 0.98 - 0.3 (0.98 - 0.31) = 0.78."""
    truth = contact(start=200, stop=500, n_frames=800)
    entry = next(e for e in run(0.3 * truth, second=truth) if e.standing is Standing.CONFIRMED)
    assert (entry.state, abs(entry.at - 2000) <= HOP) == (State.ENTRY, True)
    assert entry.decided_at <= 2000 + 110 * HOP
    assert of(run(0.1 * truth, second=truth), Standing.CONFIRMED) == []


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
    confirmed = [e for e in events if e.standing is Standing.CONFIRMED and e.state is not State.STEADY]
    assert [e.at for e in confirmed] == sorted(e.at for e in confirmed)
    guesses = [e for e in events if e.standing is Standing.PROVISIONAL]
    assert len(guesses) >= 3


@pytest.mark.closed
def test_settings_refuse_nonsense() -> None:
    with pytest.raises(InputError, match="close_now <= open_now"):
        DecoderSettings(open_now=float("nan"))
    with pytest.raises(InputError, match="first_look < last_look"):
        DecoderSettings(first_look=120)


@pytest.mark.closed
@pytest.mark.parametrize(
    ("taught", "near_air", "n_cuts"), [(False, False, 2), (True, False, 1), (True, True, 2)]
)
def test_a_dip_ends_no_cut_where_the_run_knows_its_own_sound(
    taught: bool, near_air: bool, n_cuts: int
) -> None:
    """Both ears take 90 ms for air; the run's own sound knows them for its cut, unless it fell near air.

    By hand: 0.7 of -3.9 nats and 0.3 of +6 are -0.9; nine frames of that at a gain of 0.4 are -3.3,
    less than two changes cost.
    """
    truth = contact(start=100, stop=300)
    truth[200:209] = 0.0
    own = np.where(contact(start=100, stop=300) > 0.5, 6.0, -6.0)
    if near_air:
        own[204] = -4.0
    confirmed = of(run(truth, own=own if taught else None), Standing.CONFIRMED)
    assert [state for state, _ in confirmed].count(State.ENTRY) == n_cuts


@pytest.mark.closed
@pytest.mark.parametrize(("own_nats", "n_supposed"), [(6.0, 1), (1.0, 2)])
def test_no_end_is_supposed_while_the_sound_is_the_runs_own_cut(own_nats: float, n_supposed: int) -> None:
    """The live ear dips for 60 ms in the cut; the two-sided one does not. The cut ends once."""
    truth = contact(start=100, stop=300)
    dipped = truth.copy()
    dipped[200:206] = 0.0
    own = np.where(truth > 0.5, own_nats, -6.0)
    events = run(dipped, second=truth, own=own)
    guesses = [e.state for e in events if e.standing is Standing.PROVISIONAL]
    assert guesses.count(State.AIR) == n_supposed


HOVERS = np.concatenate([np.full(100, 0.4), np.zeros(300)])  # of the live ear, in air


@pytest.mark.closed
@pytest.mark.parametrize(("believed", "is_told"), [(0.6, False), (0.8, False), (0.84, True)])
def test_out_of_two_minds_a_start_is_told_only_where_it_has_risen(believed: float, is_told: bool) -> None:
    """Log odds of .404 are -0.39: two more are 1.61, but 1.5 is enough, a belief of .82; .84 gives 1.56."""
    truth = HOVERS.copy()
    truth[100:200] = believed
    events = run(truth, second=contact(start=100, stop=200))
    told = [event.at for event in events if event.standing is Standing.PROVISIONAL]
    assert (len(told) > 0 and told[0] < 1100) == is_told
    assert (State.ENTRY, 1010) in of(events, Standing.CONFIRMED)


@pytest.mark.closed
def test_a_start_that_was_not_told_is_not_withdrawn_aloud() -> None:
    truth = HOVERS.copy()
    truth[100:200] = 0.6
    assert run(truth, second=np.zeros(400)) == []


@pytest.mark.closed
def test_a_start_is_told_anew_once_it_rises_after_all() -> None:
    """Even odds in frame 100, not told; .95 from frame 120 on: told there, 20 ms before that frame's end."""
    truth = HOVERS.copy()
    truth[100:120], truth[120:200] = 0.6, 0.95
    events = run(truth, second=contact(start=120, stop=200))
    assert of(events, Standing.PROVISIONAL)[0] == (State.ENTRY, 1190)


@pytest.mark.closed
@pytest.mark.parametrize(("own_nats", "is_told"), [(6.0, True), (-6.0, False)])
def test_a_start_is_told_by_what_the_run_has_taught_too(own_nats: float, is_told: bool) -> None:
    """The live ear believes .35 or .7, log odds -0.6 and 0.8: with 0.45 of 6 nats 2.4, or of -6 nats -2.3."""
    truth = contact(start=100, stop=104) * (0.35 if is_told else 0.7)
    found = run(truth, second=np.zeros(400), own=np.full(400, own_nats))
    assert any(event.standing is Standing.PROVISIONAL for event in found) == is_told


@pytest.mark.closed
def test_a_start_soon_after_a_cut_is_held_against_the_air_between_them() -> None:
    """0.3 s of air at .02, then .69, log odds 0.8: over 0.6 s, half of them cut, it had to reach 2."""
    truth = contact(start=100, stop=200)
    truth[230:280] = 0.7
    found = of(run(truth), Standing.PROVISIONAL)
    assert [state for state, at in found if 2200 < at < 2350] == [State.ENTRY]


@pytest.mark.closed
def test_what_was_told_is_the_change_that_is_confirmed_and_not_what_was_only_asked_about() -> None:
    """It crosses even odds in frame 80, in two minds; the cut begins in 100: told there, not withdrawn."""
    truth = HOVERS.copy()
    truth[80:83], truth[83:97], truth[97:100], truth[100:200] = 0.6, 0.2, 0.4, 1.0
    events = run(truth, second=contact(start=100, stop=200))
    assert [state for state, _ in of(events, Standing.PROVISIONAL)] == [State.ENTRY, State.AIR]
    assert of(events, Standing.WITHDRAWN) == []


@pytest.mark.closed
def test_after_a_gap_nothing_that_was_believed_before_it_is_risen_above() -> None:
    """In two minds at .404, then .6: told only where a gap lies between them."""
    truth = HOVERS.copy()
    truth[100:110] = 0.6
    told = [
        len(of(run(truth, second=np.zeros(400), gap_at=at), Standing.PROVISIONAL)) > 0 for at in (None, 100)
    ]
    assert told == [False, True]


@pytest.mark.closed
def test_how_likely_an_end_is_goes_by_the_live_ear_alone() -> None:
    """At a belief of .26, whatever the run has taught: its own sound tells whether, not when."""
    truth, own = contact(start=100, stop=200), np.full(400, 6.0)
    truth[200:], own[190:] = 0.25, -6.0
    ends = [e for e in run(truth, own=own) if e.standing is Standing.PROVISIONAL and e.state is State.AIR]
    assert ends[0].probability == pytest.approx(0.74)
