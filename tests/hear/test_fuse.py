"""Sound and load together: worked cases by hand, and made runs at 0 dB with load at 5 Hz."""

from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Block, LoadSample
from listen.decide import Belief, SecondLookSettings, Seen, find_lag, fuse_look, taught_by_load
from listen.decide.fuse import Lag, load_says
from listen.decide.second_look import events_of
from listen.ears import Ear, FusedEar, LoadEar, SoundEar, shipped_model
from listen.job_file import load_job
from listen.plan import plan_job
from listen.states import Event, Standing, State
from listen.synth import EVALUATION_RANGES, Script, draw_room, draw_voice, synthesise
from listen.teach.score import score_contacts

RATE = 48000
JOB = Path(__file__).parent / "eight_passes.toml"
Spans = list[tuple[float, float]]


def spans(events: tuple[Event, ...] | list[Event]) -> Spans:
    found, start = [], None
    for event in events:
        if event.standing == Standing.CONFIRMED and event.state == State.ENTRY:
            start = event.at
        elif event.state == State.AIR and start is not None:
            found.append((start / RATE, event.at / RATE))
            start = None
    return found


def belief(contacts: Spans, *, strength: float, seconds: float = 60.0, seed: int = 0) -> Belief:
    """Log odds of frames of 10 ms: `strength` either way, with noise of three nats; one column tells."""
    rng = np.random.default_rng(seed)
    middle = np.arange(round(seconds * 100)) * (RATE // 100)
    inside = np.zeros(middle.size, dtype=np.bool_)
    for start, stop in contacts:
        inside |= (middle >= start * RATE) & (middle < stop * RATE)
    odds = np.where(inside, strength, -strength) + rng.normal(0.0, 3.0, middle.size)
    states = np.column_stack([~inside, 0 * inside, inside, 0 * inside]).astype(np.float64)
    return Belief(
        at=middle,
        middle=middle,
        odds=odds,
        whether=odds,
        live=odds,
        states=states,
        vectors=np.column_stack([np.where(inside, 1.0, -1.0) + rng.normal(0.0, 0.5, middle.size)]),
        back=0,
        hop_s=0.01,
        settings=SecondLookSettings(),
    )


CUTS = [(5.0, 8.0), (12.0, 14.0), (20.0, 23.0), (40.0, 44.0)]


def late(contacts: Spans, seconds: float) -> Spans:
    return [(a + seconds, b + seconds) for a, b in contacts]


@pytest.mark.closed
@pytest.mark.parametrize("late_s", [-0.2, 0.0, 0.6, 1.2])
def test_the_lag_of_the_load_is_found_where_sound_says_little_of_each_frame(late_s: float) -> None:
    seen = Seen(contacts=late(CUTS, late_s), silent=[])
    lag = find_lag([belief(CUTS, strength=1.0)], seen, rate=RATE)
    assert lag.late_s == pytest.approx(late_s, abs=0.03)
    assert lag.agrees > 0.6


@pytest.mark.closed
def test_load_of_another_run_does_not_agree() -> None:
    other = Seen(contacts=[(1.0, 3.0), (9.0, 11.0), (26.0, 36.0)], silent=[])
    assert find_lag([belief(CUTS, strength=1.0)], other, rate=RATE).agrees < 0.62


@pytest.mark.closed
@pytest.mark.parametrize("late_s", [0.0, 0.5])
def test_load_teaches_a_run_that_sound_does_not_understand(late_s: float) -> None:
    """Odds that say nothing, beside a column that does: it is found from the load, and so is the lag."""
    seen, heard = Seen(contacts=late(CUTS, late_s), silent=[]), belief(CUTS, strength=0.0)
    lag = find_lag([heard], seen, rate=RATE)
    assert lag.agrees < 0.62
    taught, found = taught_by_load([heard], seen, lag=lag, rate=RATE)
    assert found.agrees > 0.9
    assert found.late_s == pytest.approx(late_s, abs=0.06)
    np.testing.assert_allclose(spans(fuse_look(taught, seen, lag=found, rate=RATE)), CUTS, rtol=0, atol=0.1)


@pytest.mark.closed
def test_load_of_another_run_teaches_nothing() -> None:
    """Also not where it lies on sound's own contacts at one lag: a half must tell the other."""
    for contacts in ([(1.0, 3.0), (9.0, 11.0), (26.0, 36.0)], [(5.0, 8.0), (26.0, 29.0), (50.0, 52.0)]):
        seen, heard = Seen(contacts=contacts, silent=[]), belief(CUTS, strength=0.0)
        lag = find_lag([heard], seen, rate=RATE)
        assert taught_by_load([heard], seen, lag=lag, rate=RATE) == ([heard], lag)


@pytest.mark.closed
def test_load_tells_whether_and_sound_tells_when() -> None:
    seen = Seen(contacts=late(CUTS, 0.5), silent=[])
    heard = belief(CUTS, strength=1.0)
    fused = spans(fuse_look([heard], seen, lag=find_lag([heard], seen, rate=RATE), rate=RATE))
    np.testing.assert_allclose(fused, CUTS, rtol=0, atol=0.1)


@pytest.mark.closed
def test_sound_stands_alone_where_load_is_silent() -> None:
    """By hand: no load from 30 s on; the last contact is sound's own, at once where it is sure."""
    seen = Seen(contacts=CUTS[:3], silent=[(30.0, np.inf)])
    heard = belief(CUTS, strength=6.0)
    fused = spans(fuse_look([heard], seen, lag=Lag(late_s=0.0, agrees=0.9), rate=RATE))
    np.testing.assert_allclose(fused, CUTS, rtol=0, atol=0.1)


@pytest.mark.closed
def test_a_light_cut_that_sound_is_sure_of_stays_and_one_that_it_is_sure_is_none_goes() -> None:
    seen = Seen(contacts=[*CUTS[:3], (50.0, 52.0)], silent=[])
    heard = belief(CUTS, strength=9.0)
    fused = spans(fuse_look([heard], seen, lag=Lag(late_s=0.0, agrees=0.9), rate=RATE))
    np.testing.assert_allclose(fused, CUTS, rtol=0, atol=0.1)


@pytest.mark.closed
@pytest.mark.parametrize(("beside_nats", "is_heard"), [(0.95, True), (0.7, False)])
def test_what_another_witness_says_is_weighed_in_nats_a_frame(beside_nats: float, is_heard: bool) -> None:
    """By hand: sound at -2 counts -0.8 a frame; 100 frames must bring the cost of two changes, 7 nats."""
    heard = belief(CUTS, strength=1.0)
    inside = np.zeros(heard.at.size, dtype=np.bool_)
    inside[1000:1100] = True
    heard = heard.with_odds(np.where(inside, -2.0, -9.0))
    beside = np.where(inside, beside_nats, -1.0)
    assert bool(events_of(heard, beside=beside)) == is_heard


@pytest.mark.closed
def test_load_says_less_near_its_ends_and_nothing_where_it_is_silent() -> None:
    """By hand: a contact from 1 to 3 s that comes 0.5 s late, a ramp of 0.2 s, no load from 4 s on."""
    seen = Seen(contacts=[(1.5, 3.5)], silent=[(4.5, np.inf)])
    seconds = np.array([0.5, 0.9, 1.0, 1.1, 2.0, 3.0, 3.1, 3.5, 4.2])
    says = load_says(seconds, seen, late_s=0.5, ramp_s=0.2)
    np.testing.assert_allclose(says, [-1, -0.5, 0, 0.5, 1, 0, -0.5, -1, 0], rtol=0, atol=1e-9)


@pytest.mark.closed
@pytest.mark.slow
def test_at_0_db_with_load_at_5_hz_both_are_better_than_either_alone_on_every_seed() -> None:
    timeline = plan_job(load_job(JOB)).timeline
    scores = []
    for seed in (102, 104, 106):
        rng = np.random.default_rng(seed)
        made = synthesise(
            timeline,
            script=Script(start_delay_s=2.0, tail_s=2.0, snr_db=0.0),
            voice=draw_voice(rng, EVALUATION_RANGES, RATE, n_tools=1),
            room=draw_room(rng, EVALUATION_RANGES, RATE),
            rate=RATE,
            rng=rng,
        )
        true = [(c.start / RATE, c.stop / RATE) for c in made.truth.contacts]
        ears: tuple[Ear, Ear] = (
            SoundEar(shipped_model(), rate=RATE, keep=True),
            FusedEar(SoundEar(shipped_model(), rate=RATE, keep=True), rate=RATE, keep=True),
        )
        load: Ear = LoadEar(rate=RATE, keep=True)
        for start in range(0, made.samples.size, RATE):
            block = Block(samples=made.samples[start : start + RATE], start=start, rate=RATE)
            for ear in ears:
                ear.push(block)
        for sample in slow_load(true, made.samples.size / RATE, rng):
            ears[1].push(sample)
            load.push(sample)
        looks = []
        for ear in (*ears, load):
            ear.close()
            looks.append(score_contacts(true, spans(ear.look_again()), collar_s=0.2).f1)
        scores.append(looks)
    print("F1 at 200 ms, sound, fused, load:", np.round(scores, 2).tolist())
    for sound, both, alone in scores:
        best = max(sound, alone)
        assert both > best or both == best == 1.0
    assert np.mean([both for _, both, _ in scores]) >= 0.9


def slow_load(true: Spans, duration_s: float, rng: np.random.Generator) -> list[LoadSample]:
    """Idle 2 percent, cuts of 8, a drive that settles in 0.15 s, noise of 0.3 percent, 5 Hz jittered."""
    made = []
    for t in np.arange(0.0, duration_s, 0.2) + rng.uniform(0.0, 0.04, int(np.ceil(duration_s / 0.2))):
        level = 2.0 + rng.normal(0.0, 0.3)
        for start, stop in true:
            if t >= start:
                level += (
                    8.0 * (1.0 - np.exp(-(min(t, stop) - start) / 0.15)) * np.exp(-max(0.0, t - stop) / 0.15)
                )
        made.append(LoadSample(at=round(t * RATE), percent=float(level), kind="load_percent"))
    return made
