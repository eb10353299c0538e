"""A load log as stretches of one level each, and the likeliest story of its idle level.

Conventions
-----------
Levels are in the unit of the load, turned upwards. In percent of rated load a rise of a sixteenth
of a percent is a cut where the noise allows it; a current or a power has no such scale, so there a
cut must rise by a sixth of what the strong cuts of the run rise by: feeding in air alone raises
it, too.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.decide.load_kernels import AIR, CUT, cut_into_levels, follow_idle

LEAST_PERCENT = 0.06
LEAST_SHARE_PERCENT = 0.004
LEAST_SHARE = 0.17  # feeding in air raises a current, too
WIDTH_PERCENT, WIDTH_SHARE, WIDTH_OF_LOW = 0.056, 0.018, 0.015
SHORT_S, SHARE_OF_CUT = (
    2.0,
    0.25,
)  # between cuts what is short and this much lower is air: the drive was on its way
BESIDE, UNEVEN, IN_NOISE = 3, 1.5, 2.5
NEW_LEVEL = 10.0  # what a new stretch must explain better [nats]
NEW_LEVEL_AT_A_BLOCK = 6.0
BLOCK_LAG_S = 0.8  # load answers a new block within this
LASTS_S = 1.0  # a level is what lasts this long
STEPS = (1.0, 0.1)  # controls show whole percents or tenths
ROUNDS = 3  # the strongest cuts are found by labelling, and the labels by the strongest cuts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels:
    """Stretches of a log.

    Attributes
    ----------
    edges : ndarray, shape (n_stretches + 1,)
        Frame with which each stretch begins, int64.
    start_s, stop_s : ndarray, shape (n_stretches,)
    level, spread, size : ndarray, shape (n_stretches,)
        Mean, standard deviation and number of frames.
    noise : float
        Standard deviation of single frames where nothing happens.
    """

    edges: NDArray[np.int64]
    start_s: NDArray[np.float64]
    stop_s: NDArray[np.float64]
    level: NDArray[np.float64]
    spread: NDArray[np.float64]
    size: NDArray[np.float64]
    noise: float

    def first(self, n_stretches: int) -> "Levels":
        """The first stretches."""
        return self._part(slice(0, n_stretches))

    def since(self, time_s: float) -> "Levels":
        """The stretches that end after a time [s]."""
        return self._part(slice(int(np.searchsorted(self.stop_s, time_s)), None))

    def _part(self, part: slice) -> "Levels":
        stop = None if part.stop is None else part.stop + 1
        return Levels(
            edges=self.edges[part.start : stop],
            start_s=self.start_s[part],
            stop_s=self.stop_s[part],
            level=self.level[part],
            spread=self.spread[part],
            size=self.size[part],
            noise=self.noise,
        )


def joined(first: Levels, second: Levels) -> Levels:
    """Stretches of a log and those that follow, with the noise of the later."""
    return Levels(
        edges=np.concatenate([first.edges, first.edges[-1] + second.edges[1:] - second.edges[0]]),
        start_s=np.concatenate([first.start_s, second.start_s]),
        stop_s=np.concatenate([first.stop_s, second.stop_s]),
        level=np.concatenate([first.level, second.level]),
        spread=np.concatenate([first.spread, second.spread]),
        size=np.concatenate([first.size, second.size]),
        noise=second.noise,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Story:
    """What each stretch is.

    Attributes
    ----------
    kind : ndarray, shape (n_stretches,)
        AIR, CUT, SPINDLE, IDLE or STANDING of `load_kernels`, int8.
    idle : ndarray, shape (n_stretches,)
        Idle level in force, NaN where none is known yet.
    cut_scale, least : float
        Rise of the strong cuts, and least rise that is a cut.
    """

    kind: NDArray[np.int8]
    idle: NDArray[np.float64]
    cut_scale: float
    least: float


def cut_levels(
    seconds: NDArray[np.float64],
    load: NDArray[np.float64],
    *,
    step: float,
    blocks_s: NDArray[np.float64],
    quietest: float = 0.0,
) -> Levels:
    """Cut a log into stretches of one level.

    Parameters
    ----------
    seconds, load : ndarray, shape (n_frames,)
    step : float
        Step of the values shown, 0 for none.
    blocks_s : ndarray, shape (n_blocks,)
        When a new block of the program began [s]: there a new level costs less.
    quietest : float
        Noise of earlier parts of the log, 0 where there are none: the quieter counts.
    """
    prices = np.full(load.size, NEW_LEVEL)
    for block_s in blocks_s:
        first, last = np.searchsorted(seconds, [block_s - 0.05, block_s + BLOCK_LAG_S])
        prices[first : max(last, first + 1)] = NEW_LEVEL_AT_A_BLOCK
    noise = step_noise(seconds, load, step=step)
    noise = min(noise, quietest or noise)
    for _ in range(2):  # the second time with the noise of the quiet stretches
        edges = _edges(load, prices, noise)
        levels = _levels(seconds, load, edges, noise)
        noise = _quiet_noise(levels, step=step, least=1e-4 * float(np.ptp(load))) or noise
        noise = min(noise, quietest or noise)
    return levels


def step_noise(seconds: NDArray[np.float64], load: NDArray[np.float64], *, step: float) -> float:
    """Standard deviation of single frames, from their steps, in the quietest few seconds.

    The mean size of a step is 1.13 of a standard deviation of normal values; the quietest of
    many stretches lies low by about a quarter.
    """
    least = max(step * 12.0**-0.5, 1e-4 * float(np.ptp(load)), 1e-9)
    steps = np.abs(np.diff(load))
    if steps.size < 5:
        return float(least)
    n_quiet = int(np.clip(3.0 / max(1e-3, float(np.median(np.diff(seconds)))), 5, 16))
    n_quiet = min(n_quiet, steps.size)
    means = np.convolve(steps, np.full(n_quiet, 1.0 / n_quiet), mode="valid")
    return float(max(least, 1.3 / 1.128 * float(np.quantile(means, 0.01))))


def _edges(load: NDArray[np.float64], prices: NDArray[np.float64], noise: float) -> NDArray[np.int64]:
    best = np.empty(load.size + 1)
    begin = np.empty(load.size + 1, dtype=np.int64)
    cut_into_levels(load - np.median(load), prices, noise, best, begin)
    edges = [load.size]
    while edges[-1] > 0:
        edges.append(int(begin[edges[-1]]))
    return np.array(edges[::-1], dtype=np.int64)


def _levels(
    seconds: NDArray[np.float64], load: NDArray[np.float64], edges: NDArray[np.int64], noise: float
) -> Levels:
    size = np.diff(edges).astype(np.float64)
    level = np.add.reduceat(load, edges[:-1]) / size
    rest = load - np.repeat(level, np.diff(edges))
    spread = np.sqrt(np.add.reduceat(rest * rest, edges[:-1]) / size)
    frame_s = float(np.median(np.diff(seconds))) if seconds.size > 1 else 0.2
    start_s = seconds[edges[:-1]]
    stop_s = np.append(start_s[1:], seconds[-1] + frame_s)
    return Levels(
        edges=edges, start_s=start_s, stop_s=stop_s, level=level, spread=spread, size=size, noise=noise
    )


def _quiet_noise(levels: Levels, *, step: float, least: float) -> float:
    """Spread of the quietest tenth of the log, 0 where no stretch is long enough to tell."""
    long = levels.size >= 8
    if not long.any():
        return 0.0
    spread = levels.spread[long] * np.sqrt(levels.size[long] / (levels.size[long] - 1.0))
    return float(max(_quantile(spread, levels.size[long], 0.1), step * 12.0**-0.5, least))


def tell_story(
    levels: Levels, *, percent: bool, step: float, speeds_s: NDArray[np.float64], known_scale: float = 0.0
) -> Story:
    """Which stretches are idle, air, cut, or the spindle's own.

    Parameters
    ----------
    levels : Levels
    percent : bool
        Whether the load is in percent of rated load.
    step : float
        Step of the values shown, 0 for none.
    speeds_s : ndarray, shape (n_changes,)
        When the source told another spindle speed [s].
    known_scale : float
        Rise of the strong cuts where it is known, 0 where not.
    """
    told = np.zeros(levels.level.size, dtype=np.bool_)
    places = np.searchsorted(levels.start_s, speeds_s - 0.5)
    told[places[places < told.size]] = True
    length = levels.stop_s - levels.start_s
    low, scale = _range(levels, length)
    scale = known_scale or scale
    for _ in range(1 if known_scale else ROUNDS):
        story = _label(levels, told, low, scale, percent=percent, step=step)
        cut = (story.kind == CUT) & (length > 0.5)
        if cut.any():
            scale = _quantile((levels.level - story.idle)[cut], length[cut], 0.75)
    return story


def _label(
    levels: Levels, told: NDArray[np.bool_], low: float, scale: float, *, percent: bool, step: float
) -> Story:
    least = max(LEAST_PERCENT, LEAST_SHARE_PERCENT * scale) if percent else LEAST_SHARE * scale
    width = WIDTH_PERCENT if percent else max(WIDTH_SHARE * scale, WIDTH_OF_LOW * abs(low))
    scale = max(scale, 1.5 * least)
    kind = np.zeros(told.size, dtype=np.int8)
    idle = np.full(told.size, np.nan)
    stretches = np.column_stack([levels.level, levels.spread, levels.size, levels.start_s, levels.stop_s])
    scales = np.array([levels.noise, least, scale, width, step, float(percent)])
    follow_idle(stretches, told, scales, kind, idle)
    return Story(kind=kind, idle=idle, cut_scale=scale, least=least)


def opened(
    levels: Levels, story: Story, seconds: NDArray[np.float64], load: NDArray[np.float64]
) -> tuple[Levels, Story]:
    """The same with gaps between cuts made air where the drive was on its way down and up again.

    A gap that is short and uneven is one stretch with its ramps; what is even and above the noise is
    a light cut. In it the values far below the cuts beside it are air.

    Parameters
    ----------
    levels : Levels
    story : Story
    seconds, load : ndarray, shape (n_frames,)
        The log that the levels were made of.
    """
    rise = np.where(story.kind == CUT, levels.level - story.idle, 0.0)
    short = levels.stop_s - levels.start_s < SHORT_S
    unsure = (levels.spread > UNEVEN * levels.noise) | (rise < IN_NOISE * levels.noise)
    edges, kinds, idles = [0], [], []
    for i, kind in enumerate(story.kind.tolist()):
        first, stop = int(levels.edges[i]), int(levels.edges[i + 1])
        kind_of = np.full(stop - first, kind, dtype=np.int8)
        if kind == CUT and short[i] and unsure[i]:
            beside = rise[max(0, i - BESIDE) : i + BESIDE + 1].max()
            kind_of[load[first:stop] - story.idle[i] < SHARE_OF_CUT * beside] = AIR
        breaks = [0, *(np.flatnonzero(np.diff(kind_of)) + 1).tolist()]
        edges += [first + place for place in breaks[1:]] + [stop]
        kinds += [int(kind_of[place]) for place in breaks]
        idles += [float(story.idle[i])] * len(breaks)
    finer = _levels(seconds, load, np.array(edges, dtype=np.int64), levels.noise)
    told = Story(
        kind=np.array(kinds, dtype=np.int8),
        idle=np.array(idles),
        cut_scale=story.cut_scale,
        least=story.least,
    )
    return finer, told


def _range(levels: Levels, length: NDArray[np.float64]) -> tuple[float, float]:
    """A low level, and how far a high one lies above it; spikes are too short to count."""
    lasting = length >= LASTS_S
    if not lasting.any():
        lasting[:] = True
    low, high = (_quantile(levels.level[lasting], length[lasting], share) for share in (0.05, 0.9))
    return low, max(high - low, 4.0 * levels.noise)


def _quantile(values: NDArray[np.float64], weights: NDArray[np.float64], share: float) -> float:
    """Value that a share of the weight lies at or below."""
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, share * total[-1])])


def step_of(load: NDArray[np.float64]) -> float:
    """Step of the values shown: whole percents, tenths, or 0 for none that can be told."""
    for step in STEPS:
        on_step = np.abs(load / step - np.round(load / step)) < 1e-6
        if np.mean(on_step) >= 0.9:  # values that came within one frame were averaged
            return step
    return 0.0
