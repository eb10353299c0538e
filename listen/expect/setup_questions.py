"""The questions of `cut-listen job`, each with the answer that the program itself suggests."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from listen.errors import InputError
from listen.expect.facts import Facts
from listen.job import KINDS_OF_RUN, nearest

ZERO_PLACES = ("left front corner", "middle", "left back corner", "right front corner", "right back corner")
ZERO_HEIGHTS = ("top of the stock", "underside of the stock")
_LENGTH = r"(\d+\.?\d*|\.\d+)"
_BELOW = re.compile(rf"{_LENGTH} below( the top( of the stock)?)?")
_INSIDE = re.compile(rf"{_LENGTH}(?: {_LENGTH})? inside (?:the )?(.+ corner)")
USUAL_FLUTES = {"drill": 2, "spot drill": 2, "chamfer mill": 2, "reamer": 6, "tap": 3, "face mill": 5}


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One plain question.

    Attributes
    ----------
    key : str
        Under which its answer is handed back.
    text : str
        What to ask.
    default : str
        What a plain return means; "" where there is no sensible default and an answer may be left out.
    choices : tuple of str
        Where only these are right; for the places of X0 Y0 and Z0 also what `inside_corner` and `below_top`
        read.
    why : str
        What the answer is for.
    """

    key: str
    text: str
    default: str
    choices: tuple[str, ...] = ()
    why: str = ""


def questions(facts: Facts) -> tuple[Question, ...]:
    """At most eight questions, in the order in which to ask them."""
    unit = facts.units
    size = guessed_size(facts)
    return (
        Question(
            key="size",
            text=f"Stock size, X × Y × Z or ⌀ × Z [{unit}]",
            default=" x ".join(f"{v:g}" for v in size),
            why="first touch is worked out from it; measure it",
        ),
        Question(
            key="zero",
            text="Where is X0 Y0 on the stock?",
            default=_guessed_zero(facts),
            choices=ZERO_PLACES,
            why="looking down on the table, X to the right, Y away from you; "
            "of stock that is larger all round, as '2 inside the left front corner'",
        ),
        Question(
            key="z0",
            text="Where is Z0?",
            default=ZERO_HEIGHTS[1] if facts.low[2] >= 0.0 else ZERO_HEIGHTS[0],
            choices=ZERO_HEIGHTS,
            why="or, where a face is milled down to it, how far below the raw top: as '1 below the top'",
        ),
        Question(
            key="material",
            text="Material?",
            default=facts.material,
            why="for power, load and how loud; left out: they are not given",
        ),
        Question(
            key="tools",
            text=f"Tools (number kind diameter [{unit}] flutes, of a tap its pitch; …)",
            default="; ".join(_tool_words(facts)),
            why="compare with what is in the spindle and the magazine",
        ),
        Question(key="kind", text="What run is this?", default=KINDS_OF_RUN[1], choices=KINDS_OF_RUN),
        Question(
            key="overrides",
            text="Feed and rapid override when it starts [percent]",
            default="10 25",
            why="a first run is made slowly",
        ),
        Question(
            key="jaws",
            text=f"Top of the vice jaws, as Z [{unit}] (front and back of the stock; leave out: not checked)",
            default="",
            why="tool and holder are checked against them",
        ),
    )


def guessed_size(facts: Facts) -> tuple[float, float, float]:
    """A first guess of the stock: from zero to what the tool's axis reaches, rounded up, a little below."""
    step = 5.0 if facts.units == "mm" else 0.25
    x, y = (max(step, math.ceil(reach / step) * step) for reach in _reach(facts))
    deep = -facts.low[2] if facts.low[2] < 0.0 else facts.high[2]
    return x, y, max(step, math.ceil((deep + 0.2 * step) / step) * step)


def _reach(facts: Facts) -> tuple[float, float]:
    """How wide and deep a stock must be that has its zero where it is guessed and reaches the tool's axis."""
    zero = _guessed_zero(facts)
    if zero == "middle":
        x, y = (2.0 * max(abs(facts.low[i]), abs(facts.high[i])) for i in (0, 1))
        return x, y
    return (
        -facts.low[0] if "right" in zero else facts.high[0],
        -facts.low[1] if "back" in zero else facts.high[1],
    )


def _guessed_zero(facts: Facts) -> str:
    x = (facts.low[0] + facts.high[0]) / max(facts.high[0] - facts.low[0], 1e-9)
    y = (facts.low[1] + facts.high[1]) / max(facts.high[1] - facts.low[1], 1e-9)
    if abs(x) < 0.25 and abs(y) < 0.25:
        return "middle"
    side = "left" if x >= 0.0 else "right"
    return f"{side} {'front' if y >= 0.0 else 'back'} corner"


def _tool_words(facts: Facts) -> list[str]:
    words = []
    for tool in facts.tools:
        kind = tool.kind or "flat end mill"
        diameter = f"{tool.diameter:g}" if tool.diameter is not None else "?"
        flutes = tool.flutes if tool.flutes is not None else USUAL_FLUTES.get(kind, 3)
        pitch = "" if tool.pitch is None else f" pitch {tool.pitch:.6g}"
        words.append(f"T{tool.number} {kind} {diameter} {flutes}{pitch}")
    return words


def answers_with_defaults(facts: Facts, answers: Mapping[str, str]) -> dict[str, str]:
    """Answers by key, defaults where one is missing or blank.

    Raises
    ------
    InputError
        For an answer that is not right for a question with choices.
    """
    full = {}
    for question in questions(facts):
        given = answers.get(question.key, "").strip() or question.default
        if question.choices and not _is_choice(question, given):
            near = nearest(given, question.choices)
            raise InputError(f"{question.text} {given!r} is not one of {', '.join(question.choices)}{near}")
        full[question.key] = given
    return full


def _is_choice(question: Question, answer: str) -> bool:
    others = {"zero": inside_corner, "z0": below_top}
    return answer in question.choices or (question.key in others and others[question.key](answer) is not None)


def inside_corner(answer: str) -> tuple[str, float, float] | None:
    """Which corner X0 Y0 lies inside of and how far along X and Y, None where an answer does not say it so.

    Examples
    --------
    >>> inside_corner("2 inside the left front corner"), inside_corner("2 .5 inside right back corner")
    (('left front corner', 2.0, 2.0), ('right back corner', 2.0, 0.5))
    """
    found = _INSIDE.fullmatch(answer)
    if not found or found[3] not in ZERO_PLACES:
        return None
    return found[3], float(found[1]), float(found[2] or found[1])


def below_top(answer: str) -> float | None:
    """How far Z0 lies below the top of the stock, None where an answer does not say it so.

    Examples
    --------
    >>> below_top("1.5 below the top"), below_top("underside of the stock")
    (1.5, None)
    """
    found = _BELOW.fullmatch(answer)
    return float(found[1]) if found else None
