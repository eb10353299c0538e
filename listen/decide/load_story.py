"""What the likeliest story of a whole load log says was contact; a new block makes a new level likelier."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from listen.decide.load_kernels import CUT, IDLE, LONGEST_SPIKE_S, SPINDLE, STANDING
from listen.decide.load_levels import Levels, Story, cut_levels, opened, tell_story

SETTLES_S = 1.5
SPIKE_RATIO = 3.0
SAME_IDLE = 0.1
BLIP_S, BLIP_SHARE = 2.0, 0.15  # a shorter and smaller rise is a rapid move

Values = NDArray[np.float64]


def story_contacts(
    seconds: Values, load: Values, *, percent: bool, step: float, speeds_s: Values, blocks_s: Values
) -> list[tuple[float, float]]:
    """Contacts by the story, from the first value of a cut to the first value after it [s].

    Parameters
    ----------
    seconds, load : ndarray, shape (n_frames,)
        At least three frames, the load turned upwards.
    percent : bool
        Whether the load is in percent of rated load.
    step : float
        Step of the values shown, 0 for none.
    speeds_s, blocks_s : ndarray, shape (n_marks,)
        When another spindle speed was told, and when a block began [s].
    """
    levels = cut_levels(seconds, load, step=step, blocks_s=blocks_s)
    story = tell_story(levels, percent=percent, step=step, speeds_s=speeds_s)
    levels, story = opened(levels, story, seconds, load)
    runs = [(first, last) for first, last in _runs(story.kind == CUT) if _is_cut(levels, story, first, last)]
    return [(float(levels.start_s[first]), float(levels.stop_s[last])) for first, last in runs]


def _is_cut(levels: Levels, story: Story, first: int, last: int) -> bool:
    """Whether a rise is neither a rapid move's nor the spindle's."""
    lasts = levels.stop_s[first : last + 1] - levels.start_s[first : last + 1]
    rise = float(np.average(levels.level[first : last + 1] - story.idle[first], weights=lasts))
    is_blip = lasts.sum() <= BLIP_S and rise <= BLIP_SHARE * story.cut_scale
    return not (is_blip or _is_spindle(levels, story, first, last))


def _runs(true: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """First and last place of each run of true ones."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(int)))
    yield from zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True)


def _is_spindle(levels: Levels, story: Story, first: int, last: int) -> bool:
    """Whether a short rise is the spindle: far above all cuts and not back to the same idle, or settling.

    A plunge may rise as far, but the spindle idles after it as before.
    """
    lasts = levels.stop_s[last] - levels.start_s[first]
    height = float(levels.level[first : last + 1].max() - story.idle[first])
    if lasts <= LONGEST_SPIKE_S and height > SPIKE_RATIO * story.cut_scale:
        return not _same_after(levels, story, first, last)
    beside = story.kind[max(0, first - 1) : last + 2]
    return lasts <= SETTLES_S and bool(np.isin(beside, (SPINDLE, STANDING)).any())


def _same_after(levels: Levels, story: Story, first: int, last: int) -> bool:
    """Whether the load comes back to the idle level that it left."""
    before = float(story.idle[first])
    after = levels.level[last + 1 : last + 5][story.kind[last + 1 : last + 5] == IDLE]
    width = max(3.0 * levels.noise, SAME_IDLE * abs(before))
    return bool(after.size and abs(after[0] - before) < width)
