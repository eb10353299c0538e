"""Drawn milling programs as stretches of load, and drawn ways in which machines show it."""

from dataclasses import dataclass, replace

import numpy as np

from listen.blocks import LoadSample
from listen.marks import Mark, MarkKind
from listen.synth.load import LoadVoice, Stretch, make_load

RATE = 8000
Spans = list[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """One made log and the truth about it.

    Attributes
    ----------
    stretches : tuple of Stretch
    loads : tuple of LoadSample
    lines, speeds : tuple of Mark
        Block changes, and spindle speeds, as a control gives them.
    """

    stretches: tuple[Stretch, ...]
    loads: tuple[LoadSample, ...]
    lines: tuple[Mark, ...]
    speeds: tuple[Mark, ...]

    def contacts(self) -> Spans:
        """Where metal was cut [s]; cuts that touch are one contact."""
        found: Spans = []
        start = 0.0
        for one in self.stretches:
            if one.rise > 0.0:
                joined = found and found[-1][1] == start
                found = [*found[:-1], (found[-1][0], one.stop_s)] if joined else [*found, (start, one.stop_s)]
            start = one.stop_s
        return found


class _Drawing:
    """Adds stretch after stretch."""

    def __init__(self, rng: np.random.Generator, lightest: float, finishing: float) -> None:
        self.rng = rng
        self.lightest = lightest
        self.finishing = finishing
        self.made: list[Stretch] = []
        self.rpm = 0.0

    def add(self, length_s: float, move: str, rise: float = 0.0) -> None:
        begin = self.made[-1].stop_s if self.made else 0.0
        self.made.append(Stretch(stop_s=begin + length_s, rpm=self.rpm, move=move, rise=rise))

    def operation(self, typical: float) -> None:
        """One tool: down, passes at one or more levels, or holes, or a contour, up."""
        rng = self.rng
        self.rpm = float(rng.uniform(800, 12000))
        if not self.made or self.made[-1].rpm == 0.0 or rng.random() < 0.5:  # else it changes on the way down
            self.add(rng.uniform(2, 6), "still")
            self.add(rng.uniform(0.3, 2), "rapid")
        self.add(rng.uniform(1, 8), "feed")
        work = rng.choice(["passes", "holes", "contour"], p=[0.7, 0.15, 0.15])
        if work == "passes":
            self.passes(typical)
        elif work == "holes":
            self.holes(self._rise(typical) * float(np.exp(rng.uniform(np.log(0.5), np.log(4.0)))))
        else:
            self.contour(self._rise(typical))
        self.add(rng.uniform(0.3, 2), "rapid")

    def _rise(self, typical: float) -> float:
        """Of one level: now and then a finishing pass, where the voice may show such light cuts."""
        if self.rng.random() < self.finishing:
            return typical * float(np.exp(self.rng.uniform(np.log(0.015), np.log(0.15))))
        return typical * float(np.exp(self.rng.uniform(np.log(self.lightest), np.log(1.5))))

    def passes(self, typical: float) -> None:
        rng = self.rng
        length = float(np.exp(rng.uniform(np.log(3), np.log(40))))
        one_way = rng.random() < 0.3
        for _ in range(int(rng.integers(1, 4))):
            self.level(self._rise(typical), length, one_way)
            self.add(rng.uniform(0.5, 3), "feed")

    def holes(self, rise: float) -> None:
        """A row of drilled holes, all alike; full of metal, a drill may take far more than a mill."""
        rng = self.rng
        deep, to_next = rng.uniform(1, 6), rng.uniform(0.4, 1.5)
        for _ in range(int(rng.integers(3, 12))):
            self.add(to_next, "rapid")
            self.add(rng.uniform(0.1, 0.5), "feed")
            self.add(deep * rng.uniform(0.95, 1.05), "feed", rise)
            self.add(rng.uniform(0.1, 0.5), "rapid")

    def contour(self, rise: float) -> None:
        """Round a part in many short blocks, one or more times without leaving it."""
        rng = self.rng
        for _ in range(int(rng.integers(10, 60))):
            self.add(float(np.exp(rng.uniform(np.log(0.2), np.log(4)))), "feed", rise * rng.uniform(0.6, 1.1))

    def level(self, rise: float, length: float, one_way: bool) -> None:
        rng = self.rng
        n_passes = int(rng.integers(2, 8))
        air = rng.random() < 0.15
        spread, gaps = rng.uniform(0.05, 0.4), max(0.0, rng.uniform(-0.4, 0.7))
        for _ in range(n_passes):
            here = 0.0 if air or rng.random() < 0.1 else rise * float(np.exp(rng.normal(0.0, spread)))
            self.add(rng.uniform(0.1, 0.8), "feed")
            self.add(length * rng.uniform(0.8, 1.2), "feed", here)
            if one_way:
                self.add(rng.uniform(0.5, 2), "rapid")
                self.add(rng.uniform(0.5, 2), "feed")
            else:
                step = rng.uniform(0.4, 2.5)
                self.add(step, "feed", here * rng.uniform(0.3, 0.6) * (rng.random() > gaps))


def draw_program(
    rng: np.random.Generator, *, typical: float, lightest: float, finishing: float = 0.0
) -> tuple[Stretch, ...]:
    """Two to six operations; cuts add `lightest` to 1.5 times `typical` percent of rated load.

    Of the levels a share `finishing` is far lighter: a sixtieth to a seventh of `typical`.
    """
    drawing = _Drawing(rng, lightest, finishing)
    drawing.add(rng.uniform(3, 10), "still")
    for _ in range(int(rng.integers(2, 7))):
        drawing.operation(typical)
        if rng.random() < 0.4:
            drawing.rpm = 0.0
            drawing.add(rng.uniform(4, 12), "still")
    drawing.rpm = 0.0
    drawing.add(rng.uniform(3, 8), "still")
    return tuple(drawing.made)


def draw_log(rng: np.random.Generator, voice: LoadVoice, *, typical: float, finishing: float = 0.0) -> Log:
    """A log of a drawn program."""
    # in amperes and watts a cut far below the others cannot be told from feeding in air
    lightest = 0.25 if voice.kind == "load_percent" else 0.4
    stretches = draw_program(rng, typical=typical, lightest=lightest, finishing=finishing)
    starts = [0.0, *(one.stop_s for one in stretches[:-1])]
    lines = tuple(_mark(t, MarkKind.LINE, i + 1.0) for i, t in enumerate(starts))
    speeds = tuple(
        _mark(t, MarkKind.SPINDLE_SPEED, one.rpm)
        for t, one, before in zip(starts, stretches, (None, *stretches), strict=False)
        if before is None or before.rpm != one.rpm
    )
    return Log(
        stretches=stretches, loads=make_load(rng, stretches, voice, rate=RATE), lines=lines, speeds=speeds
    )


def _mark(at_s: float, kind: MarkKind, value: float) -> Mark:
    return Mark(at=round(at_s * RATE), kind=kind, source="controller", value=value)


def draw_percent(rng: np.random.Generator) -> LoadVoice:
    """A control that shows percent of rated load."""
    return LoadVoice(
        hz=float(rng.choice([1.0, 2.0, 5.0, 5.0, 10.0])),
        jitter_s=float(rng.uniform(0.0, 0.04)),
        lag_s=float(rng.uniform(0.0, 0.4)),
        idle=float(rng.uniform(0.0, 3.0)),
        idle_per_1000_rpm=float(rng.uniform(0.0, 1.0)),
        warm_share=float(rng.uniform(0.0, 0.3)),
        warm_s=float(rng.uniform(120.0, 900.0)),
        feed_rise=float(rng.uniform(0.0, 0.05)),
        rapid_rise=float(rng.uniform(0.0, 1.0)),
        spike=float(np.exp(rng.uniform(np.log(3.0), np.log(120.0)))),
        wander_share=float(rng.uniform(0.0, 0.1)),
        wander_s=float(rng.uniform(200.0, 1500.0)),
        noise=float(rng.uniform(0.02, 0.15)),
        noise_of_cut=float(rng.uniform(0.0, 0.15)),
        step=float(rng.choice([0.0, 0.1, 1.0, 1.0])),
    )


def draw_amps(rng: np.random.Generator) -> LoadVoice:
    """A clamp or a drive that shows current, some of it with the other sign."""
    scale = float(np.exp(rng.uniform(np.log(0.02), np.log(0.5))))
    return replace(
        draw_percent(rng),
        kind="current_a",
        hz=float(rng.choice([2.0, 5.0, 10.0, 20.0, 100.0])),
        jitter_s=0.0,
        step=0.0,
        feed_rise=float(rng.uniform(0.0, 1.0)),  # a sixth of the lightest typical cut
        scale=scale * float(rng.choice([-1.0, 1.0, 1.0])),
        magnetising=float(rng.choice([0.0, 0.0, rng.uniform(2.0, 8.0)])),
    )


def draw_below(rng: np.random.Generator) -> LoadVoice:
    """A clamp that shows a rising current, all of it below nothing."""
    voice = draw_amps(rng)
    scale = abs(voice.scale)
    return replace(voice, scale=scale, offset=-scale * float(rng.uniform(5.0, 40.0)))


def draw_watts(rng: np.random.Generator) -> LoadVoice:
    """A power meter."""
    return replace(draw_amps(rng), kind="power_w", scale=float(rng.uniform(30.0, 200.0)), magnetising=0.0)


QUIET: dict[str, float] = {"hz": 5.0, "noise": 0.04, "noise_of_cut": 0.05, "step": 0.0, "feed_rise": 0.02}
FINISHING = {"finishing passes": 0.4, "block means, finishing": 0.4}  # share of levels
FAMILIES = {  # name: (voice, typical rise in percent)
    "percent": (draw_percent, (4.0, 30.0)),
    "whole percents, 5 Hz": (lambda rng: replace(draw_percent(rng), hz=5.0, step=1.0), (4.0, 30.0)),
    "noise 0.3 percent, 5 Hz": (lambda rng: replace(draw_percent(rng), hz=5.0, noise=0.3), (4.0, 30.0)),
    "noise 1 percent, 5 Hz": (lambda rng: replace(draw_percent(rng), hz=5.0, noise=1.0), (4.0, 30.0)),
    "light cuts": (lambda rng: replace(draw_percent(rng), hz=5.0, noise=0.15), (1.0, 4.0)),
    "1 Hz": (lambda rng: replace(draw_percent(rng), hz=1.0), (4.0, 30.0)),
    "10 Hz": (lambda rng: replace(draw_percent(rng), hz=10.0), (4.0, 30.0)),
    "idle falls by 40 percent": (lambda rng: replace(draw_percent(rng), warm_share=0.4), (4.0, 30.0)),
    "slow drive (0.6 s)": (lambda rng: replace(draw_percent(rng), lag_s=0.6), (4.0, 30.0)),
    "block means, 5 Hz": (
        lambda rng: replace(
            draw_percent(rng), hz=5.0, held=True, noise=float(rng.choice([0.0, 0.1])), noise_of_cut=0.0
        ),
        (4.0, 30.0),
    ),
    "block means, noise 0.3": (
        lambda rng: replace(draw_percent(rng), hz=5.0, held=True, noise=0.3, noise_of_cut=0.0),
        (4.0, 30.0),
    ),
    "finishing passes": (lambda rng: replace(draw_percent(rng), **QUIET), (10.0, 40.0)),
    "block means, finishing": (
        lambda rng: replace(draw_percent(rng), hz=5.0, held=True, noise=0.0, noise_of_cut=0.0, step=0.0),
        (10.0, 40.0),
    ),
    "amps": (draw_amps, (6.0, 30.0)),
    "watts": (draw_watts, (6.0, 30.0)),
    "amps below nothing": (draw_below, (6.0, 30.0)),
    "newton metres, 5 Hz": (
        lambda rng: replace(draw_watts(rng), kind="torque_nm", scale=float(rng.uniform(0.05, 0.5)), hz=5.0),
        (6.0, 30.0),
    ),
    "fresh once or twice a second": (
        lambda rng: replace(draw_percent(rng), hz=10.0, fresh_hz=float(rng.choice([1.0, 2.0]))),
        (4.0, 30.0),
    ),
    "2 percent of values wrong": (
        lambda rng: replace(draw_percent(rng), hz=5.0, lost_share=0.02),
        (4.0, 30.0),
    ),
    "mean of a second": (lambda rng: replace(draw_percent(rng), hz=5.0, mean_s=1.0), (4.0, 30.0)),
}
