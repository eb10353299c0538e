"""Canned cycles G73 to G89, spread into their single moves.

References
----------
NISTIR 6556, section 3.5.16, for G81 to G89; G73, G74 and G76 as common controls have them.
"""

import math
from collections.abc import Mapping

from listen.lengths import Place
from listen.program.control import AXES, Control
from listen.program.expression import Wrong, whole
from listen.program.frame import plane_axes
from listen.program.motion import CENTRE_WORDS, straight, target
from listen.spans import SpanKind

CYCLES = (73, 74, 76, 81, 82, 83, 84, 85, 86, 87, 88, 89)
NEEDS_PECK = (73, 83)
MAX_REPEATS = 9999


def cycle(control: Control, code: int, lengths: Mapping[str, float], numbers: Mapping[str, float]) -> None:
    """Run one block of a canned cycle."""
    _refuse(control)
    fresh = control.cycle.start
    along = control.modal.plane
    if math.isnan(fresh):
        control.cycle.start = control.programmed[along]
    _keep_words(control, code, lengths, numbers)
    repeats = whole(numbers.get("L", numbers.get("K", 1.0)), "the number of repeats")
    if not 0 <= repeats <= MAX_REPEATS:
        raise Wrong(f"a cycle is repeated 0 to {MAX_REPEATS} times, got {repeats}")
    if repeats == 0:
        control.note("cycle not run", "a cycle with 0 repeats only keeps its words", "")
        return
    _run(control, code, lengths, repeats)


def _refuse(control: Control) -> None:
    if control.modal.feed_mode == 93:
        raise Wrong("a canned cycle cannot run under G93 (inverse time)")
    if control.modal.compensation != 40:
        raise Wrong("a canned cycle cannot run with cutter compensation on; is G40 missing?")


def _keep_words(
    control: Control, code: int, lengths: Mapping[str, float], numbers: Mapping[str, float]
) -> None:
    """R, Z, P and Q stay from block to block."""
    sticky, axis = control.cycle, AXES[control.modal.plane]
    height = control.programmed[control.modal.plane]
    absolute = control.modal.absolute
    if not absolute and math.isnan(height) and ("R" in lengths or axis in lengths):
        raise Wrong("R and the depth count from a height that is not known under G91; was G91 left on?")
    if "R" in lengths:
        sticky.retract = lengths["R"] if absolute else height + lengths["R"]
    if math.isnan(sticky.retract):
        raise Wrong(f"G{code} needs R, the height where feeding begins")
    if axis in lengths:
        sticky.depth = lengths[axis] if absolute else sticky.retract + lengths[axis]
    if math.isnan(sticky.depth):
        raise Wrong(f"G{code} needs {axis}, the depth of the hole")
    _keep_numbers(control, code, lengths, numbers)


def _keep_numbers(
    control: Control, code: int, lengths: Mapping[str, float], numbers: Mapping[str, float]
) -> None:
    sticky = control.cycle
    if "P" in numbers:
        if not numbers["P"] >= 0.0:
            raise Wrong(f"P, a dwell, cannot be negative, got {numbers['P']:g}")
        sticky.dwell = control.dwell_of(numbers["P"], f"G{code}", whole=numbers["P"].is_integer())
    if "Q" in lengths:
        sticky.peck = lengths["Q"]
    if code in NEEDS_PECK and not sticky.peck > 0.0:
        raise Wrong(f"G{code} needs Q above 0, the depth of one peck")
    a, b = plane_axes(control.modal.plane)
    if code == 87:
        sticky.shift = (lengths.get(CENTRE_WORDS[a], 0.0), lengths.get(CENTRE_WORDS[b], 0.0))
    if code != 87 and sticky.retract < sticky.depth:
        raise Wrong(
            f"R ({control.length(sticky.retract)}) lies below the depth "
            f"({control.length(sticky.depth)}); is a sign wrong?"
        )


def _run(control: Control, code: int, lengths: Mapping[str, float], repeats: int) -> None:
    sticky, along = control.cycle, control.modal.plane
    letters = [AXES[a] for a in plane_axes(along)]
    over = {key: value for key, value in lengths.items() if key.split()[0] in letters}
    clear = sticky.retract
    if control.modal.return_to_start and not math.isnan(sticky.start):
        clear = max(clear, sticky.start)
    if control.programmed[along] < sticky.retract:
        _along(control, SpanKind.RAPID, sticky.retract, code)
    for _ in range(repeats):
        _across(control, target(control, over), code)
        if control.programmed[along] != sticky.retract and code != 87:
            _along(control, SpanKind.RAPID, sticky.retract, code)
        _hole(control, code, clear)


def _hole(control: Control, code: int, clear: float) -> None:
    """Down, at the bottom, and up again."""
    sticky = control.cycle
    if code in NEEDS_PECK:
        _pecks(control, code)
    elif code in (74, 84):
        _tap(control, code, clear)
        return
    elif code == 87:
        _back_bore(control, clear)
        return
    else:
        _along(control, SpanKind.FEED, sticky.depth, code)
    if code in (76, 82, 86, 88, 89) and sticky.dwell > 0.0:
        control.pause(SpanKind.DWELL, sticky.dwell)
    _retract(control, code, clear)


def _retract(control: Control, code: int, clear: float) -> None:
    spindle = control.modal.spindle
    if code in (76, 86, 88):
        control.modal.spindle = 0
        control.pause(SpanKind.SPINDLE)
    if code == 88:
        control.pause(SpanKind.WAIT, 0.0)
        control.note("retract by hand", "G88 stops for the tool to be drawn out by hand", "")
    if code in (85, 89):
        _along(control, SpanKind.FEED, control.cycle.retract, code)
    if control.programmed[control.modal.plane] != clear:
        _along(control, SpanKind.RAPID, clear, code)
    if code in (76, 86, 88) and spindle:
        control.modal.spindle = spindle
        control.pause(SpanKind.SPINDLE)


def _pecks(control: Control, code: int) -> None:
    """G83 leaves the hole after each peck, G73 only breaks the chip."""
    sticky, gap = control.cycle, control.dialect.peck_clearance_mm
    reached = sticky.retract
    while reached > sticky.depth:
        step = max(reached - sticky.peck, sticky.depth)
        _along(control, SpanKind.FEED, step, code)
        reached = step
        if reached <= sticky.depth:
            return
        if code == 83:
            _along(control, SpanKind.RAPID, sticky.retract, code)
            _along(control, SpanKind.RAPID, min(reached + gap, sticky.retract), code)
        else:
            _along(control, SpanKind.RAPID, min(reached + gap, sticky.retract), code)


def _tap(control: Control, code: int, clear: float) -> None:
    """Feed and spindle go together: no override, and a hold may not be obeyed."""
    sticky, spindle = control.cycle, control.modal.spindle
    _along(control, SpanKind.RIGID, sticky.depth, code)
    control.modal.spindle = -spindle
    control.pause(SpanKind.SPINDLE)
    if sticky.dwell > 0.0:
        control.pause(SpanKind.DWELL, sticky.dwell)
    _along(control, SpanKind.RIGID, sticky.retract, code)
    control.modal.spindle = spindle
    control.pause(SpanKind.SPINDLE)
    if control.programmed[control.modal.plane] != clear:
        _along(control, SpanKind.RAPID, clear, code)


def _back_bore(control: Control, clear: float) -> None:
    """G87: down beside the hole, across, bore upwards, and out the same way (from memory)."""
    sticky, spindle = control.cycle, control.modal.spindle
    a, b = plane_axes(control.modal.plane)
    centre = control.programmed
    beside = list(centre)
    beside[a] += sticky.shift[0]
    beside[b] += sticky.shift[1]
    steps: tuple[tuple[int, SpanKind | None, Place | float], ...] = (
        (0, None, (beside[0], beside[1], beside[2])),
        (0, SpanKind.RAPID, min(sticky.depth, sticky.retract)),
        (0, None, centre),
        (spindle, SpanKind.FEED, max(sticky.depth, sticky.retract)),
        (spindle, SpanKind.FEED, min(sticky.depth, sticky.retract)),
        (0, None, (beside[0], beside[1], beside[2])),
        (0, SpanKind.RAPID, clear),
        (0, None, centre),
    )
    for turning, kind, to in steps:
        _turn(control, turning)
        if isinstance(to, tuple):
            _across(control, to, 87)
        elif kind is not None:
            _along(control, kind, to, 87)
    _turn(control, spindle)


def _turn(control: Control, direction: int) -> None:
    if control.modal.spindle != direction:
        control.modal.spindle = direction
        control.pause(SpanKind.SPINDLE)


def _along(control: Control, kind: SpanKind, height: float, code: int) -> None:
    """A move along the cycle's axis."""
    place = list(control.programmed)
    place[control.modal.plane] = height
    _move(control, kind, (place[0], place[1], place[2]), code)


def _across(control: Control, place: Place, code: int) -> None:
    """A rapid in the plane, at the height of now."""
    now = control.programmed
    end = list(place)
    end[control.modal.plane] = now[control.modal.plane]
    if any(a != b and not (math.isnan(a) and math.isnan(b)) for a, b in zip(end, now, strict=True)):
        _move(control, SpanKind.RAPID, (end[0], end[1], end[2]), code)


def _move(control: Control, kind: SpanKind, end: Place, code: int) -> None:
    straight(control, kind, end, cycle=code)
