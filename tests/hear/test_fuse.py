"""Sound and load together: worked cases by hand, and made runs at 0 dB with load at 5 Hz."""

from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Block, LoadSample
from listen.decide import fuse_contacts
from listen.ears import Ear, LoadEar, SoundEar, shipped_model
from listen.fused_ear import FusedEar
from listen.job_file import load_job
from listen.session import plan_job
from listen.states import Event, Standing, State
from listen.synth import EVALUATION_RANGES, Script, draw_room, draw_voice, synthesise
from listen.teach.score import score_contacts

RATE = 48000
JOB = Path(__file__).parent / "eight_passes.toml"
Spans = list[tuple[float, float]]


def contact(start_s: float, stop_s: float, probability: float = 0.9) -> list[Event]:
    at = [start_s, start_s + 0.1, stop_s - 0.1, stop_s]
    states = (State.ENTRY, State.STEADY, State.EXIT, State.AIR)
    return [
        Event(state=state, at=round(t * RATE), decided_at=round(stop_s * RATE), probability=probability)
        for state, t in zip(states, at, strict=True)
    ]


def spans(events: tuple[Event, ...] | list[Event]) -> Spans:
    found, start = [], None
    for event in events:
        if event.standing == Standing.CONFIRMED and event.state == State.ENTRY:
            start = event.at
        elif event.state == State.AIR and start is not None:
            found.append((start / RATE, event.at / RATE))
            start = None
    return found


def fused(sound: list[Event], load: list[Event], *, load_s: tuple[float, float] = (0.0, 60.0)) -> Spans:
    at = [round(t * RATE) for t in np.arange(*load_s, 0.2)]
    return spans(fuse_contacts(sound, load, load_at=at, rate=RATE))


@pytest.mark.closed
def test_load_tells_whether_and_sound_tells_when() -> None:
    sound = contact(5.0, 8.0) + contact(12.0, 12.6) + contact(20.0, 23.0)
    load = contact(5.1, 8.12) + contact(15.1, 17.1) + contact(20.1, 23.15)
    assert fused(sound, load) == [(5.0, 8.0), (15.1, 17.1), (20.0, 23.0)]


@pytest.mark.closed
def test_a_light_cut_that_sound_is_sure_of_stays() -> None:
    sound = contact(5.0, 8.0) + contact(12.0, 14.0, probability=0.99)
    assert fused(sound, contact(5.1, 8.1)) == [(5.0, 8.0), (12.0, 14.0)]


@pytest.mark.closed
def test_sound_stands_alone_where_load_stops_or_contradicts_it() -> None:
    sound = contact(5.0, 8.0) + contact(30.0, 33.0)
    assert fused(sound, contact(5.1, 8.1), load_s=(0.0, 20.0)) == [(5.0, 8.0), (30.0, 33.0)]
    assert fused(sound, contact(40.0, 44.0)) == spans(sound)
    assert fused(sound, []) == spans(sound)
    assert fused([], contact(40.0, 44.0)) == [(40.0, 44.0)]


@pytest.mark.closed
def test_events_stay_in_order_and_a_contact_without_an_end_is_kept() -> None:
    sound = contact(5.0, 8.0) + contact(20.0, 23.0)[:2]
    events = fuse_contacts(sound, contact(5.1, 8.1) + contact(20.1, 23.0), load_at=[0], rate=RATE)
    assert [event.at for event in events] == sorted(event.at for event in events)
    assert spans(events)[0] == (5.0, 8.0)
    assert events[-1].state == State.AIR


@pytest.mark.closed
@pytest.mark.slow
def test_at_0_db_with_load_at_5_hz_the_second_look_is_not_worse_than_sound_alone() -> None:
    timeline = plan_job(load_job(JOB)).timeline
    scores = []
    for seed in (102, 104):
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
    assert all(both >= sound - 0.05 for sound, both, _ in scores)  # one contact more or less of sixteen


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
