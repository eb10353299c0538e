"""All that sounds in the room without the cut: floor, coolant, air, neighbours, and the microphone."""

from dataclasses import dataclass

import numpy as np

from listen.synth.microphone import Microphone, draw_microphone
from listen.synth.ranges import Ranges
from listen.synth.sound import (
    Sound,
    Values,
    colour,
    convolve,
    draw_log,
    echo_response,
    envelope,
    mode_response,
    noise,
    table_of,
    turn,
    upsample,
    wander_db,
    white,
)
from listen.synth.talk import Speaker

Shape = tuple[Values, Values]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """One place with one microphone.

    Attributes
    ----------
    floor : (hz, db)
        Colour of fans, pumps and ventilation.
    floor_wander_db, floor_drift_db : float
        Within a second, and over ten seconds.
    hum_hz, hum_db : float
        Mains hum and its level over the reference air.
    beat_hz, beat_depth : float
        Slow beat of a fan or pump in the floor noise.
    coolant, blast, neighbour : (hz, db)
        Colours of what may be switched on.
    outside_response : ndarray, shape (n_taps,)
        From a speaker or a neighbour to the microphone.
    speakers : tuple of Speaker
    microphone : Microphone
    recipes : Ranges
        Which kinds of talk, coolant and bumps there are.
    """

    floor: Shape
    floor_wander_db: float
    floor_drift_db: float
    hum_hz: float
    hum_db: float
    beat_hz: float
    beat_depth: float
    lines_hz: tuple[float, ...]
    lines_db: float
    coolant: Shape
    coolant_recipe: str
    blast: Shape
    neighbour: Shape
    outside_response: Sound
    speakers: tuple[Speaker, ...]
    talk_recipe: str
    microphone: Microphone
    recipes: Ranges


def draw_room(rng: np.random.Generator, ranges: Ranges, rate: int) -> Room:
    """A random room with its microphone."""
    rng = np.random.default_rng([ranges.seed_word, 7, int(rng.integers(2**31))])
    n_lines = int(rng.integers(0, 7))
    return Room(
        floor=colour(rng, tilt_db_per_octave=float(rng.uniform(-7.0, -1.0)), spread_db=6.0),
        floor_wander_db=float(rng.uniform(0.1, 1.2)),
        floor_drift_db=float(rng.uniform(0.0, 1.5)),
        hum_hz=float(rng.choice([50.0, 60.0])) * float(rng.uniform(0.998, 1.002)),
        hum_db=float(rng.uniform(-40.0, 2.0)),
        beat_hz=draw_log(rng, (0.5, 90.0)),
        beat_depth=float(rng.choice([0.0, rng.uniform(0.05, 0.5)])),
        lines_hz=tuple(float(v) for v in np.exp(rng.uniform(np.log(100.0), np.log(9000.0), n_lines))),
        lines_db=float(rng.uniform(-30.0, -6.0)),
        coolant=colour(rng, tilt_db_per_octave=float(rng.uniform(-3.0, 4.0)), spread_db=5.0),
        coolant_recipe=str(rng.choice(ranges.coolant)),
        blast=colour(rng, tilt_db_per_octave=float(rng.uniform(0.0, 5.0)), spread_db=5.0),
        neighbour=colour(rng, tilt_db_per_octave=float(rng.uniform(-9.0, -3.0)), spread_db=7.0),
        outside_response=echo_response(
            rng,
            rate=rate,
            decay_s=draw_log(rng, (0.2, 1.2)),
            wet=draw_log(rng, (0.1, 1.2)),
            low_hz=80.0,
        ),
        speakers=tuple(Speaker(rng, rate) for _ in range(2)),
        talk_recipe=str(rng.choice(ranges.talk)),
        microphone=draw_microphone(rng, ranges, rate),
        recipes=ranges,
    )


def floor_sound(rng: np.random.Generator, room: Room, *, n_samples: int, rate: int) -> Sound:
    """The room with the machine's fans and pumps, power 1 in the band, shape (n_samples,)."""
    made = noise(rng, room.floor, n_samples=n_samples, rate=rate)
    made *= wander_db(rng, n_samples=n_samples, rate=rate, per_s=0.7, spread_db=room.floor_wander_db)
    made *= wander_db(rng, n_samples=n_samples, rate=rate, per_s=0.08, spread_db=room.floor_drift_db)
    time = np.arange(n_samples) / rate
    if room.beat_depth > 0.0:
        beat = np.sin(2.0 * np.pi * ((time * room.beat_hz) % 1.0).astype(np.float32))
        made *= np.float32(1.0) + np.float32(room.beat_depth) * beat
    hum = table_of(rng, np.arange(1.0, 14.0) ** -1.0 * rng.uniform(0.1, 1.0, 13))
    made += np.float32(10.0 ** (room.hum_db / 20.0)) * turn(hum, time * room.hum_hz)
    for hz in room.lines_hz:
        if hz < 0.45 * rate:
            tone = np.sin(2.0 * np.pi * ((time * hz) % 1.0).astype(np.float32))
            made += np.float32(10.0 ** ((room.lines_db + rng.normal(0.0, 4.0)) / 20.0)) * tone
    return made


def coolant_sound(rng: np.random.Generator, room: Room, *, n_samples: int, rate: int) -> Sound:
    """Coolant while it runs, power 1 in the band, shape (n_samples,)."""
    made = noise(rng, room.coolant, n_samples=n_samples, rate=rate)
    recipe = room.coolant_recipe
    if recipe == "flood":  # bubbles and splashes
        made *= wander_db(rng, n_samples=n_samples, rate=rate, per_s=25.0, spread_db=rng.uniform(0.3, 2.5))
        made *= wander_db(rng, n_samples=n_samples, rate=rate, per_s=1.0, spread_db=rng.uniform(0.2, 1.5))
    elif recipe == "mist":  # a nozzle that pulses
        time = np.arange(n_samples) / rate
        pulse = np.sin(2.0 * np.pi * time * draw_log(rng, (2.0, 40.0))).astype(np.float32)
        made *= np.float32(1.0) + np.float32(rng.uniform(0.0, 0.5)) * pulse
    elif recipe == "splash":  # a stream with gulps that strike the enclosure or the microphone
        per_s = draw_log(rng, (2.0, 80.0))
        gulps = _drops(rng, n_samples=n_samples, rate=rate, per_s=per_s, span_hz=(70.0, 1500.0))
        made = np.float32(0.8) * made + np.float32(rng.uniform(0.2, 0.8)) * gulps
    elif recipe == "foam":  # noise whose loudness is itself a rough noise: bursting bubbles
        made *= _roughness(rng, n_samples=n_samples, rate=rate)
    elif recipe == "gargle":  # low and high parts swell each by themselves
        low = noise(rng, room.neighbour, n_samples=n_samples, rate=rate)
        for part in (low, made):
            part *= wander_db(
                rng, n_samples=n_samples, rate=rate, per_s=draw_log(rng, (0.5, 12.0)), spread_db=2.5
            )
        made = np.float32(0.8) * made + np.float32(rng.uniform(0.2, 0.8)) * low
    elif recipe == "patter":  # single drops on sheet metal
        made = np.float32(0.5) * made + np.float32(0.9) * _drops(
            rng,
            n_samples=n_samples,
            rate=rate,
            per_s=draw_log(rng, (200.0, 3000.0)),
            span_hz=(500.0, 9000.0),
        )
    elif recipe == "jet":  # a whistling nozzle with pump strokes
        time = np.arange(n_samples) / rate
        strokes = np.abs(np.sin(np.pi * time * draw_log(rng, (8.0, 60.0)))).astype(np.float32)
        made *= np.float32(0.8) + np.float32(0.4) * strokes
    return made


def _roughness(rng: np.random.Generator, *, n_samples: int, rate: int) -> Sound:
    """Loudness with rare high tops within milliseconds, power 1, shape (n_samples,)."""
    step = max(1, int(rate / draw_log(rng, (100.0, 2000.0))))
    tops = rng.standard_normal(n_samples // step + 2) ** 2 * rng.uniform(0.2, 1.5) + 0.3
    loud = upsample(tops, step, n_samples)
    return np.asarray(loud / np.float32(np.sqrt(np.mean(np.square(loud)))), np.float32)


def _drops(
    rng: np.random.Generator, *, n_samples: int, rate: int, per_s: float, span_hz: tuple[float, float]
) -> Sound:
    """Single blows at random times on something that rings shortly, power 1, shape (n_samples,)."""
    hits = (rng.random(n_samples, dtype=np.float32) < per_s / rate).astype(np.float32)
    hits *= white(rng, n_samples)
    taps = mode_response(
        rng,
        rate=rate,
        n_modes=6,
        span_hz=span_hz,
        damping=(0.03, 0.12),
        tilt_db_per_octave=0.0,
        direct=0.5,
    )
    made = convolve(hits, taps)[:n_samples]
    return made / np.float32(np.sqrt(np.mean(np.square(made))) + 1e-9)


def blast_sound(rng: np.random.Generator, room: Room, *, n_samples: int, rate: int) -> Sound:
    """Compressed air, power 1 in the band, shape (n_samples,)."""
    return noise(rng, room.blast, n_samples=n_samples, rate=rate)


def compressor_sound(rng: np.random.Generator, room: Room, *, n_samples: int, rate: int) -> Sound:
    """A piston compressor behind the wall, power about 1, shape (n_samples,)."""
    time = np.arange(n_samples) / rate
    turns = time * rng.uniform(9.0, 30.0)
    knock = table_of(rng, np.arange(1.0, 60.0) ** -0.7 * rng.uniform(0.2, 1.0, 59))
    made = turn(knock, turns) * np.float32(rng.uniform(0.3, 1.5))
    strokes = np.float32(1.0) + np.float32(0.7) * np.sin(2.0 * np.pi * (turns % 1.0).astype(np.float32))
    made += noise(rng, room.neighbour, n_samples=n_samples, rate=rate) * strokes
    return convolve(made, room.outside_response)[:n_samples]


def neighbour_sound(rng: np.random.Generator, room: Room, *, n_samples: int, rate: int) -> Sound:
    """Another machine at work, dull and far away, power about 1, shape (n_samples,)."""
    time = np.arange(n_samples) / rate
    turns = time * draw_log(rng, (10.0, 300.0))
    lines = turn(table_of(rng, np.arange(1.0, 20.0) ** -0.8 * rng.uniform(0.1, 1.0, 19)), turns)
    made = lines * np.float32(rng.uniform(0.2, 1.2))
    made += noise(rng, room.neighbour, n_samples=n_samples, rate=rate)
    times = np.cumsum(np.exp(rng.uniform(np.log(0.3), np.log(10.0), int(n_samples / rate) + 4)))
    loud = np.repeat(rng.uniform(0.1, 1.0, times.size // 2 + 1), 2)[: times.size]
    made *= envelope(times - times[0], loud, n_samples=n_samples, rate=rate)
    return convolve(made, room.outside_response)[:n_samples]


def radio_sound(rng: np.random.Generator, room: Room, *, n_samples: int, rate: int) -> Sound:
    """Music from somewhere: chords, a melody, a beat; power about 1, shape (n_samples,)."""
    beat = rng.uniform(0.25, 0.7)
    n_beats = int(n_samples / rate / beat) + 2
    made = np.zeros(n_samples, np.float32)
    time = np.arange(n_samples) / rate
    for octave in (0.5, 1.0, 1.25, 1.5, 2.0):
        steps = np.repeat(rng.choice([0, 2, 3, 5, 7, 10], n_beats), 2)
        edges = np.repeat(np.arange(n_beats) * beat, 2)[1:]
        hz = 220.0 * octave * 2.0 ** (steps[:-1] / 12.0)
        turns = np.cumsum(envelope(edges, hz, n_samples=n_samples, rate=rate), dtype=np.float64) / rate
        note = table_of(rng, np.arange(1.0, 12.0) ** -rng.uniform(0.8, 2.0))
        made += turn(note, turns) * np.exp(-rng.uniform(0.2, 3.0) * (time % beat) / beat).astype(np.float32)
    drum = np.exp(-25.0 * (time % beat)).astype(np.float32) * np.float32(rng.uniform(0.0, 2.0))
    return convolve(made + white(rng, n_samples) * drum, room.outside_response)[:n_samples]


def chirp_sound(rng: np.random.Generator, *, n_samples: int, rate: int) -> Sound:
    """A machine's part that speeds up or slows down: a few tones sliding together, shape (n_samples,)."""
    start, stop = draw_log(rng, (150.0, 3000.0)), draw_log(rng, (150.0, 3000.0))
    bend = rng.uniform(0.4, 2.0)
    sweep = np.cumsum(start + (stop - start) * np.linspace(0.0, 1.0, n_samples) ** bend) / rate
    made = np.zeros(n_samples, np.float32)
    for order in (1.0, *rng.uniform(0.4, 4.0, 3)):
        if order * max(start, stop) < 0.45 * rate:
            tone = np.sin(2.0 * np.pi * ((sweep * order) % 1.0).astype(np.float32))
            made += np.float32(rng.uniform(0.1, 1.0)) * tone
    arc = np.sin(np.linspace(0.0, np.pi, n_samples)).astype(np.float32) ** np.float32(rng.uniform(0.3, 1.0))
    return made * arc
