"""Straight moves and arcs, and moves in machine coordinates."""

import math
from collections.abc import Mapping

from listen.lengths import Place
from listen.program.control import AXES, MACHINE_DECIDES, Control
from listen.program.expression import Wrong
from listen.program.frame import UNKNOWN, plane_axes
from listen.spans import SpanKind

CENTRE_WORDS = "IJK"


def target(control: Control, lengths: Mapping[str, float]) -> Place:
    """Where a block's axis words lead, in programmed coordinates [mm]."""
    now = control.programmed
    place = list(now)
    if control.modal.polar:
        return _polar_target(control, lengths)
    for i, letter in enumerate(AXES):
        if letter in lengths:
            place[i] = lengths[letter] if control.modal.absolute else now[i] + lengths[letter]
    return (place[0], place[1], place[2])


def _polar_target(control: Control, lengths: Mapping[str, float]) -> Place:
    """G16: the plane's first axis word is a radius, the second an angle in degrees, about zero."""
    if not control.modal.absolute:
        raise Wrong("polar coordinates (G16) under G91 are not followed; program them with G90")
    a, b = plane_axes(control.modal.plane)
    now = list(control.programmed)
    radius = lengths.get(AXES[a], math.hypot(now[a], now[b]))
    degrees = lengths.get(f"{AXES[b]} angle", math.degrees(math.atan2(now[b], now[a])))
    now[a] = radius * math.cos(math.radians(degrees))
    now[b] = radius * math.sin(math.radians(degrees))
    along = AXES[control.modal.plane]
    now[control.modal.plane] = lengths.get(along, now[control.modal.plane])
    return (now[0], now[1], now[2])


def straight(control: Control, kind: SpanKind, end: Place, *, cycle: int = 0) -> None:
    """G0 or G1 to a place in programmed coordinates."""
    work = control.frame.to_work(end)
    feed = 0.0
    if kind != SpanKind.RAPID:
        feed = control.path_feed(distance(control.place, work))
    control.go(kind, work, feed=feed, cycle=cycle)


def distance(begin: Place, end: Place) -> float:
    """Length of a straight move over the axes that are known at both ends [mm]."""
    steps = [b - a for a, b in zip(begin, end, strict=True)]
    return math.sqrt(sum(step * step for step in steps if not math.isnan(step)))


def arc(control: Control, clockwise: bool, end: Place, lengths: Mapping[str, float], turns: int) -> None:
    """G2 or G3 to a place in programmed coordinates.

    References
    ----------
    NISTIR 6556, section 3.5.3; the check of the two radii is a setting here.
    """
    axis = control.modal.plane
    begin = control.programmed
    a, b = plane_axes(axis)
    if any(math.isnan(value) for value in (begin[a], begin[b])):
        _from_unknown(control, end, lengths)
        return
    if "R" in lengths:
        centre = _centre_from_radius(control, begin, end, lengths["R"], clockwise)
    else:
        centre = _centre_from_words(control, begin, lengths, axis)
        _check_radii(control, begin, end, centre, axis)
    sweep = _sweep(begin, end, centre, axis, clockwise) + math.copysign(
        2.0 * math.pi * (turns - 1), -1.0 if clockwise else 1.0
    )
    _go_round(control, end, centre, sweep, axis)


def _from_unknown(control: Control, end: Place, lengths: Mapping[str, float]) -> None:
    """An arc whose begin only the control knows: its way is not judged, its end is as it is given."""
    if "R" not in lengths:
        _centre_from_words(control, control.programmed, lengths, control.modal.plane)
    control.note(
        "not judged",
        "an arc begins at a place that is not known: not followed",
        "watch this part by eye; contacts here are not expected and not judged",
    )
    control.go(SpanKind.UNKNOWN, control.frame.to_work(end), seconds=MACHINE_DECIDES)


def _go_round(control: Control, end: Place, centre: Place, sweep: float, axis: int) -> None:
    frame = control.frame
    if frame.uneven(axis):
        raise Wrong("an arc under G51 with uneven factors becomes an ellipse, which is not followed")
    if frame.angle != 0.0 and frame.plane != axis:
        raise Wrong("an arc in another plane than that of G68 is not followed")
    work = frame.to_work(end)
    middle = frame.to_work(centre)
    sweep = -sweep if frame.mirrors(axis) else sweep
    a, b = plane_axes(axis)
    radius = math.hypot(work[a] - middle[a], work[b] - middle[b])
    rise = work[axis] - control.place[axis]
    length = math.hypot(radius * sweep, 0.0 if math.isnan(rise) else rise)
    control.go(SpanKind.FEED, work, centre=middle, sweep=sweep, axis=axis, feed=control.path_feed(length))


def _centre_from_words(control: Control, begin: Place, lengths: Mapping[str, float], axis: int) -> Place:
    a, b = plane_axes(axis)
    words = CENTRE_WORDS[a], CENTRE_WORDS[b]
    if not any(word in lengths for word in words):
        raise Wrong(
            f"G2 and G3 need {words[0]} and {words[1]}, or R; an arc without a centre cannot be timed"
        )
    if CENTRE_WORDS[axis] in lengths and lengths[CENTRE_WORDS[axis]] != 0.0:
        raise Wrong(f"word {CENTRE_WORDS[axis]} has no meaning in this plane; is G17, G18 or G19 missing?")
    centre = list(begin)
    for i, word in ((a, words[0]), (b, words[1])):
        if control.modal.arc_centre_absolute:
            centre[i] = lengths.get(word, begin[i])
        else:
            centre[i] = begin[i] + lengths.get(word, 0.0)
    return (centre[0], centre[1], centre[2])


def _check_radii(control: Control, begin: Place, end: Place, centre: Place, axis: int) -> None:
    a, b = plane_axes(axis)
    first = math.hypot(begin[a] - centre[a], begin[b] - centre[b])
    last = math.hypot(end[a] - centre[a], end[b] - centre[b])
    apart = abs(last - first)
    tolerance = max(control.dialect.arc_tolerance_mm, 0.001 * first)
    if not apart <= tolerance:
        raise Wrong(
            f"the arc does not close: its radius is {control.length(first)} at the start and "
            f"{control.length(last)} at the end, {control.length(apart)} apart (at most "
            f"{control.length(tolerance)}); is I, J or K wrong, or the line before it?"
        )
    if first < 1e-9:
        raise Wrong("the arc has no radius; its centre is its own start")
    if apart > control.dialect.arc_warning_mm:
        control.caution(
            "arc error",
            f"the radii of the arc differ by {control.length(apart)}; "
            f"some controls refuse more than {control.length(control.dialect.arc_warning_mm)}",
            "post the program with more digits, or check I, J and K",
        )


def _centre_from_radius(control: Control, begin: Place, end: Place, radius: float, clockwise: bool) -> Place:
    a, b = plane_axes(control.modal.plane)
    du, dv = end[a] - begin[a], end[b] - begin[b]
    chord = math.hypot(du, dv)
    if not chord > 1e-9:
        raise Wrong("an arc with R needs another end than its start; write a full circle with I, J or K")
    half = chord / 2.0
    if abs(radius) < half - 0.005:
        raise Wrong(
            f"R of {control.length(radius)} is too small: the arc's ends are {control.length(chord)} apart"
        )
    height = math.sqrt(max(radius * radius - half * half, 0.0))
    side = -1.0 if clockwise == (radius > 0.0) else 1.0
    centre = list(begin)
    centre[a] = begin[a] + du / 2.0 - side * height * dv / chord
    centre[b] = begin[b] + dv / 2.0 + side * height * du / chord
    return (centre[0], centre[1], centre[2])


def _sweep(begin: Place, end: Place, centre: Place, axis: int, clockwise: bool) -> float:
    """Angle turned, counter-clockwise positive; a whole turn where the ends coincide."""
    a, b = plane_axes(axis)
    first = math.atan2(begin[b] - centre[b], begin[a] - centre[a])
    last = math.atan2(end[b] - centre[b], end[a] - centre[a])
    turn = (first - last if clockwise else last - first) % (2.0 * math.pi)
    same = math.hypot(end[a] - begin[a], end[b] - begin[b]) < 1e-6
    if same or turn < 1e-12:
        turn = 2.0 * math.pi
    return -turn if clockwise else turn


def home(control: Control, lengths: Mapping[str, float]) -> None:
    """G28 or G30: to the given point in work coordinates, then to the machine's own place."""
    letters = [letter for letter in AXES if letter in lengths]
    if letters:
        through = control.frame.to_work(target(control, lengths))
        if control.modal.absolute and through != control.place:
            words = " ".join(f"{a}{lengths[a] / control.modal.units:g}" for a in letters)
            control.caution(
                "G28 through a work place",
                f"under G90 this goes in rapid to work {words} first, and only then home",
                "do not run this if the work, a clamp or the table is there; write G91 G28 "
                + " ".join(f"{a}0" for a in letters),
            )
        if through != control.place and not all(math.isnan(through[AXES.index(a)]) for a in letters):
            control.go(SpanKind.RAPID, through)
    to_machine(control, letters or list(AXES))


def to_machine(control: Control, letters: list[str]) -> None:
    """A move of these axes to a place in machine coordinates: not known from here on."""
    end = tuple(
        math.nan if letter in letters else value for letter, value in zip(AXES, control.place, strict=True)
    )
    control.go(SpanKind.UNKNOWN, (end[0], end[1], end[2]), seconds=MACHINE_DECIDES)


def not_judged(control: Control, why: str) -> None:
    """Something moves the tool in a way that is not followed."""
    control.note(
        "not judged",
        f"{why}: not followed; the place is unknown until the next absolute position of each axis",
        "watch this part by eye; contacts here are not expected and not judged",
    )
    control.go(SpanKind.UNKNOWN, UNKNOWN, seconds=MACHINE_DECIDES)
