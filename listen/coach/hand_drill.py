"""Your hand, your machine: a small program in the air whose turns the learner does not know.

The learner presses the machine's own hold at each turn and reads the axes; how far the axis went past the
turn is the travel of this person at this machine, with no cable and no clock.

Conventions
-----------
Lengths are mm in work coordinates, feeds mm/min; what is typed and written is in the job's unit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from listen.errors import InputError
from listen.lengths import MM_PER, feed_text, length_number, length_text

LEAST_HEIGHT_MM = 50.0
LONGEST_PRESS_S = 2.0  # a leg lasts at least as long, so that a slow hold still ends on it
SPARE_MM = 30.0
OFF_LINE_MM = 0.5
GRID_MM = {"mm": 0.1, "inch": 0.254}
"""Of which the legs are multiples: a tenth of a millimetre, a hundredth of an inch."""
UNIT_WORD = {"mm": "G21", "inch": "G20"}
CAUTIONS = (
    "For a class with an instructor, who checks this program and runs it once alone before the learner does.",
    "The manual of the machine and local rules go first; where they say otherwise, do not run it.",
    "Nothing may stand in or reach into the box below: look at clamps, jaws, tool, holder, hose and door.",
    "The program moves X and Y only. Jog Z by hand to the height named below, tool tip well over everything.",
    "Spindle stopped, door closed, feed override at 100 percent.",
    "One hand on feed hold, emergency stop in reach.",
    "The learner does not see the listing or the distance to go.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """The program and its secret.

    Attributes
    ----------
    program : str
        G-code.
    points : tuple of (x, y)
        Start, turns, end; every point but the first and last is a turn [mm].
    height : float
    feed : float
    units : str
        Of the program's words: "mm" or "inch".
    """

    program: str
    points: tuple[tuple[float, float], ...]
    height: float
    feed: float
    units: str = "mm"

    @property
    def n_turns(self) -> int:
        """How often it turns."""
        return len(self.points) - 2


def make_drill(
    *,
    low: tuple[float, float],
    high: tuple[float, float],
    height: float,
    top: float,
    feed: float,
    rng: np.random.Generator,
    n_turns: int = 8,
    units: str = "mm",
) -> Drill:
    """A program that goes along X and Y by turns, of lengths that are drawn; it never moves Z.

    Parameters
    ----------
    low, high : (x, y)
        The free area in work coordinates [mm].
    height : float
        Z to which the instructor jogs the tool's tip [mm].
    top : float
        Z of the highest thing in the area: work, clamp, jaw [mm].
    feed : float
        [mm/min]
    rng : Generator
    n_turns : int
    units : str
        Of the program and of what is said: "mm" or "inch".

    Raises
    ------
    InputError
        If the height is not at least 50 mm over the highest thing, or the area is too small for the feed.
    """
    if not height - top >= LEAST_HEIGHT_MM:
        raise InputError(
            f"the drill runs at least {length_text(LEAST_HEIGHT_MM, units, 0)} over the highest thing, "
            f"got height {length_number(height, units, 1)} over top {length_number(top, units, 1)}; "
            "raise the height"
        )
    if not 0.0 < feed < np.inf or n_turns < 1:
        raise InputError(f"feed must be above 0 and turns 1 or more, got {feed:g} and {n_turns}")
    shortest = feed / 60.0 * LONGEST_PRESS_S
    sizes = np.subtract(high, low)
    if not (sizes >= 2.0 * (shortest + SPARE_MM)).all():
        raise InputError(
            f"at {feed_text(feed, units)} the drill needs an area of "
            f"{length_text(2 * (shortest + SPARE_MM), units, 0)} each way, got "
            f"{length_number(float(sizes[0]), units, 0)} by {length_number(float(sizes[1]), units, 0)}; "
            "lower the feed or free more room"
        )
    points = _draw_points(np.array(low), np.array(high), shortest, n_turns, rng, GRID_MM[units])
    program = _written(points, low, high, height, feed, units)
    return Drill(program=program, points=points, height=height, feed=feed, units=units)


def read_drill(text: str, *, units: str = "mm") -> Drill:
    """A drill as an instructor asks for it, with turns drawn anew each time.

    Parameters
    ----------
    text : str
        The free box and how it is run, as "x 0 200 y 0 150 z 120 top 60 feed 500" [units, units/min].
    units : str
        "mm" or "inch".

    Raises
    ------
    InputError
        If a word is missing or is none, or the box does not do.
    """
    words, wanted = text.replace(",", " ").lower().split(), {"x": 2, "y": 2, "z": 1, "top": 1, "feed": 1}
    told: dict[str, list[float]] = {}
    try:
        while words:
            name = words.pop(0)
            told[name] = [float(words.pop(0)) for _ in range(wanted[name])]
    except (KeyError, IndexError, ValueError):
        told = {}
    if set(told) != set(wanted):
        raise InputError(
            f"the drill is asked for as 'x 0 200 y 0 150 z 120 top 60 feed 500': the free box, the height of "
            f"the path, the top of the highest thing below it, the feed, in {units}; got {text!r}"
        )
    told = {name: [value * MM_PER[units] for value in values] for name, values in told.items()}
    (x0, x1), (y0, y1) = told["x"], told["y"]
    return make_drill(
        low=(x0, y0),
        high=(x1, y1),
        height=told["z"][0],
        top=told["top"][0],
        feed=told["feed"][0],
        rng=np.random.default_rng(),
        units=units,
    )


def _draw_points(
    low: np.ndarray, high: np.ndarray, shortest: float, n_turns: int, rng: np.random.Generator, grid: float
) -> tuple[tuple[float, float], ...]:
    """Legs along X and Y by turns, each long enough, each inside, each a whole number of `grid` [mm]."""
    place = low.astype(np.float64)
    points = [place.copy()]
    for leg in range(n_turns + 1):
        axis = leg % 2
        length = grid * round(float(rng.uniform(shortest, shortest + SPARE_MM)) / grid)
        ways = [way for way in (1.0, -1.0) if low[axis] <= place[axis] + way * length <= high[axis]]
        place[axis] = round(float(place[axis] + rng.choice(ways) * length), 6)
        points.append(place.copy())
    return tuple((float(x), float(y)) for x, y in points)


def _written(
    points: Sequence[tuple[float, float]],
    low: tuple[float, float],
    high: tuple[float, float],
    height: float,
    feed: float,
    units: str,
) -> str:
    x0, x1, y0, y1, z = (_word(mm, units) for mm in (low[0], high[0], low[1], high[1], height))
    box = f"box: x {x0} to {x1}, y {y0} to {y1}, tool tip at z {z}"
    comments = [f"({_plain(text)})" for text in (*CAUTIONS, f"{box} {units}, work offset g54")]
    by = _word(feed, units)
    moves = [f"G1 X{_word(x, units)} Y{_word(y, units)} F{by}" for x, y in points]
    head = [
        f"{UNIT_WORD[units]} G17 G90 G94 G40 G80",
        "M5",
        "G54",
        "M0 (the instructor has checked all of the above)",
    ]
    lines = [*head, moves[0], "M0 (the learner has a hand on feed hold)", *moves[1:], "M30"]
    return "\n".join(["%", *comments, *lines, "%", ""])


def _word(mm: float, units: str) -> str:
    """A length or feed as the program writes it: with a point, as fine as a control takes it."""
    return length_number(mm, units, 3 if units == "mm" else 2)


def _plain(text: str) -> str:
    return text.replace("(", "").replace(")", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One hold: `turn` (from 1), and how far past it the axes stood [mm] and how long that took [s]."""

    turn: int
    travel_mm: float
    seconds: float


def judge_holds(drill: Drill, read: Sequence[tuple[float, float]]) -> tuple[Held | None, ...]:
    """What typed axis positions mean.

    Parameters
    ----------
    drill : Drill
    read : sequence of (x, y)
        In the order of the holds, as the machine's screen showed them after standstill [mm].

    Returns
    -------
    tuple of Held | None
        None where the position lies on no leg after a turn (pressed before the first turn, misread, another
        offset). Legs may cross; then the first one after the turn before is meant.
    """
    held: list[Held | None] = []
    from_turn = 1
    for place in read:
        found = next(
            (one for turn in range(from_turn, drill.n_turns + 1) if (one := _on_leg(drill, turn, place))),
            None,
        )
        from_turn = found.turn + 1 if found else from_turn
        held.append(found)
    return tuple(held)


def _on_leg(drill: Drill, turn: int, place: tuple[float, float]) -> Held | None:
    begin, end = np.array(drill.points[turn]), np.array(drill.points[turn + 1])
    length = float(np.linalg.norm(end - begin))
    along = float((np.array(place) - begin) @ (end - begin)) / length
    beside = float(np.linalg.norm(np.array(place) - begin - along * (end - begin) / length))
    if not (beside <= OFF_LINE_MM and 0.0 <= along <= length):
        return None
    return Held(turn=turn, travel_mm=along, seconds=along / (drill.feed / 60.0))
