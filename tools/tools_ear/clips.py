"""The clips that the ear is judged on: voices, rooms and recipes that the fit never drew from."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listen.synth import EVALUATION_RANGES, Made, air_hour, draw_clip, draw_room, draw_voice
from listen.synth.plan import Plan, PlannedContact, Running
from listen.synth.render import render

RATES = (48000, 44100, 16000)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clip:
    """Sound with its true contacts [s] and the time in which each becomes full [s]."""

    name: str
    samples: NDArray[np.float64]
    rate: int
    contacts: tuple[tuple[float, float], ...]
    ramps_s: tuple[float, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length [s]."""
        return self.samples.size / self.rate


def clip_of(name: str, made: Made) -> Clip:
    """A made clip in seconds."""
    rate = made.rate
    return Clip(
        name=name,
        samples=made.samples,
        rate=rate,
        contacts=tuple((c.start / rate, c.stop / rate) for c in made.truth.contacts),
        ramps_s=tuple((c.full - c.start) / rate for c in made.truth.contacts),
    )


def at_ratio(snr_db: float, *, seed: int, n_clips: int, duration_s: float = 30.0) -> Iterator[Clip]:
    """Clips whose contacts all have one signal to noise ratio; all disturbances."""
    ranges = replace(
        EVALUATION_RANGES,
        snr_db=((1.0, snr_db - 0.01, snr_db + 0.01),),
        snr_spread_db=0.001,
        air_share=0.02,
    )
    for index in range(n_clips):
        rng = np.random.default_rng([seed, index, round(snr_db * 10 + 500)])
        rate = int(rng.choice(RATES))
        yield clip_of(f"{snr_db:g} dB", draw_clip(rng, ranges=ranges, rate=rate, duration_s=duration_s))


def air(*, seed: int, hours: float) -> Iterator[Clip]:
    """Hours of air with knocks, talk, coolant and spindle starts at the stated rates."""
    done_s, index = 0.0, 0
    while done_s < 3600.0 * hours - 1.0:
        rng = np.random.default_rng([seed, index, 77])
        rate = int(rng.choice(RATES))
        part = min(0.25, hours)
        for made in air_hour(rng, ranges=EVALUATION_RANGES, rate=rate, hours=part, piece_s=300.0):
            done_s += made.samples.size / rate
            yield clip_of("air", made)
        index += 1


def closed_loop(*, seed: int) -> Iterator[Clip]:
    """The cases in which a baseline that learns from its own decisions fails."""
    cases = {
        "coolant on in air": ((), (15.0,), 40.0, None),
        "run-up just before a cut": (((9.0, 14.0),), (), 24.0, 5.5),
        "a steady cut of 60 s": (((5.0, 65.0),), (), 80.0, None),
        "a steady cut of 120 s": (((5.0, 125.0),), (), 140.0, None),
        "ten minutes of air": ((), (), 600.0, None),
        "contact in the first second": (((0.3, 6.0), (9.0, 14.0)), (), 24.0, None),
    }
    for number, (name, (spans, coolant, duration_s, run_up)) in enumerate(cases.items()):
        rng = np.random.default_rng([seed, number, 5])
        voice = draw_voice(rng, EVALUATION_RANGES, 44100, n_tools=1)
        room = draw_room(rng, EVALUATION_RANGES, 44100)
        plan = _plan(rng, voice.tools[0].rpm, spans, coolant, duration_s, run_up, voice.run_up_s)
        yield clip_of(name, render(rng, plan, voice, room, 44100))


def _plan(
    rng: np.random.Generator,
    rpm: float,
    spans: tuple[tuple[float, float], ...],
    coolant: tuple[float, ...],
    duration_s: float,
    run_up: float | None,
    run_up_s: float,
) -> Plan:
    contacts = tuple(
        PlannedContact(start_s=a, full_s=a + 0.1, leaving_s=b - 0.1, stop_s=b, snr_db=8.0, tool=0)
        for a, b in spans
    )
    times, speeds = np.array([0.0, duration_s]), np.array([rpm, rpm])
    if run_up is not None:
        times = np.array([0.0, run_up, run_up + run_up_s, duration_s])
        speeds = np.array([0.0, 0.0, rpm, rpm])
    return Plan(
        duration_s=duration_s,
        contacts=contacts,
        tools=((0.0, duration_s, 0),),
        spindle_s=times,
        spindle_rpm=speeds,
        moves=(),
        running=tuple(
            Running(
                kind="coolant", start_s=at, stop_s=duration_s, ramp_s=0.3, level_db=float(rng.uniform(3, 9))
            )
            for at in coolant
        ),
        bumps=(),
        program_at_s=np.zeros(0),
        program_s=np.zeros(0),
    )
