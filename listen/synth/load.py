"""Spindle load of a run as a control or a clamp would log it: idle per speed, lag, spikes, noise, steps.

Conventions
-----------
Loads are in percent of rated load inside, and in the unit of the voice when handed out. Nothing
here was fitted to a measured log; the ranges are common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from listen.blocks import LoadSample
from listen.contact import Contact
from listen.errors import InputError
from listen.spans import SpanKind
from listen.synth.script import TimeMap
from listen.timeline import Timeline

STEP_S = 0.01
MOVES = ("still", "feed", "rapid")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of a run with one speed, one move and one load.

    Attributes
    ----------
    stop_s : float
        Where it ends [s]; it begins where the one before ends.
    rpm : float
    move : str
        One of `MOVES`.
    rise : float
        What cutting adds [percent of rated load]; 0 in air.
    """

    stop_s: float
    rpm: float
    move: str
    rise: float = 0.0

    def __post_init__(self) -> None:
        if self.move not in MOVES:
            raise InputError(f"a move is one of {', '.join(MOVES)}, got {self.move!r}")
        if not (self.rise >= 0.0 and self.rpm >= 0.0):
            raise InputError(f"rise and speed are 0 or more, got {self.rise} and {self.rpm}")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadVoice:
    """How one machine shows its load.

    Attributes
    ----------
    kind : str
        One of `LOAD_KINDS`.
    hz, jitter_s, delay_s : float
        Values a second, spread of their times, and how late each is stamped.
    lag_s : float
        Time constant of drive and filter.
    idle, idle_per_1000_rpm : float
        What turning in air takes [percent].
    warm_share, warm_s : float
        By how much of itself the idle falls as the bearings get warm, and how fast.
    wander_share, wander_s : float
        By how much of itself the idle goes up and down besides, and in what time.
    feed_rise, rapid_rise : float
        What feeding and rapid moves in air add [percent]: the drives share a supply.
    spike : float
        Load while the spindle runs up [percent]; it has the other sign while it brakes.
    noise, noise_of_cut : float
        Standard deviation of a value [percent], and more of it as a share of the rise.
    unrest, unrest_s : float
        Standard deviation of slow ups and downs [percent], and how long each lasts.
    step : float
        Least step of the value shown [unit], 0 for none.
    scale : float
        Unit for each percent, negative where the signal falls as the load rises.
    magnetising : float
        Current of the field, at right angles to that of the load [percent]; 0 where power is shown.
    offset : float
        What is shown of no load at all [unit], as a sensor's zero that is not set.
    held : bool
        Whether each value is the mean of its stretch, as logs of one row a block give it.
    mean_s : float
        Over how long the control takes the mean it shows [s], 0 for none.
    fresh_hz : float
        How often the control has a new value, where that is less often than it is logged; 0 for each time.
    lost_share : float
        Share of values that are far off, one alone: a spike, a drop to nothing.
    run_up_rpm_per_s : float
        How fast the spindle changes its speed.
    """

    kind: str = "load_percent"
    hz: float = 5.0
    jitter_s: float = 0.02
    delay_s: float = 0.0
    lag_s: float = 0.15
    idle: float = 1.0
    idle_per_1000_rpm: float = 0.5
    warm_share: float = 0.0
    warm_s: float = 300.0
    wander_share: float = 0.0
    wander_s: float = 900.0
    feed_rise: float = 0.0
    rapid_rise: float = 0.0
    spike: float = 60.0
    noise: float = 0.1
    noise_of_cut: float = 0.05
    unrest: float = 0.0
    unrest_s: float = 2.0
    step: float = 0.0
    scale: float = 1.0
    magnetising: float = 0.0
    offset: float = 0.0
    held: bool = False
    mean_s: float = 0.0
    fresh_hz: float = 0.0
    lost_share: float = 0.0
    run_up_rpm_per_s: float = 6000.0


def make_load(
    rng: np.random.Generator, stretches: Sequence[Stretch], voice: LoadVoice, *, rate: int
) -> tuple[LoadSample, ...]:
    """The load log of a run.

    Parameters
    ----------
    rng : Generator
    stretches : sequence of Stretch
        From 0 s on, without holes.
    voice : LoadVoice
    rate : int
        Audio sample rate [Hz], which `at` counts in.
    """
    grid = np.arange(0.0, stretches[-1].stop_s, STEP_S)
    index = np.searchsorted([one.stop_s for one in stretches], grid, side="right")
    rise = np.array([one.rise for one in stretches])[index]
    percent = _idle(stretches, voice, grid, index) + rise
    percent = _mean_of(_lagged(percent, voice.lag_s), voice.mean_s)
    if voice.unrest > 0.0:
        percent += _unrest(rng, voice, percent.size) * (percent > 0.0)
    shown = np.hypot(voice.magnetising, percent) if voice.magnetising else percent
    if voice.held:  # the means of whole percents
        whole = np.round(np.abs(shown + 0.2 * rng.standard_normal(shown.size)))
        shown = (np.bincount(index, whole) / np.maximum(np.bincount(index), 1))[index]
    at = _times(rng, voice, float(grid[-1]))
    values = np.interp(at - voice.delay_s, grid, shown)
    spread = np.hypot(voice.noise, voice.noise_of_cut * np.interp(at - voice.delay_s, grid, rise))
    values = _shown(rng, voice, at, voice.scale * (values + spread * rng.standard_normal(at.size)))
    if voice.kind == "load_percent":
        values = np.abs(values)
    if voice.step > 0.0:
        values = voice.step * np.round(values / voice.step)
    return tuple(
        LoadSample(at=round(t * rate), percent=float(value), kind=voice.kind)
        for t, value in zip(at, values, strict=True)
    )


def _shown(
    rng: np.random.Generator, voice: LoadVoice, at: NDArray[np.float64], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What a control shows of its values: with its offset, for a while each, some of them wrong."""
    shown = values + voice.offset
    if voice.fresh_hz > 0.0:
        shown = shown[np.searchsorted(at, np.floor(at * voice.fresh_hz) / voice.fresh_hz)]
    if voice.lost_share > 0.0:
        lost = rng.random(at.size) < voice.lost_share
        shown[lost] *= rng.choice([0.0, 2.0, 4.0, 8.0], lost.sum())
    return shown


def _times(rng: np.random.Generator, voice: LoadVoice, end_s: float) -> NDArray[np.float64]:
    even = np.arange(0.0, end_s, 1.0 / voice.hz)
    at: NDArray[np.float64] = np.sort(np.clip(even + rng.normal(0.0, voice.jitter_s, even.size), 0.0, end_s))
    return at


def _idle(
    stretches: Sequence[Stretch], voice: LoadVoice, grid: NDArray[np.float64], index: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Load without cutting: by speed, warmth and move, with the spikes of each change of speed."""
    wanted = np.array([one.rpm for one in stretches])[index]
    speed = _run_up(wanted, voice.run_up_rpm_per_s)
    warm = 1.0 - voice.warm_share * (1.0 - np.exp(-grid / voice.warm_s))
    warm += voice.wander_share * np.sin(2.0 * np.pi * grid / voice.wander_s)
    idle = (voice.idle + voice.idle_per_1000_rpm * speed / 1000.0) * warm * (speed > 0.0)
    adds = {"still": 0.0, "feed": voice.feed_rise, "rapid": voice.rapid_rise}
    idle += np.array([adds[one.move] for one in stretches])[index]
    turning = np.diff(speed, prepend=0.0)
    greatest = float(np.abs(turning).max()) or 1.0
    spiked: NDArray[np.float64] = idle + voice.spike * turning / greatest
    return spiked


def _run_up(wanted: NDArray[np.float64], rpm_per_s: float) -> NDArray[np.float64]:
    """Speed that follows what is commanded as fast as a drive can; the spindle stands at first."""
    speed = np.empty_like(wanted)
    changes = np.flatnonzero(np.diff(wanted)) + 1
    now, step = 0.0, rpm_per_s * STEP_S
    for start, stop in pairwise([0, *changes.tolist(), wanted.size]):
        target = wanted[start]
        way = step * np.arange(1, stop - start + 1)
        speed[start:stop] = np.minimum(now + way, target) if target > now else np.maximum(now - way, target)
        now = float(speed[stop - 1])
    return speed


def _lagged(load: NDArray[np.float64], lag_s: float) -> NDArray[np.float64]:
    if lag_s <= 0.0:
        return load
    keep = float(np.exp(-STEP_S / lag_s))
    lagged: NDArray[np.float64] = lfilter([1.0 - keep], [1.0, -keep], load)
    return lagged


def _mean_of(load: NDArray[np.float64], mean_s: float) -> NDArray[np.float64]:
    """Mean of the time before each value."""
    size = round(mean_s / STEP_S)
    if size <= 1:
        return load
    total = np.cumsum(np.concatenate([np.full(size, load[0]), load]))
    means: NDArray[np.float64] = (total[size:] - total[:-size]) / size
    return means


def _unrest(rng: np.random.Generator, voice: LoadVoice, size: int) -> NDArray[np.float64]:
    slow = _lagged(rng.standard_normal(size), voice.unrest_s)
    scaled: NDArray[np.float64] = voice.unrest * slow * (2.0 * voice.unrest_s / STEP_S) ** 0.5
    return scaled


def load_of_program(
    timeline: Timeline, time_map: TimeMap, *, missing: Sequence[int] = (), rise: float = 10.0
) -> tuple[Stretch, ...]:
    """The stretches of a run of this program.

    Parameters
    ----------
    timeline : Timeline
    time_map : TimeMap
        When the program was where.
    missing : sequence of int
        Ids of contacts that meet no metal.
    rise : float
        Where the sheet gives no load, the strongest contact adds this [percent].
    """
    cuts = [one for one in timeline.contacts if one.id not in missing]
    program = {t for one in cuts for t in (one.start, one.start + one.ramp_in / 2.0, one.stop)}
    program |= {float(t) for t in timeline.spans.stop_s}
    made = []
    for stop in sorted(program):
        span = int(np.searchsorted(timeline.spans.stop_s, stop, side="left"))
        kind = SpanKind(int(timeline.spans.kind[min(span, len(timeline.spans) - 1)]))
        move = {SpanKind.FEED: "feed", SpanKind.RAPID: "rapid"}.get(kind, "still")
        cut = next((one for one in cuts if one.start + one.ramp_in / 2.0 < stop <= one.stop), None)
        made.append(
            Stretch(
                stop_s=time_map.clip_last(stop),
                rpm=_rpm(timeline, stop),
                move=move,
                rise=0.0 if cut is None else _rise_of(cut, rise),
            )
        )
    end = float(time_map.clip_s[-1])
    return (*made, Stretch(stop_s=end, rpm=made[-1].rpm if made else 0.0, move="still"))


def _rise_of(contact: Contact, rise: float) -> float:
    if np.isfinite(contact.load_percent):
        return contact.load_percent
    return float(rise * 10.0 ** (contact.strength_db / 20.0))


def _rpm(timeline: Timeline, program_s: float) -> float:
    near = [one.spindle_rpm for one in timeline.contacts if one.stop >= program_s]
    return near[0] if near else timeline.contacts[-1].spindle_rpm
