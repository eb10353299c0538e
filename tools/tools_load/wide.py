"""Programs and voices drawn far wider than those of `drawing`: what the load network is fitted on."""

from dataclasses import dataclass, replace

import numpy as np

from listen.marks import Mark, MarkKind
from listen.synth.load import LoadVoice, Stretch, make_load
from tools_load.drawing import RATE, Log, draw_amps, draw_percent, draw_program, draw_watts


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two, evenly in its logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """What the cuts of one program are like.

    Attributes
    ----------
    typical, lightest : float
        Rise of a strong cut [percent], and of a light one as a share of it.
    finishing : float
        Share of operations that are lighter still.
    spread : float
        By what factor operations differ from one another, at most.
    uneven : bool
        Whether the rise may change inside one block.
    """

    typical: float
    lightest: float
    finishing: float
    spread: float
    uneven: bool


class WideDrawing:
    """Adds operation after operation; a block may have several stretches."""

    def __init__(self, rng: np.random.Generator, style: Style) -> None:
        self.rng = rng
        self.style = style
        self.made: list[Stretch] = []
        self.blocks_s: list[float] = []
        self.rpm = 0.0
        self.typical = style.typical

    @property
    def now_s(self) -> float:
        """Where the program has come to [s]."""
        return self.made[-1].stop_s if self.made else 0.0

    def add(self, length_s: float, move: str, rise: float = 0.0, *, block: bool = True) -> None:
        """One stretch, the first of a block or a further one."""
        begin = self.now_s
        if block:
            self.blocks_s.append(begin)
        self.made.append(Stretch(stop_s=begin + length_s, rpm=self.rpm, move=move, rise=rise))

    def cut(self, length_s: float, rise: float) -> None:
        """One block in the metal, now and then with a rise that wanders."""
        if not self.style.uneven or length_s < 2.0 or self.rng.random() < 0.5:
            self.add(length_s, "feed", rise)
            return
        n_parts = int(self.rng.integers(2, 12))
        walk = np.cumsum(self.rng.normal(0.0, self.rng.uniform(0.05, 0.5), n_parts))
        for i, factor in enumerate(np.exp(np.clip(walk, -2.0, 1.0))):
            self.add(length_s / n_parts, "feed", rise * float(factor), block=i == 0)

    def rise(self) -> float:
        """Of one operation or level."""
        style = self.style
        if self.rng.random() < style.finishing:
            return self.typical * between(self.rng, 0.015, 0.15)
        return self.typical * between(self.rng, style.lightest, 1.5)

    def operation(self) -> None:
        """Down, some work, up."""
        rng = self.rng
        self.typical = self.style.typical * between(rng, 1.0 / self.style.spread, self.style.spread)
        turns_on = bool(self.made) and self.rpm > 0.0 and rng.random() < 0.3
        was = self.rpm
        self.rpm = self.rpm if turns_on else between(rng, 300.0, 20000.0)
        if was == 0.0 or rng.random() < 0.3:
            self.add(rng.uniform(0.5, 8), "still")
        if rng.random() < 0.8:
            self.add(rng.uniform(0.2, 3), "rapid")
        works = (
            *(self.raster, self.faces, self.spiral, self.slices),
            *(self.holes, self.dry, self.patchwork, self.plain),
        )
        share = (0.18, 0.08, 0.14, 0.08, 0.1, 0.06, 0.22, 0.14)
        if rng.random() < 0.7:
            self.add(between(rng, 0.3, 9), "feed")
        works[int(rng.choice(len(works), p=share))]()
        if rng.random() < 0.4:
            self.add(between(rng, 0.3, 6), "feed")
        if rng.random() < 0.8:
            self.add(rng.uniform(0.1, 3), "rapid")

    def raster(self) -> None:
        """Long passes with short ways between them, most of them in the metal, some not."""
        rng, rise = self.rng, self.rise()
        if rng.random() < 0.6:
            self.add(between(rng, 0.5, 8), "feed", rise * rng.uniform(0.05, 0.8) * (rng.random() < 0.7))
        length, step = between(rng, 1.5, 60), between(rng, 0.3, 3)
        share_air, share_light = rng.uniform(0, 0.4), rng.uniform(0, 0.3)
        inside = 1.0
        for _ in range(int(rng.integers(3, 25))):
            if rng.random() < 0.4:
                inside = rng.choice(
                    [0.0, rng.uniform(0.02, 0.2), 1.0],
                    p=[share_air, share_light, 1 - share_air - share_light],
                )
            here = rise * inside * between(rng, 0.6, 1.5)
            self.cut(length * rng.uniform(0.7, 1.3), here)
            self.add(
                step * rng.uniform(0.7, 1.4), "feed", here * rng.uniform(0.2, 0.9) * (rng.random() < 0.75)
            )

    def faces(self) -> None:
        """Passes across the whole part with ways in air before and after."""
        rng, rise = self.rng, self.rise()
        length, way = between(rng, 2, 60), rng.choice(["feed", "rapid"])
        for _ in range(int(rng.integers(1, 9))):
            self.add(between(rng, 0.2, 4), "feed")
            joined = rng.random() < 0.4  # the way in is of the same block
            self.cut(length * rng.uniform(0.8, 1.2), rise * between(rng, 0.6, 1.4) * (rng.random() < 0.88))
            if joined:
                self.blocks_s.pop()
            self.add(between(rng, 0.2, 3), str(way))

    def spiral(self) -> None:
        """A pocket or a contour: long in the metal, block after block, seldom out of it."""
        rng, rise = self.rng, self.rise()
        short, long = sorted((between(rng, 0.1, 2), between(rng, 0.5, 12)))
        spread = rng.uniform(0.02, 0.5)
        for _ in range(int(rng.integers(5, 70))):
            if rng.random() < 0.03:
                self.add(between(rng, 0.3, 3), "feed")
            self.cut(between(rng, short, long + 0.01), rise * float(np.exp(rng.normal(0.0, spread))))

    def slices(self) -> None:
        """Many short cuts with returns in air, as trochoids and small features have."""
        rng, rise = self.rng, self.rise()
        cut_s, air_s = between(rng, 0.3, 4), between(rng, 0.2, 3)
        spread = rng.uniform(0.02, 0.3)
        for _ in range(int(rng.integers(5, 40))):
            self.add(cut_s * rng.uniform(0.7, 1.3), "feed", rise * float(np.exp(rng.normal(0.0, spread))))
            self.add(air_s * rng.uniform(0.7, 1.3), str(rng.choice(["feed", "rapid"])))

    def holes(self) -> None:
        """Drilled holes, some of them in pecks."""
        rng = self.rng
        rise = self.rise() * between(rng, 0.4, 4.0)
        deep, to_next, n_pecks = between(rng, 0.4, 8), rng.uniform(0.3, 2), int(rng.choice([1, 1, 2, 5]))
        for _ in range(int(rng.integers(2, 15))):
            self.add(to_next, "rapid")
            for _ in range(n_pecks):
                self.add(rng.uniform(0.05, 0.8), "feed")
                self.add(deep * rng.uniform(0.95, 1.05), "feed", rise * rng.uniform(0.9, 1.1))
                self.add(rng.uniform(0.1, 0.8), "rapid")

    def patchwork(self) -> None:
        """Blocks of any length and any rise, each like the one before or not, some of them in air."""
        rng, lowest = self.rng, _lightest_block(self.rng, self.style)
        share_air, share_same = rng.uniform(0.0, 0.5), rng.uniform(0.0, 0.7)
        short, long = sorted((between(rng, 0.2, 5), between(rng, 1.0, 50)))
        rise, turns = 0.0, float(rng.choice([0.0, 0.0, 0.1]))  # another speed, in the metal or out of it
        for _ in range(int(rng.integers(3, 40))):
            if rng.random() > share_same:
                rise = 0.0 if rng.random() < share_air else self.typical * between(rng, lowest, 1.5)
            if rng.random() < turns:
                self.rpm *= between(rng, 0.6, 1.6)
            self.cut(between(rng, short, long), rise * between(rng, 0.85, 1.18))

    def plain(self) -> None:
        """A few passes all alike, one or the other of them in air, with a way in air after each."""
        rng, rise = self.rng, self.rise()
        length, way_s, way = between(rng, 1.0, 20), between(rng, 0.3, 6), str(rng.choice(["feed", "rapid"]))
        lead_in, lead_out = rng.uniform(0.0, 0.8, 2)
        for _ in range(int(rng.integers(2, 12))):
            in_metal = rng.random() < 0.8
            if lead_in > 0.2:
                self.add(lead_in, "feed")
            self.add(length * rng.uniform(0.97, 1.03), "feed", rise * rng.uniform(0.85, 1.15) * in_metal)
            if lead_in > 0.2:
                self.blocks_s.pop()  # in air and in the metal in one block
            if lead_out > 0.2:
                self.add(lead_out, "feed", block=False)
            self.add(way_s, way)

    def dry(self) -> None:
        """Nothing but air, as over a part that another tool has cleared."""
        for _ in range(int(self.rng.integers(2, 20))):
            self.add(between(self.rng, 0.3, 30), "feed")
            if self.rng.random() < 0.4:
                self.add(self.rng.uniform(0.2, 2), "rapid")


def _lightest_block(rng: np.random.Generator, style: Style) -> float:
    """The lightest block beside strong ones, as a share of them."""
    return style.lightest if style.lightest > 0.3 else between(rng, 0.02, style.lightest)


def draw_wide(rng: np.random.Generator) -> Log:
    """A log of a wide program, or of one as `drawing` has them, in a wide voice."""
    voice = draw_voice(rng)
    finishing = float(rng.choice([0.0, 0.0, rng.uniform(0.0, 0.6)]))
    light = rng.uniform(0.08, 0.5) if voice.kind == "load_percent" else rng.uniform(0.35, 0.6)
    typical = between(rng, 1.5, 45.0)
    spread = float(rng.choice([1.0, rng.uniform(1.0, 3.0)]))
    if voice.kind != "load_percent":  # feeding in air stays below a sixth of the strong cuts
        finishing, typical, spread = 0.0, max(typical, 4.0), 1.0
        rise = rng.uniform(0.0, min(0.16, 0.45 * light)) * typical
        voice = replace(voice, feed_rise=float(rng.choice([rise, 0.1 * rise])))
    if rng.random() < 0.4:
        made = draw_program(rng, typical=typical, lightest=light, finishing=finishing)
        blocks_s = [0.0, *(one.stop_s for one in made[:-1])]
    else:
        uneven = bool(not voice.held and rng.random() < 0.5)
        style = Style(typical=typical, lightest=light, finishing=finishing, spread=spread, uneven=uneven)
        made, blocks_s = _wide_program(rng, style)
    if rng.random() < 0.06:  # a raised dry run
        made = tuple(replace(one, rise=0.0) for one in made)
    return log_of_stretches(rng, made, blocks_s, voice)


def _wide_program(rng: np.random.Generator, style: Style) -> tuple[tuple[Stretch, ...], list[float]]:
    drawing = WideDrawing(rng, style)
    if rng.random() < 0.8:
        drawing.add(rng.uniform(0.5, 15), "still")
    for _ in range(int(rng.choice([1, 1, rng.integers(1, 8)]))):
        drawing.operation()
        if rng.random() < 0.3:
            drawing.rpm = 0.0
            drawing.add(rng.uniform(2, 15), "still")
    if rng.random() < 0.8:
        drawing.rpm = 0.0
        drawing.add(rng.uniform(1, 10), "still")
    return tuple(drawing.made), drawing.blocks_s


def draw_voice(rng: np.random.Generator) -> LoadVoice:
    """A voice as `drawing` has them, or one from wider ranges."""
    draw = rng.choice([draw_percent, draw_amps, draw_watts], p=[0.65, 0.2, 0.15])
    voice: LoadVoice = draw(rng)
    if voice.kind == "load_percent" and rng.random() < 0.6:
        voice = replace(voice, hz=5.0)
    if rng.random() < 0.8:
        voice = _widened(rng, voice)
    if voice.kind == "load_percent" and rng.random() < 0.35:  # one row a block
        loud = float(rng.choice([0.0, 0.0, between(rng, 0.02, 0.4)]))
        step = voice.step if rng.random() < 0.15 else 0.0
        voice = replace(voice, held=True, noise=loud, noise_of_cut=0.0, step=step)
    return _shown(rng, voice)


def _shown(rng: np.random.Generator, voice: LoadVoice) -> LoadVoice:
    """The same as some controls and loggers show it: seldom fresh, smoothed, some wrong, with an offset."""
    if rng.random() < 0.2:
        voice = replace(voice, fresh_hz=voice.hz / float(rng.choice([2.0, 3.0, 5.0, rng.uniform(1.5, 10.0)])))
    if rng.random() < 0.2:
        voice = replace(voice, mean_s=between(rng, 0.2, 2.0))
    if rng.random() < 0.15:
        voice = replace(voice, lost_share=between(rng, 0.001, 0.03))
    if rng.random() < 0.25:
        voice = replace(voice, offset=voice.scale * between(rng, 0.3, 15.0))
    return voice


def _widened(rng: np.random.Generator, voice: LoadVoice) -> LoadVoice:
    percent = voice.kind == "load_percent"
    return replace(
        voice,
        jitter_s=float(rng.uniform(0.0, 0.06)) if voice.hz <= 10.0 else 0.0,
        lag_s=float(rng.uniform(0.0, 0.7)),
        idle=float(rng.choice([rng.uniform(0.0, 3.0), between(rng, 0.1, 12.0)])),
        idle_per_1000_rpm=float(rng.choice([0.0, rng.uniform(0.0, 1.5)])),
        warm_share=float(rng.uniform(-0.15, 0.45)),
        warm_s=between(rng, 60.0, 1500.0),
        rapid_rise=float(rng.choice([0.0, rng.uniform(0.0, 1.5)])),
        feed_rise=float(rng.uniform(0.0, 0.08)) if percent else voice.feed_rise,
        spike=between(rng, 0.1, 200.0),
        noise=float(rng.choice([0.0, *[between(rng, 0.01, 1.2)] * 5])),
        noise_of_cut=float(rng.uniform(0.0, 0.2)),
        unrest=float(rng.choice([0.0, between(rng, 0.01, 0.4)])),
        unrest_s=between(rng, 0.3, 8.0),
        run_up_rpm_per_s=between(rng, 800.0, 100000.0),
        step=float(rng.choice([0.0, 0.1, 0.5, 1.0, 1.0])) if percent else 0.0,
    )


def log_of_stretches(
    rng: np.random.Generator, made: tuple[Stretch, ...], blocks_s: list[float], voice: LoadVoice
) -> Log:
    """The log that a voice makes of a program, with its blocks and speeds as marks."""
    starts = [0.0, *(one.stop_s for one in made[:-1])]
    late = float(rng.choice([0.0, rng.uniform(-0.2, 0.3)]))
    lines = tuple(_mark(max(0.0, t + late), MarkKind.LINE, i + 1.0) for i, t in enumerate(blocks_s))
    speeds = tuple(
        _mark(t, MarkKind.SPINDLE_SPEED, one.rpm)
        for t, one, before in zip(starts, made, (None, *made), strict=False)
        if before is None or before.rpm != one.rpm
    )
    loads = make_load(rng, made, voice, rate=RATE)
    return Log(stretches=made, loads=loads, lines=lines, speeds=speeds)


def _mark(at_s: float, kind: MarkKind, value: float) -> Mark:
    return Mark(at=round(at_s * RATE), kind=kind, source="controller", value=value)
