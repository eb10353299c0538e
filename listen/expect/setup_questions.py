"""The questions of `cut-listen job`: from what a program tells to a job file and a sentence said back.

Nothing here asks or prints: it gives questions, takes answers as text, and gives the job as text.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from listen.errors import InputError
from listen.expect.facts import Facts
from listen.job import KINDS_OF_RUN, KINDS_OF_TOOL, nearest

ZERO_PLACES = ("left front corner", "middle", "left back corner", "right front corner", "right back corner")
ZERO_HEIGHTS = ("top of the stock", "underside of the stock")
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
        Where only these are right.
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
            why="looking down on the table, X to the right, Y away from you",
        ),
        Question(
            key="z0",
            text="Where is Z0?",
            default=ZERO_HEIGHTS[1] if facts.low[2] >= 0.0 else ZERO_HEIGHTS[0],
            choices=ZERO_HEIGHTS,
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
        For an answer that is not one of the choices.
    """
    full = {}
    for question in questions(facts):
        given = answers.get(question.key, "").strip() or question.default
        if question.choices and given not in question.choices:
            near = nearest(given, question.choices)
            raise InputError(f"{question.text} {given!r} is not one of {', '.join(question.choices)}{near}")
        full[question.key] = given
    return full


def check_answer(facts: Facts, key: str, answer: str) -> None:
    """Look at one answer as soon as it is given.

    Raises
    ------
    InputError
        Where it cannot become part of a job.
    """
    full = {**{question.key: question.default for question in questions(facts)}, key: answer}
    if key == "size":
        stock_table(facts, full)
    elif key == "tools":
        tool_tables(full)
    elif key == "overrides":
        _machine(full)
    elif key == "jaws" and answer:
        _jaws(facts, full)


def _numbers_in(text: str) -> list[float]:
    return [float(item) for item in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", text)]


def stock_table(facts: Facts, answers: Mapping[str, str]) -> str:
    """The [stock] table of the job file.

    Raises
    ------
    InputError
        Where the size is not two or three lengths above 0.
    """
    size = _numbers_in(answers["size"].replace("−", "-"))
    if len(size) not in (2, 3) or not all(v > 0.0 for v in size):
        raise InputError(
            f"stock size must be three lengths X x Y x Z, or diameter x Z, got {answers['size']!r}"
        )
    high = size[-1]
    z = (-high, 0.0) if answers["z0"] == ZERO_HEIGHTS[0] else (0.0, high)
    lines = (
        ["[stock]"]
        if facts.offsets[0] == "G54"
        else ["[[setup]]", f'offset = "{facts.offsets[0]}"', "[setup.stock]"]
    )
    if len(size) == 2:
        x, y = _corner(answers["zero"], size[0], size[0])
        centre = f"[{x + size[0] / 2:.10g}, {y + size[0] / 2:.10g}]"
        lines.append(
            f"cylinder = {{ center = {centre}, diameter = {size[0]:.10g}, z = [{z[0]:.10g}, {z[1]:.10g}] }}"
        )
    else:
        x, y = _corner(answers["zero"], size[0], size[1])
        lines.append(f"min = [{x:.10g}, {y:.10g}, {z[0]:.10g}]")
        lines.append(f"max = [{x + size[0]:.10g}, {y + size[1]:.10g}, {z[1]:.10g}]")
    if answers["material"]:
        lines.append(f"material = {_quoted(answers['material'])}")
    return "\n".join(lines)


def _corner(place: str, width: float, depth: float) -> tuple[float, float]:
    """West and south edge of the stock, for where zero lies on it."""
    if place == "middle":
        return -width / 2.0, -depth / 2.0
    return (-width if "right" in place else 0.0), (-depth if "back" in place else 0.0)


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def tool_tables(answers: Mapping[str, str]) -> str:
    """The [[tools]] tables of the job file.

    Raises
    ------
    InputError
        Where a tool is not given as number, kind, diameter and flutes.
    """
    tables = []
    for item in filter(None, (part.strip() for part in answers["tools"].split(";"))):
        found = re.fullmatch(
            r"[Tt]?(\d+)\s+([a-z ]+?)\s+([\d.?/]+)(?:\s+(\d+)(?:\s*flutes?)?)?(?:\s+pitch\s+([\d.]+))?", item
        )
        if found and "?" in found.group(3):
            raise InputError(
                f"the program does not say how wide T{found.group(1)} is; check kind, diameter and flutes "
                "of every tool, and write the diameter for the ?: "
                f'`cut-listen job PROGRAM --tools "{answers["tools"]}"`'
            )
        if not found:
            raise InputError(
                f"tool {item!r} must be number, kind, diameter and flutes, as in "
                f'"T1 flat end mill 12 3"; kinds are {", ".join(KINDS_OF_TOOL)}'
            )
        number, kind, diameter, flutes, pitch = found.groups()
        if kind not in KINDS_OF_TOOL:
            raise InputError(
                f"tool {number}: {kind!r} is not one of {', '.join(KINDS_OF_TOOL)}"
                f"{nearest(kind, KINDS_OF_TOOL)}"
            )
        above, _, below = diameter.partition("/")
        size = float(above) / float(below) if below else float(above)
        lines = ["[[tools]]", f"number = {int(number)}", f"kind = {_quoted(kind)}", f"diameter = {size:.10g}"]
        lines += [f"flutes = {int(flutes)}"] if flutes else []
        lines += [f"pitch = {float(pitch):.10g}"] if pitch else []
        tables.append("\n".join(lines))
    return "\n\n".join(tables)


def job_text(
    facts: Facts,
    answers: Mapping[str, str],
    *,
    machine_from: str | None = None,
    tools_from: str | None = None,
    tool_columns: Mapping[str, str] | None = None,
) -> str:
    """The job file, ready to be written beside the program.

    Parameters
    ----------
    facts : Facts
    answers : mapping
        By `Question.key`; what is missing takes its default.
    machine_from : str | None
        Name of a machine file kept once.
    tools_from, tool_columns
        Name of a tool table and which of its columns is which key.
    """
    full = answers_with_defaults(facts, answers)
    head = [f"program = {_quoted(facts.program)}", f'units = "{facts.units}"', f'kind = "{full["kind"]}"']
    if machine_from is not None:
        head.append(f"machine_from = {_quoted(machine_from)}")
    if tools_from is not None:
        head.append(f"tools_from = {_quoted(tools_from)}")
    parts = ["\n".join(head)]
    if tools_from is not None and tool_columns:
        columns = "\n".join(f"{key} = {_quoted(column)}" for key, column in tool_columns.items())
        parts.append(f"[tool_columns]\n{columns}")
    parts.append(stock_table(facts, full))
    if full["jaws"]:
        parts.append(_jaws(facts, full))
    if tools_from is None:
        parts.append(tool_tables(full))
    parts.append(_machine(full))
    return "\n\n".join(parts) + "\n"


def _jaws(facts: Facts, answers: Mapping[str, str]) -> str:
    """Two boxes before and behind the stock, as wide as a vice of that size."""
    top = _numbers_in(answers["jaws"])
    size = _numbers_in(answers["size"])
    if len(top) != 1:
        raise InputError(f"top of the jaws must be one number, got {answers['jaws']!r}")
    width, depth = size[0], size[-2]
    x, y = _corner(answers["zero"], width, depth)
    reach, deep = (60.0, 80.0) if facts.units == "mm" else (2.5, 3.0)
    boxes = (("front jaw", y - reach, y), ("back jaw", y + depth, y + depth + reach))
    return "\n\n".join(
        f'[[keep_out]]\nname = "{name}"\n'
        f"min = [{x - reach / 3:.10g}, {south:.10g}, {top[0] - deep:.10g}]\n"
        f"max = [{x + width + reach / 3:.10g}, {north:.10g}, {top[0]:.10g}]"
        for name, south, north in boxes
    )


def _machine(answers: Mapping[str, str]) -> str:
    percents = _numbers_in(answers["overrides"])
    if len(percents) != 2 or not all(0.0 <= p <= 200.0 for p in percents):
        raise InputError(
            f"overrides must be two numbers 0 to 200, feed and rapid; got {answers['overrides']!r}"
        )
    return f"[machine]\nfeed_override = {percents[0]:g}\nrapid_override = {percents[1]:g}"
