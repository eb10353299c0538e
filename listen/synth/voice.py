"""How one machine with its tools sounds: spindle, drives, and the way from the cut to the ear."""

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import butter, sosfilt

from listen.synth.force import Cut
from listen.synth.ranges import Ranges
from listen.synth.sound import (
    Sound,
    Values,
    colour,
    convolve,
    draw_from,
    draw_log,
    echo_response,
    gain_of,
    mode_response,
    noise,
    response_of,
    table_of,
    turn,
    upsample,
    wander_db,
)

Shape = tuple[Values, Values]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToolVoice:
    """One tool in this machine: its cut, its responses, its habits.

    Attributes
    ----------
    cut : Cut
    rpm : float
    drive_response, noise_response : ndarray, shape (n_taps,)
        From force and from chip forming to the microphone.
    noise_db : float
        Chip-forming noise over the tonal force, at the microphone [dB].
    unevenness : float
        Spread of the force from tooth to tooth, ratio.
    swell_db : float
        Slow swelling of the cut [dB].
    chip_hits_per_s : float
        Chips that strike the enclosure.
    chatter_share : float
        Share of its contacts that chatter.
    """

    cut: Cut
    rpm: float
    drive_response: Sound
    noise_response: Sound
    noise_db: float
    unevenness: float
    swell_db: float
    chip_hits_per_s: float
    chip_hit_response: Sound
    chatter_share: float
    chatter_hz: float
    squeal_db: float  # at entry and exit, over the clean force; -100 for none
    rustle_db: float  # of the chip noise by itself
    rustle_per_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Voice:
    """The machine, and its tools."""

    tools: tuple[ToolVoice, ...]
    spindle_orders: tuple[float, ...]
    spindle_levels_db: tuple[float, ...]
    spindle_db: float  # over the floor
    spindle_response: Sound
    windage: Shape
    windage_db: float
    carriers_hz: tuple[float, ...]
    carrier_db: float
    drive_orders_hz: tuple[float, ...]  # tone at full rapid speed
    drive_noise: Shape
    drive_db: float
    run_up_s: float
    run_up_db: float  # by how much the spindle is louder while its speed changes
    speed_dip: float  # ratio by which a cut slows it down
    spindle_seed: int = field(default=0)


def draw_cut(rng: np.random.Generator, ranges: Ranges, rpm: float, way: str | None = None) -> Cut:
    """A random way of cutting."""
    way = way or str(rng.choice(ranges.ways, p=_shares(ranges.ways)))
    drills = way in ("drill", "plunge")
    flutes = int(rng.choice([2, 2, 2, 3] if drills else ranges.flutes))
    size = float(rng.choice([0.0, 0.1, 0.3, 0.7], p=[0.1, 0.3, 0.4, 0.2]))
    return Cut(
        way=way,
        diameter_mm=_diameter(rng, ranges, rpm, way),
        flutes=flutes,
        radial_ratio=1.0 if way == "slot" or drills else draw_from(rng, ranges.radial_ratio),
        climb=bool(rng.random() < 0.5),
        feed_per_tooth_mm=draw_from(rng, ranges.feed_per_tooth_mm),
        exponent=float(rng.uniform(0.18, 0.3)),
        runout=tuple(float(v) for v in rng.uniform(-size, size, flutes)),
        helix_lag=float(rng.uniform(0.005, 0.15)),
        edge_share=float(rng.uniform(0.02, 0.6)),
        sense=float(rng.uniform(0.0, 2.0 * np.pi)),
        arc_in=bool(way == "side" and rng.random() < 0.3),
    )


def _shares(ways: tuple[str, ...]) -> list[float]:
    weights = {"side": 0.42, "slot": 0.18, "face": 0.16, "drill": 0.14, "plunge": 0.10}
    total = sum(weights[way] for way in ways)
    return [weights[way] / total for way in ways]


def _diameter(rng: np.random.Generator, ranges: Ranges, rpm: float, way: str) -> float:
    """A diameter whose cutting speed is one that people use (8 to 1200 m/min) where the ranges allow it."""
    diameter = draw_from(rng, ranges.diameter_mm)
    for _ in range(20):
        if 8.0 <= np.pi * diameter * rpm / 1000.0 <= 1200.0 and (way != "face" or diameter > 12.0):
            break
        diameter = draw_from(rng, ranges.diameter_mm)
    return diameter


def draw_tool(rng: np.random.Generator, ranges: Ranges, rate: int, room_decay_s: float) -> ToolVoice:
    """A random tool, from its own modes to the echo of the enclosure."""
    rpm = draw_from(rng, ranges.rpm)
    cut = draw_cut(rng, ranges, rpm)
    low, high = ranges.damping[int(rng.integers(len(ranges.damping)))]
    modes = mode_response(
        rng,
        rate=rate,
        n_modes=int(rng.integers(8, 30)),
        span_hz=(draw_log(rng, (80.0, 500.0)), draw_log(rng, (4000.0, 15000.0))),
        damping=(low, high),
        tilt_db_per_octave=float(rng.uniform(-7.5, 1.5)),
        direct=draw_log(rng, (0.02, 0.6)),
    )
    modes = without_rumble(modes, corner_hz=draw_log(rng, (70.0, 300.0)), rate=rate)
    wet = draw_log(rng, (0.15, 1.5))
    echo = echo_response(rng, rate=rate, decay_s=room_decay_s, wet=wet, low_hz=80.0)
    shape = colour(rng, tilt_db_per_octave=float(rng.uniform(-5.0, 3.0)), spread_db=6.0)
    return ToolVoice(
        cut=cut,
        rpm=rpm,
        drive_response=convolve(modes, echo),
        noise_response=convolve(response_of(*shape, rate=rate, n_taps=1024)[400:], echo),
        noise_db=float(rng.normal(-5.0, 8.0)),
        unevenness=draw_log(rng, (0.03, 0.4)),
        swell_db=float(rng.uniform(0.3, 2.5)),
        chip_hits_per_s=draw_log(rng, (0.5, 150.0)) if rng.random() < 0.5 else 0.0,
        chip_hit_response=chip_response(rng, rate),
        chatter_share=float(rng.choice([0.0, 0.2, 0.9], p=[0.75, 0.15, 0.1])),
        chatter_hz=draw_log(rng, (300.0, min(5000.0, 0.35 * rate))),
        squeal_db=float(rng.uniform(-6.0, 9.0)) if rng.random() < 0.2 else -100.0,
        rustle_db=float(rng.uniform(0.2, 4.0)),
        rustle_per_s=draw_log(rng, (1.0, 20.0)),
    )


def without_rumble(response: Sound, *, corner_hz: float, rate: int) -> Sound:
    """The response less what no panel radiates: a steady force makes no sound, a slow one little.

    Second-order fall below the corner, shape (n_taps + rate // 50,).
    """
    sos = butter(2, corner_hz, "highpass", fs=rate, output="sos")
    return np.asarray(sosfilt(sos, np.pad(response, (0, rate // 50))), np.float32)


def chip_response(rng: np.random.Generator, rate: int) -> Sound:
    """A chip striking sheet metal."""
    return mode_response(
        rng,
        rate=rate,
        n_modes=8,
        span_hz=(1200.0, 14000.0),
        damping=(0.005, 0.05),
        tilt_db_per_octave=0.0,
        direct=0.3,
    )


def draw_voice(rng: np.random.Generator, ranges: Ranges, rate: int, *, n_tools: int) -> Voice:
    """A random machine with `n_tools` tools."""
    rng = np.random.default_rng([ranges.seed_word, int(rng.integers(2**31))])
    room_decay_s = draw_from(rng, ranges.room_decay_s)
    n_orders = int(rng.integers(2, 6))
    orders = (1.0, *(float(v) for v in rng.uniform(0.3, 12.0, n_orders - 1)))
    body = mode_response(
        rng,
        rate=rate,
        n_modes=int(rng.integers(10, 30)),
        span_hz=(60.0, 9000.0),
        damping=(0.005, 0.06),
        tilt_db_per_octave=float(rng.uniform(-9.0, -1.0)),
        direct=draw_log(rng, (0.1, 1.0)),
    )
    echo = echo_response(rng, rate=rate, decay_s=room_decay_s, wet=0.5, low_hz=60.0)
    n_carriers = int(rng.choice([0, 1, 2, 4], p=[0.35, 0.3, 0.2, 0.15]))
    return Voice(
        tools=tuple(draw_tool(rng, ranges, rate, room_decay_s) for _ in range(n_tools)),
        spindle_orders=orders,
        spindle_levels_db=tuple(float(v) for v in rng.normal(0.0, 7.0, n_orders)),
        spindle_db=float(rng.uniform(-14.0, 12.0)),
        spindle_response=convolve(body, echo),
        windage=colour(rng, tilt_db_per_octave=float(rng.uniform(-5.0, 1.0)), spread_db=5.0),
        windage_db=float(rng.uniform(-15.0, 6.0)),
        carriers_hz=tuple(float(v) for v in np.exp(rng.uniform(np.log(900.0), np.log(15000.0), n_carriers))),
        carrier_db=float(rng.uniform(-25.0, 0.0)),
        drive_orders_hz=tuple(float(v) for v in np.exp(rng.uniform(np.log(120), np.log(6000), 4))),
        drive_noise=colour(rng, tilt_db_per_octave=float(rng.uniform(-6.0, 0.0)), spread_db=6.0),
        drive_db=float(rng.uniform(-14.0, 8.0)),
        run_up_s=draw_log(rng, (0.25, 5.0)),
        run_up_db=float(rng.uniform(0.0, 14.0)),
        speed_dip=float(rng.choice([0.0, draw_log(rng, (0.0005, 0.02))])),
        spindle_seed=int(rng.integers(2**31)),
    )


def spindle_sound(rng: np.random.Generator, voice: Voice, *, rpm: Sound, turns: Values, rate: int) -> Sound:
    """Lines and windage of the spindle as it turns, shape (n_samples,); power about 1 at its full speed."""
    top = float(rpm.max(initial=0.0))
    if top < 1.0:
        return np.zeros(rpm.size, np.float32)
    drawn = np.random.default_rng(voice.spindle_seed)
    lines = np.zeros(rpm.size, np.float32)
    for order, level in zip(voice.spindle_orders, voice.spindle_levels_db, strict=True):
        n_harmonics = max(1, min(40, int(0.45 * rate / (order * top / 60.0))))
        falls = np.arange(1, n_harmonics + 1) ** -drawn.uniform(0.3, 1.5)
        sizes = falls * 10.0 ** (drawn.normal(0.0, 5.0, n_harmonics) / 20.0)
        table = table_of(drawn, sizes / np.sqrt(np.square(sizes).sum()))
        lines += np.float32(gain_of(level)) * turn(table, turns * order)
    lines *= wander_db(rng, n_samples=rpm.size, rate=rate, per_s=1.5, spread_db=0.7)
    lines = convolve(lines, voice.spindle_response)[: rpm.size]
    breeze = noise(rng, voice.windage, n_samples=rpm.size, rate=rate)
    speed = rpm / np.float32(top)
    loud = speed * np.sqrt(speed)
    hop = max(1, rate // 50)
    changing = np.abs(np.diff(rpm[::hop], append=rpm[-1])) > 0.005 * top
    loud *= upsample(np.where(changing, gain_of(voice.run_up_db), 1.0), hop, rpm.size)
    whistling = _carriers(drawn, voice, rpm=rpm, turns=turns, rate=rate)
    return np.asarray((lines + np.float32(gain_of(voice.windage_db)) * breeze) * loud + whistling)


def _carriers(rng: np.random.Generator, voice: Voice, *, rpm: Sound, turns: Values, rate: int) -> Sound:
    """Whistling of the motor's supply: fixed lines with sidebands that follow the speed."""
    made = np.zeros(rpm.size, np.float32)
    time = np.arange(rpm.size) / rate
    for hz in voice.carriers_hz:
        if hz > 0.45 * rate:
            continue
        side = float(rng.choice([0.0, 2.0, 4.0, 6.0])) * (1 if rng.random() < 0.5 else -1)
        tone = np.sin(2.0 * np.pi * ((time * hz + turns * side) % 1.0).astype(np.float32))
        made += np.float32(gain_of(voice.carrier_db + float(rng.normal(0.0, 4.0)))) * tone
    return made * (rpm > 1.0)


def drive_sound(rng: np.random.Generator, voice: Voice, *, n_samples: int, share: float, rate: int) -> Sound:
    """One axis move at `share` of the rapid speed: tones that rise and fall with it, and its roll noise."""
    ramp_s = min(0.15, 0.4 * n_samples / rate)
    time = np.arange(n_samples) / rate
    speed = share * np.clip(np.minimum(time, time[-1] - time) / ramp_s, 0.0, 1.0) if n_samples else time
    place = np.cumsum(speed) / rate
    tones = np.zeros(n_samples, np.float32)
    for hz in voice.drive_orders_hz:
        if hz * share < 0.45 * rate:
            tones += np.float32(rng.uniform(0.1, 1.0)) * np.sin(
                2.0 * np.pi * ((place * hz) % 1.0).astype(np.float32)
            )
    roll = noise(rng, voice.drive_noise, n_samples=n_samples, rate=rate, n_taps=512)
    loud = (speed / max(share, 1e-9) * min(1.0, 0.15 + share)).astype(np.float32)
    return (tones * np.float32(rng.uniform(0.0, 0.8)) + roll) * loud
