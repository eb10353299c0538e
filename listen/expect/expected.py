"""Everything expected of a program: contacts, passes, holds and cautions in one."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.contact import Pass
from listen.errors import InputError
from listen.expect import kernels
from listen.expect.approach import approaches
from listen.expect.checks import check_stock
from listen.expect.clearance import Replay
from listen.expect.contacts import ContactMaker, Cut
from listen.expect.engagement import STEP_MM, Progress, Touch
from listen.expect.holds import hold_points
from listen.expect.obstacles import check_obstacles
from listen.expect.passes import passes_of
from listen.expect.segments import Segments, segments_of
from listen.expect.stock import Stock, choose_cell, make_stock, outline_of
from listen.expect.strength import with_strength
from listen.expect.touches import touches_of
from listen.job import After, Job, Setup
from listen.program.path import TimedPath
from listen.timeline import Caution, Elsewhere, Timeline


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expected:
    """All that was worked out; the timeline is what the run needs of it.

    Attributes
    ----------
    timeline : Timeline
    cuts : tuple of Cut
        One a contact, in the same order.
    uncut, left : dict
        Stock by work offset, before and after the program.
    segments : Segments
    """

    timeline: Timeline
    cuts: tuple[Cut, ...]
    uncut: dict[str, Stock]
    left: dict[str, Stock]
    segments: Segments


def expect_timeline(path: TimedPath, job: Job) -> Timeline:
    """Every contact that a timed path makes with the job's stock, with passes, holds and cautions."""
    return expect(path, job).timeline


def expect(path: TimedPath, job: Job, *, progress: Progress | None = None) -> Expected:
    """As `expect_timeline`, with all that the sheet tells beyond it.

    Parameters
    ----------
    path : TimedPath
    job : Job
    progress : callable | None
        Told the share done [0 to 1].
    """
    segments = segments_of(path, job)
    here = {setup.offset: _worked(setup, path, segments, progress) for setup in job.setups}
    cuts, passes = _cuts(path, job, segments, here.values())
    uncut = {offset: one.uncut for offset, one in here.items()}
    left = {offset: one.left for offset, one in here.items()}
    timeline = Timeline(
        program=path.program,
        spans=path.spans,
        contacts=tuple(cut.contact for cut in cuts),
        duration=float(path.spans.stop_s[-1]) if len(path.spans) else 0.0,
        passes=passes,
        holds=hold_points(
            path, job, segments, cuts, {offset: one.replay for offset, one in here.items()}, left
        ),
        cautions=_cautions(path, job, segments, cuts, here),
        approaches=approaches(path, job, segments, cuts),
        files=path.files,
        elsewhere=tuple(_elsewhere(path)),
        **_as_set_up(job),
    )
    return Expected(timeline=timeline, cuts=tuple(cuts), uncut=uncut, left=left, segments=segments)


def _elsewhere(path: TimedPath) -> Iterator[Elsewhere]:
    """The stretches of spans that run in one file other than the main one."""
    changes = np.flatnonzero(np.diff(path.file)) + 1
    bounds = [0, *changes.tolist(), len(path.spans)]
    for first, stop in pairwise(bounds):
        if stop > first and (file := int(path.file[first])):
            yield Elsewhere(
                start=float(path.spans.start_s[first]),
                stop=float(path.spans.stop_s[stop - 1]),
                file=path.files[file],
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Worked:
    """What the program does to the stock of one set-up."""

    chosen: NDArray[np.bool_]
    uncut: Stock
    left: Stock
    touches: list[Touch]
    replay: Replay


def _worked(setup: Setup, path: TimedPath, segments: Segments, progress: Progress | None) -> _Worked:
    chosen = _in_offset(path, segments, setup.offset)
    uncut = stock_of(setup, segments, chosen)
    touches, left = touches_of(uncut, segments, chosen, progress)
    replay = Replay.of(uncut, segments, chosen)
    return _Worked(chosen=chosen, uncut=uncut, left=left, touches=touches, replay=replay)


def _cuts(
    path: TimedPath, job: Job, segments: Segments, here: Iterable[_Worked]
) -> tuple[list[Cut], tuple[Pass, ...]]:
    """Contacts of all set-ups in the order of the program, and their passes."""
    maker = ContactMaker(path, job, segments)
    found = sorted(
        ((touch, one.uncut) for one in here for touch in one.touches), key=lambda pair: pair[0].start
    )
    cuts = [maker.cut_of(touch, stock, n) for n, (touch, stock) in enumerate(found, start=1)]
    return passes_of(with_strength(cuts, job), job.units)


def _cautions(
    path: TimedPath, job: Job, segments: Segments, cuts: list[Cut], here: Mapping[str, _Worked]
) -> tuple[Caution, ...]:
    uncut = {offset: one.uncut for offset, one in here.items()}
    chosen = {offset: one.chosen for offset, one in here.items()}
    of_stock = check_stock(path, job, segments, cuts, uncut)
    return (*path.notes, *of_stock, *check_obstacles(path, job, segments, uncut, chosen))


def _as_set_up(job: Job) -> dict[str, Any]:
    """What the run is told of machine and person."""
    machine, operator = job.machine, job.operator
    return {
        "feed_override": machine.feed_override,
        "rapid_override": machine.rapid_override,
        "override_steady": machine.override_steady,
        "single_block": machine.single_block,
        "reaction_s": operator.expected_s,
        "surprise_s": operator.surprise_s,
        "kind": job.kind,
        "shown_in": job.units,
    }


def _in_offset(path: TimedPath, segments: Segments, offset: str) -> NDArray[np.bool_]:
    names = np.array([name.upper() == offset.upper() for name in path.offset_names], dtype=np.bool_)
    if not names.any():
        return np.zeros(segments.span.size, dtype=np.bool_)
    return np.asarray(names[path.offset[segments.span]])


def stock_of(setup: Setup, segments: Segments, chosen: NDArray[np.bool_]) -> Stock:
    """The uncut stock of a set-up, its cells as fine as its tools need."""
    if isinstance(setup.stock, After):
        return stock_after(setup.stock)
    outline = outline_of(setup.stock)
    cell = _cell_for(segments, chosen, outline)
    return make_stock(setup.stock, cell=cell)


def _cell_for(
    segments: Segments, chosen: NDArray[np.bool_], outline: tuple[float, float, float, float, float, float]
) -> float:
    west, south, _, east, north, high = outline
    rows = segments.rows
    radius = rows[:, kernels.RADIUS]
    low = np.minimum(rows[:, 2], rows[:, 5]) < high
    over = (np.maximum(rows[:, 0], rows[:, 3]) > west - radius) & (
        np.minimum(rows[:, 0], rows[:, 3]) < east + radius
    )
    over &= (np.maximum(rows[:, 1], rows[:, 4]) > south - radius) & (
        np.minimum(rows[:, 1], rows[:, 4]) < north + radius
    )
    cuts = chosen & segments.judged & low & over
    if not cuts.any():
        return choose_cell(east - west, north - south, least_diameter=10.0, work_mm2=0.0)
    lengths = segments.lengths()[cuts]
    pointed = (rows[cuts, kernels.CORNER] > 0.0) | (rows[cuts, kernels.COT] > 0.0)
    pointed |= rows[cuts, 5] < rows[cuts, 2] - 1e-9  # a falling tool is stamped whole, too
    step = np.maximum(STEP_MM, radius[cuts] / 10.0)
    stamps = np.ceil(lengths / step) * 4.0 * radius[cuts] ** 2
    work = np.where(pointed, stamps, 2.0 * radius[cuts] * (lengths + 1.0))
    return choose_cell(
        east - west, north - south, least_diameter=2.0 * float(radius[cuts].min()), work_mm2=float(work.sum())
    )


_AFTER_DEPTH = 8
_reading: list[str] = []


def stock_after(shape: After) -> Stock:
    """The stock as an earlier job leaves it, in that job's coordinates.

    Raises
    ------
    InputError
        Where jobs follow each other in a circle, or the earlier job cannot be read.
    """
    from listen.expect.stock import field_stock
    from listen.job_file import load_job

    name = str(shape.path.resolve())
    if name in _reading or len(_reading) >= _AFTER_DEPTH:
        raise InputError(f"stock after {shape.path.name}: this job waits for itself; give its stock as a box")
    _reading.append(name)
    try:
        earlier = load_job(shape.path)
        expected = expect(read_path(earlier), earlier)
    finally:
        _reading.pop()
    stock = expected.left[earlier.setups[0].offset]
    return field_stock(stock.field, stock.grid)


def read_path(job: Job) -> TimedPath:
    """The timed path of a job's programs, one after the other."""
    from listen.expect.joined import joined_path
    from listen.program import read_program, time_program

    programs = [read_program(program, job=job) for program in job.programs]
    return joined_path([time_program(program, job.machine) for program in programs])
