"""Made sound for lessons: small invented programs on invented machines, each from its seed.

Conventions
-----------
Times are seconds of the clip. Everything is made; nothing was recorded.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.contact import Contact
from listen.spans import SpanKind, Spans
from listen.synth import EVALUATION_RANGES, Fault, Made, Running, Script, draw_room, draw_voice, synthesise
from listen.timeline import Timeline

RATE = 24000
PEAK = 0.6
RPM, FLUTES, FEED = 3000.0, 3, 900.0
SEED_WORD = 31


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """One clip.

    Attributes
    ----------
    seed : int
        Of machine and room; the same seed is the same machine.
    stretches : tuple of (start_s, stop_s)
        The contacts, in order.
    duration_s : float
    ramp_s : float
        How long entry and exit last.
    snr_db : float
    climb : bool
    width_mm : float
    feed_override : float
        [percent]; the stretches are those at 100 %, and become longer below.
    coolant_db : float | None
    faults : tuple of Fault
    """

    seed: int
    stretches: tuple[tuple[float, float], ...]
    duration_s: float
    ramp_s: float = 0.08
    snr_db: float = 26.0
    climb: bool = True
    width_mm: float = 3.0
    feed_override: float = 100.0
    coolant_db: float | None = None
    faults: tuple[Fault, ...] = ()


def make_clip(recipe: Recipe) -> Made:
    """The sound of a recipe, its loudest sample at `PEAK`."""
    rng = np.random.default_rng([SEED_WORD, recipe.seed])
    voice = draw_voice(rng, EVALUATION_RANGES, RATE, n_tools=1)
    voice = dataclasses.replace(voice, spindle_db=-6.0, drive_db=-20.0, carriers_hz=())
    room = draw_room(rng, EVALUATION_RANGES, RATE)
    clean = dataclasses.replace(room.microphone, ratio=0.0, codec="", dropouts_per_s=0.0, level_db=-38.0)
    room = dataclasses.replace(room, microphone=clean, floor_drift_db=0.0)
    coolant = Running(kind="coolant", start_s=0.0, stop_s=1e3, ramp_s=0.1, level_db=recipe.coolant_db or 0.0)
    script = Script(
        start_delay_s=0.0,
        tail_s=0.0,
        snr_db=recipe.snr_db,
        faults=recipe.faults,
        running=(coolant,) if recipe.coolant_db is not None else (),
    )
    made = synthesise(_timeline(recipe), script=script, voice=voice, room=room, rate=RATE, rng=rng)
    loudest = float(np.max(np.abs(made.samples)))
    return dataclasses.replace(made, samples=made.samples * (PEAK / loudest))


def band_power(samples: NDArray[np.float64], rate: int) -> float:
    """Power from 300 to 8000 Hz."""
    power = np.square(np.abs(np.fft.rfft(samples)))
    frequency = np.fft.rfftfreq(samples.size, 1.0 / rate)
    kept = (frequency >= 300.0) & (frequency <= 8000.0)
    return float(2.0 * np.sum(power[kept]) / samples.size**2)


def states_of(made: Made) -> list[dict[str, object]]:
    """What is heard when, from the truth: ``{"state", "from_s", "to_s"}`` without a hole."""
    edges: list[tuple[str, int]] = [("air", 0)]
    for contact in made.truth.contacts:
        edges += [("entry", contact.start), ("steady", contact.full)]
        edges += [("exit", contact.leaving), ("air", contact.stop)]
    ends = [at for _, at in edges[1:]] + [made.truth.n_samples]
    return [
        {
            "state": state,
            "from_s": round(at / made.rate, 4),
            "to_s": round(to / made.rate, 4),
            "probability": 1,
        }
        for (state, at), to in zip(edges, ends, strict=True)
        if to > at
    ]


def contact_of(number: int, stretch: tuple[float, float], recipe: Recipe) -> Contact:
    """One contact of the invented program."""
    return Contact(
        id=number,
        tool=1,
        line=2 * number + 3,
        block=f"N{10 * (2 * number + 3)}",
        start=stretch[0],
        stop=stretch[1],
        ramp_in=recipe.ramp_s,
        ramp_out=recipe.ramp_s,
        tooth_pass_hz=FLUTES * RPM / 60.0,
        power_w=float("nan"),
        load_percent=float("nan"),
        place=(0.0, 0.0, -2.0),
        spindle_rpm=RPM,
        flutes=FLUTES,
        feed_mm_per_min=FEED,
        way="side cut",
        axial_depth_mm=4.0,
        radial_width_mm=recipe.width_mm,
        climb_share=1.0 if recipe.climb else 0.0,
    )


def _timeline(recipe: Recipe) -> Timeline:
    return Timeline(
        program="lesson (invented)",
        spans=_spans(recipe.stretches, recipe.duration_s),
        contacts=tuple(contact_of(i + 1, stretch, recipe) for i, stretch in enumerate(recipe.stretches)),
        duration=recipe.duration_s,
        feed_override=recipe.feed_override,
    )


def _spans(stretches: Sequence[tuple[float, float]], duration_s: float) -> Spans:
    """Rapids in between are left out: the whole is one feed, cut at the contacts."""
    edges = np.unique([0.0, *(edge for stretch in stretches for edge in stretch), duration_s])
    n = edges.size - 1
    x = edges * FEED / 60.0
    flat = np.zeros(n)
    return Spans(
        start_s=edges[:-1],
        stop_s=edges[1:],
        kind=np.full(n, SpanKind.FEED, np.int8),
        line=np.arange(1, n + 1, dtype=np.int32),
        tool=np.ones(n, np.int32),
        begin=np.stack([x[:-1], flat, flat], axis=1),
        end=np.stack([x[1:], flat, flat], axis=1),
        centre=np.full((n, 3), np.nan),
        sweep=flat.copy(),
        axis=np.full(n, 2, np.int8),
    )
