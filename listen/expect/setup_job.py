"""From the answers of `cut-listen job` to the text of a job file, and what is not right in an answer."""

import re
from collections.abc import Mapping
from fractions import Fraction

from listen.errors import InputError
from listen.expect.facts import Facts
from listen.expect.setup_questions import ZERO_HEIGHTS, answers_with_defaults, below_top, inside_corner
from listen.job import KINDS_OF_TOOL, nearest

_TOOL = re.compile(
    r"[Tt]?(?P<number>\d+)\s+(?P<kind>[a-z ]+?)\s+(?P<diameter>[\d.?/]+)"
    r"(?:\s+(?P<flutes>\d+)(?:\s*flutes?)?)?(?:\s+pitch\s+(?P<pitch>[\d.]+))?"
)


def check_answer(facts: Facts, key: str, answers: Mapping[str, str]) -> None:
    """Look at one answer as soon as it is given, beside those given before.

    Raises
    ------
    InputError
        Where it cannot become part of a job.
    """
    full = answers_with_defaults(facts, answers)
    if key in ("size", "zero", "z0"):
        stock_table(facts, full)
    elif key == "tools":
        tool_tables(full)
    elif key == "overrides":
        _machine(full)
    elif key == "jaws" and full["jaws"]:
        _jaws(facts, full)


def _numbers_in(text: str) -> list[float]:
    return [float(item) for item in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", text)]


def stock_table(facts: Facts, answers: Mapping[str, str]) -> str:
    """The [stock] table of the job file.

    Raises
    ------
    InputError
        Where the size is not two or three lengths above 0, or Z0 does not lie in it.
    """
    size = _numbers_in(answers["size"].replace("−", "-"))
    if len(size) not in (2, 3) or not all(v > 0.0 for v in size):
        raise InputError(
            f"stock size must be three lengths X x Y x Z, or diameter x Z, as 80x50x20 or 40.5x60, "
            f"got {answers['size']!r}"
        )
    top = _top(answers["z0"], size[-1])
    z = (top - size[-1], top)
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


def _top(z0: str, high: float) -> float:
    """Where the top of a stock so high lies, as Z."""
    if z0 in ZERO_HEIGHTS:
        return 0.0 if z0 == ZERO_HEIGHTS[0] else high
    below = below_top(z0)
    if below is None or not below < high:
        raise InputError(f"Z0 must lie in the stock, {high:g} high, got {z0!r}")
    return below


def _corner(zero: str, width: float, depth: float) -> tuple[float, float]:
    """West and south edge of the stock, for where zero lies on it or within."""
    if zero == "middle":
        return -width / 2.0, -depth / 2.0
    place, x, y = inside_corner(zero) or (zero, 0.0, 0.0)
    if not (x < width and y < depth):
        raise InputError(f"X0 Y0 must lie on the stock, {width:g} by {depth:g}, got {zero!r}")
    return (x - width if "right" in place else -x) + 0.0, (y - depth if "back" in place else -y) + 0.0


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def tool_tables(answers: Mapping[str, str]) -> str:
    """The [[tools]] tables of the job file.

    Raises
    ------
    InputError
        Where a tool is not given as number, kind, diameter and flutes.
    """
    items = (part.strip() for part in answers["tools"].split(";"))
    return "\n\n".join(_tool_table(item, answers["tools"]) for item in items if item)


def _tool_table(item: str, asked: str) -> str:
    found = _TOOL.fullmatch(item)
    if not found:
        raise InputError(
            f"tool {item!r} must be number, kind, diameter and flutes, as in "
            f'"T1 flat end mill 12 3"; kinds are {", ".join(KINDS_OF_TOOL)}'
        )
    number, kind, diameter, flutes, pitch = found.groups()
    if "?" in diameter:
        raise InputError(
            f"the program does not say how wide T{number} is; check kind, diameter and flutes "
            "of every tool, and write the diameter for the ?: "
            f'`cut-listen job PROGRAM --tools "{asked}"`'
        )
    if kind not in KINDS_OF_TOOL:
        raise InputError(
            f"tool {number}: {kind!r} is not one of {', '.join(KINDS_OF_TOOL)}{nearest(kind, KINDS_OF_TOOL)}"
        )
    lines = ["[[tools]]", f"number = {int(number)}", f"kind = {_quoted(kind)}"]
    lines.append(f"diameter = {_length(diameter, f'diameter of T{number}'):.10g}")
    lines += [f"flutes = {int(flutes)}"] if flutes else []
    lines += [f"pitch = {_length(pitch, f'pitch of T{number}'):.10g}"] if pitch else []
    return "\n".join(lines)


def _length(text: str, what: str) -> float:
    """A length as a person writes it, "12", ".5" or "3/8"."""
    try:
        return float(Fraction(text))
    except (ValueError, ArithmeticError):
        raise InputError(f"{what} must be one number, as 12, .5 or 3/8, got {text!r}") from None


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
        raise InputError(f"top of the jaws must be one number, as -5, or left out, got {answers['jaws']!r}")
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
            f"overrides must be two numbers 0 to 200, feed and rapid, as '10 25'; "
            f"got {answers['overrides']!r}"
        )
    return f"[machine]\nfeed_override = {percents[0]:g}\nrapid_override = {percents[1]:g}"
