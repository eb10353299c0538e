"""The first approach of a tool: heights at which it is held, as the control shows them."""

from dataclasses import dataclass

from listen.lengths import Place


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One hold of an approach.

    Attributes
    ----------
    left_mm : float
        Way along the path to the first touch.
    place : (x, y, z)
        What the control shows there, as position [mm, work coordinates].
    to_go_mm : (x, y, z)
        What it shows as distance to go of the block that is running [mm].
    line : int
    block : str
        Its N word, "line 12" or "" where it has none.
    rapid : bool
        Whether the move there is rapid.
    highest_override : float | None
        Highest override at which a press at this rung still stops before the next one
        [percent]; None: it cannot be caught at any.
    compare : bool
        Stop the spindle here and compare the gap with a rule or block.
    """

    left_mm: float
    place: Place
    to_go_mm: Place
    line: int
    rapid: bool
    highest_override: float | None
    compare: bool = False
    block: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """The first touch of one tool under one work offset, and how to come to it.

    Attributes
    ----------
    contact : int
        Id of the tool's first contact under that offset.
    touch : (x, y, z)
        What the control shows at first touch [mm].
    downwards : bool
        Whether the tool comes down onto the work; sideways otherwise.
    rungs : tuple of Rung
        Farthest first.
    offset : str
        The work offset, "G54".
    """

    tool: int
    contact: int
    touch: Place
    downwards: bool
    rungs: tuple[Rung, ...]
    offset: str = "G54"
