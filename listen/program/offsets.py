"""Codes that move the coordinates: G10, G52, G92, G51, G68.

References
----------
NISTIR 6556, sections 3.5.5 (G10) and 3.5.18 (G92); the others as common controls have them.
"""

import math
from collections.abc import Mapping
from dataclasses import replace

from listen.lengths import Place
from listen.program.control import AXES, OFFSETS, Control
from listen.program.expression import Wrong, whole
from listen.program.frame import ZERO, Frame

Numbers = Mapping[str, float]


def set_offsets(control: Control, lengths: Numbers, numbers: Numbers) -> tuple[str, ...]:
    """G10: L2 sets an offset's origin, L20 so that the place of now reads as given; others the tool table."""
    kind = whole(numbers.get("L", math.nan), "L of G10")
    given = [axis for axis in AXES if axis in lengths]
    control.caution(
        "offsets rewritten",
        f"G10 L{kind} rewrites offsets of the control",
        "compare them with what the operator set before the run",
    )
    if kind in (2, 20):
        name = _offset_of(control, numbers)
        _set_origin(control, name, kind, lengths)
        if name == control.modal.offset:
            _after_rewrite(control, name, kind, lengths)
    elif kind in (1, 10, 11, 12, 13):
        control.forget("Z")
    else:
        raise Wrong(f"word L: G10 L{kind} is not known here; L2, L20, L1 and L10 to L13 are")
    return (*given, "L", "P", "R", "A", "B", "C", "I", "J", "Q", "K")


def _offset_of(control: Control, numbers: Numbers) -> str:
    number = whole(numbers.get("P", 0.0), "P of G10")
    if number == 0:
        return control.modal.offset
    if not 1 <= number <= len(OFFSETS):
        raise Wrong(f"word P: G10 L2 needs P1 to P{len(OFFSETS)} (G54 to G59.3), got {number}")
    return OFFSETS[number - 1]


def _set_origin(control: Control, name: str, kind: int, lengths: Numbers) -> None:
    origin = control.origins.setdefault(name, [math.nan, math.nan, math.nan])
    for i, axis in enumerate(AXES):
        if axis in lengths:
            if kind == 20:
                origin[i] = math.nan
            elif control.modal.absolute:
                origin[i] = lengths[axis]
            else:
                origin[i] += lengths[axis]


def _after_rewrite(control: Control, name: str, kind: int, lengths: Numbers) -> None:
    """The place stays, its coordinates change: known after L20 or an increment, else not."""
    place = list(control.place)
    for i, axis in enumerate(AXES):
        if axis not in lengths:
            continue
        if kind == 20:
            place[i] = lengths[axis]
        else:
            place[i] = math.nan if control.modal.absolute else place[i] - lengths[axis]
    control.place = (place[0], place[1], place[2])
    control.lies_at.pop(name, None)


def local_shift(control: Control, lengths: Numbers, numbers: Numbers) -> tuple[str, ...]:
    """G52: a local zero, measured from the work offset's."""
    local = list(control.frame.local)
    for i, axis in enumerate(AXES):
        if axis in lengths:
            local[i] = lengths[axis]
    control.frame = replace(control.frame, local=(local[0], local[1], local[2]))
    _say_shown(control, "G52")
    return tuple(AXES)


def axis_shift(control: Control, lengths: Numbers, numbers: Numbers) -> tuple[str, ...]:
    """G92: the place of now shall read as given, for all work offsets."""
    given = [axis for axis in AXES if axis in lengths]
    if not given:
        raise Wrong("G92 needs X, Y or Z")
    if not control.frame.is_plain:
        raise Wrong("G92 under G68 or G51 is not followed; cancel them first")
    control.caution(
        "G92",
        "G92 shifts all work offsets and may stay in force after the program",
        "check that nothing is left of an earlier G92, and that the program ends with G92.1",
    )
    place, shift = list(control.place), list(control.frame.shift)
    for i, axis in enumerate(AXES):
        if axis in lengths and math.isnan(place[i]):
            place[i], shift[i] = lengths[axis], -control.frame.local[i]  # the zero is where the tool stands
        elif axis in lengths:
            shift[i] = place[i] - control.frame.local[i] - lengths[axis]
    control.place = (place[0], place[1], place[2])
    control.frame = replace(control.frame, shift=(shift[0], shift[1], shift[2]))
    control.kept_shift = control.frame.shift
    _say_shown(control, "G92")
    return tuple(AXES)


def end_shift(control: Control, *, forget: bool) -> None:
    """G92.1 and G92.2."""
    control.kept_shift = ZERO if forget else control.frame.shift
    control.frame = replace(control.frame, shift=ZERO)


def restore_shift(control: Control) -> None:
    """G92.3: the shift that G92.2 kept."""
    control.frame = replace(control.frame, shift=control.kept_shift)


def rotate(control: Control, lengths: Numbers, numbers: Numbers) -> tuple[str, ...]:
    """G68: turn the coordinates about a point in the plane."""
    if "R" not in numbers:
        raise Wrong("G68 needs R, the angle")
    pivot = _point(control, lengths)
    angle = math.radians(numbers["R"])
    if not control.modal.absolute:
        angle += control.frame.angle
    control.frame = replace(control.frame, angle=angle, pivot=pivot, plane=control.modal.plane)
    _say_shown(control, "G68")
    return (*AXES, "R")


def scale(control: Control, lengths: Numbers, numbers: Numbers) -> tuple[str, ...]:
    """G51: scale about a point by P, or by I, J and K per axis."""
    small = control.dialect.whole_numbers == "thousandths"
    unit = 0.001 if small else 1.0
    if "P" in numbers:
        factors: Place = (numbers["P"] * unit,) * 3
    elif any(letter in numbers for letter in "IJK"):
        factors = (
            numbers.get("I", 1.0 / unit) * unit,
            numbers.get("J", 1.0 / unit) * unit,
            numbers.get("K", 1.0 / unit) * unit,
        )
    else:
        raise Wrong("G51 needs P, or I, J and K, the factors")
    if not all(1e-6 < abs(factor) < 1e6 for factor in factors):
        raise Wrong(f"G51 cannot scale by {factors}; factors must not be 0")
    control.frame = replace(control.frame, factors=factors, centre=_point(control, lengths))
    _say_shown(control, "G51")
    return (*AXES, "P", "I", "J", "K")


def unscale(control: Control, lengths: Numbers, numbers: Numbers) -> tuple[str, ...]:
    """G50."""
    control.frame = control.frame.without_scale()
    return ()


def mirror(control: Control, lengths: Numbers, numbers: Numbers) -> tuple[str, ...]:
    """G51.1: mirror the named axes about the given lines."""
    factors, centre = list(control.frame.factors), list(control.frame.centre)
    for i, axis in enumerate(AXES):
        if axis in lengths:
            factors[i], centre[i] = -abs(factors[i]), lengths[axis]
    control.frame = replace(
        control.frame,
        factors=(factors[0], factors[1], factors[2]),
        centre=(centre[0], centre[1], centre[2]),
    )
    _say_shown(control, "G51.1")
    return tuple(AXES)


def unmirror(control: Control, lengths: Numbers, numbers: Numbers) -> tuple[str, ...]:
    """G50.1: end the mirror of the named axes, or of all."""
    named = [axis for axis in AXES if axis in lengths] or list(AXES)
    x, y, z = (abs(f) if a in named else f for a, f in zip(AXES, control.frame.factors, strict=True))
    control.frame = replace(control.frame, factors=(x, y, z))
    return tuple(AXES)


def _say_shown(control: Control, word: str) -> None:
    """What the sheet says that the control shows may be read otherwise there: controls differ (no source)."""
    if control.frame != Frame():
        control.note(
            "not checked",
            f"{word} moves the coordinates: places told are those of the work offset itself, "
            "the control may show others",
            "find out what this control shows before you compare a place with it",
        )


def _point(control: Control, lengths: Numbers) -> Place:
    """A point given in programmed coordinates; axes not given are where the tool is, or 0 if not known."""
    now = _without_own(control.frame).to_programmed(control.place)
    found = [lengths.get(axis, now[i]) for i, axis in enumerate(AXES)]
    x, y, z = (0.0 if math.isnan(value) else value for value in found)
    return (x, y, z)


def _without_own(frame: Frame) -> Frame:
    return frame.without_turning().without_scale()
