"""Lengths as the person reads them: in the unit of the job, whatever is reckoned in mm."""

from listen.errors import InputError

Place = tuple[float, float, float]
"""x, y and z [mm]; of which coordinates is said where it is used."""

MM_PER = {"mm": 1.0, "inch": 25.4}
MORE_DIGITS = {"mm": 0, "inch": 2}


def length_number(mm: float, unit: str, digits: int) -> str:
    """A length as a number, as fine as `digits` of a millimetre; never "-0.00".

    Parameters
    ----------
    mm : float
        [mm]
    unit : str
        "mm" or "inch".
    digits : int
        Digits after the point in mm; inches get two more.

    Raises
    ------
    InputError
        For another unit.

    Examples
    --------
    >>> length_number(6.7, "mm", 2), length_number(6.7, "inch", 2), length_number(-0.001, "mm", 2)
    ('6.70', '0.2638', '0.00')
    """
    if unit not in MM_PER:
        raise InputError(f"a unit of length must be mm or inch, got {unit!r}")
    digits += MORE_DIGITS[unit]
    return f"{round(mm / MM_PER[unit], digits) + 0.0:.{digits}f}"


def length_text(mm: float, unit: str, digits: int) -> str:
    """The same with its unit.

    Examples
    --------
    >>> length_text(7.3, "mm", 1), length_text(7.3, "inch", 1)
    ('7.3 mm', '0.287 inch')
    """
    return f"{length_number(mm, unit, digits)} {unit}"


def feed_text(mm_per_min: float, unit: str) -> str:
    """A feed with its unit, to a hundredth of it at most.

    Examples
    --------
    >>> feed_text(500.0, "mm"), feed_text(508.0, "inch")
    ('500 mm/min', '20 inch/min')
    """
    return f"{round(mm_per_min / MM_PER[unit], 2):g} {unit}/min"


def place_text(place: Place, unit: str) -> str:
    """A place as axes and numbers.

    Examples
    --------
    >>> place_text((25.4, 0.0, -5.08), "inch")
    'X1.0000 Y0.0000 Z-0.2000'
    """
    return " ".join(f"{axis}{length_number(at, unit, 2)}" for axis, at in zip("XYZ", place, strict=True))
