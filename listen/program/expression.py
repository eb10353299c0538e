"""Arithmetic of RS-274/NGC: variables, operators, functions.

Conventions
-----------
An expression is compiled once to a function of the variables. Angles are in degrees.
NaN stands for a variable that holds nothing.

References
----------
NISTIR 6556 (2000), sections 3.3.2.2 to 3.3.2.4. Comparisons are not in it; they are as
common controls have them, and bind looser than + and tighter than AND, OR, XOR.
"""

import math
import re
from collections.abc import Callable

from listen.program.variables import Variables

Value = Callable[[Variables], float]

NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)")
OPERATOR = re.compile(r"\*\*|[*/+-]|MOD|AND|OR|XOR|EQ|NE|GT|GE|LT|LE")
FUNCTION = re.compile(r"ABS|ACOS|ASIN|ATAN|COS|EXP|FIX|FUP|LN|ROUND|SIN|SQRT|TAN|EXISTS")
NAME = re.compile(r"<([^<>\[\]#=]*)>")
COMPARISONS = ("EQ", "NE", "GT", "GE", "LT", "LE")
LOGIC = ("AND", "OR", "XOR")
MAX_DEPTH = 40
MAX_VALUE = 1e12


class Wrong(Exception):
    """A reason why a piece of text cannot be read; becomes a `ProgramError` with its line.

    Parameters
    ----------
    reason : str
    line : int | None
        Where it lies, if not in the line that is being read.
    """

    def __init__(self, reason: str, *, line: int | None = None) -> None:
        super().__init__(reason)
        self.line = line


def constant(value: float) -> Value:
    """An expression that is always `value`."""
    return lambda variables: value


class Reader:
    """Reads values off a text in capitals without blanks."""

    def __init__(self, text: str, at: int = 0) -> None:
        self.text = text
        self.at = at
        self._depth = 0

    def rest(self) -> str:
        """What is not read yet, shortened for messages."""
        return self.text[self.at : self.at + 24]

    def take(self, token: str) -> bool:
        """Move over `token` if it comes next."""
        if self.text.startswith(token, self.at):
            self.at += len(token)
            return True
        return False

    def match(self, pattern: re.Pattern[str]) -> str | None:
        """Move over `pattern` if it comes next, and give what matched."""
        found = pattern.match(self.text, self.at)
        if found is None:
            return None
        self.at = found.end()
        return found.group()

    def value(self) -> tuple[Value, bool]:
        """A number, variable, bracket or function, and whether it is a plain whole number."""
        number = self.match(NUMBER)
        if number is not None:
            return constant(float(number)), "." not in number
        return self.real(), False

    def real(self) -> Value:
        """One operand, with sign."""
        self._depth += 1
        if self._depth > MAX_DEPTH:
            raise Wrong(f"brackets are nested more than {MAX_DEPTH} deep")
        try:
            return self._real()
        finally:
            self._depth -= 1

    def _real(self) -> Value:
        if self.take("-"):
            inner = self.real()
            return lambda variables: -known(inner, variables)
        if self.take("+"):
            return self.real()
        number = self.match(NUMBER)
        if number is not None:
            return constant(float(number))
        if self.text.startswith("#", self.at):
            return self.variable()
        if self.text.startswith("[", self.at):
            return self.bracket()
        name = self.match(FUNCTION)
        if name is not None:
            return self._function(name)
        raise Wrong(f"a number, #variable or [expression] must stand at {self.rest()!r}")

    def variable(self) -> Value:
        """``#5``, ``##5``, ``#[..]`` or ``#<name>`` as a value."""
        key = self.variable_key()
        return lambda variables: variables.read(key(variables))

    def variable_key(self) -> Callable[[Variables], int | str]:
        """The number or name of the variable that comes next."""
        if not self.take("#"):
            raise Wrong(f"a #variable must stand at {self.rest()!r}")
        found = NAME.match(self.text, self.at)
        if found is not None:
            self.at = found.end()
            name = found.group(1).lower()
            return lambda variables: name
        inner = self.real()
        return lambda variables: whole(known(inner, variables), "the number of a variable")

    def bracket(self) -> Value:
        """``[ expression ]``."""
        if not self.take("["):
            raise Wrong(f"an expression needs brackets at {self.rest()!r}")
        inner = self.open_expression()
        if not self.take("]"):
            raise Wrong(f"an operator or ] must stand at {self.rest()!r}")
        return inner

    def open_expression(self) -> Value:
        """Operands and operators as far as they go, as common controls take them after ``=``."""
        operands, operators = [self.real()], list[str]()
        while (operator := self.match(OPERATOR)) is not None:
            operators.append(operator)
            operands.append(self.real())
        return _combine(operands, operators)

    def _function(self, name: str) -> Value:
        if name == "EXISTS":
            return self._exists()
        first = self.bracket()
        if name != "ATAN":
            function = FUNCTIONS[name]
            return lambda variables: _finite(function(known(first, variables)), name)
        second = self.bracket() if self.take("/") else constant(1.0)
        return lambda variables: math.degrees(math.atan2(known(first, variables), known(second, variables)))

    def _exists(self) -> Value:
        if not self.take("["):
            raise Wrong("EXISTS needs [#<name>]")
        key = self.variable_key()
        if not self.take("]"):
            raise Wrong("EXISTS needs [#<name>]")
        return lambda variables: 1.0 if variables.is_set(key(variables)) else 0.0


def whole(value: float, what: str) -> int:
    """`value` as an integer; RS-274/NGC takes what is within 0.0001 of one."""
    if not abs(value) < MAX_VALUE or abs(value - round(value)) > 0.0001:
        raise Wrong(f"{what} must be a whole number, got {value:g}")
    return round(value)


def _finite(value: float, name: str) -> float:
    if not abs(value) < MAX_VALUE:
        raise Wrong(f"{name} gives {value}, which no control can use")
    return value


def _combine(operands: list[Value], operators: list[str]) -> Value:
    """One function of a flat row of operands, by the strength of the operators between them."""
    compared = any(operator in COMPARISONS for operator in operators)
    for level in _levels(compared):
        kept, between = [operands[0]], list[str]()
        for operator, operand in zip(operators, operands[1:], strict=True):
            if operator in level:
                kept[-1] = _apply(operator, kept[-1], operand)
            else:
                between.append(operator)
                kept.append(operand)
        operands, operators = kept, between
    return operands[0]


def _levels(compared: bool) -> tuple[tuple[str, ...], ...]:
    """Operators from tight to loose; without a comparison as in NISTIR 6556."""
    first, second = ("**",), ("*", "/", "MOD")
    if compared:
        return first, second, ("+", "-"), COMPARISONS, LOGIC
    return first, second, ("+", "-", *LOGIC)


def _apply(operator: str, left: Value, right: Value) -> Value:
    function = OPERATIONS[operator]
    if operator in ("EQ", "NE"):
        return lambda variables: function(left(variables), right(variables))
    return lambda variables: _finite(function(known(left, variables), known(right, variables)), operator)


def known(value: Value, variables: Variables) -> float:
    """The value, which must not be nothing."""
    result = value(variables)
    if math.isnan(result):
        name = "#0" if variables.unset is None else _shown(variables.unset)
        raise Wrong(
            f"{name} is not set in the program; its value lives in the control and cannot be known here: "
            f'give it in the job, [machine] dialect = {{variables = {{"{name.lstrip("#")}" = 0.0}}}}'
        )
    return result


def _shown(key: int | str) -> str:
    return f"#{key}" if isinstance(key, int) else f"#<{key}>"


def _divide(left: float, right: float) -> float:
    if right == 0.0:
        raise Wrong("division by zero")
    return left / right


def _modulo(left: float, right: float) -> float:
    if right == 0.0:
        raise Wrong("MOD by zero")
    return left % abs(right)


def _power(left: float, right: float) -> float:
    try:
        result = left**right
    except (OverflowError, ZeroDivisionError):
        raise Wrong(f"{left:g} ** {right:g} has no value") from None
    if isinstance(result, complex):
        raise Wrong(f"{left:g} ** {right:g} has no real value")
    return float(result)


def _domain(name: str, function: Callable[[float], float]) -> Callable[[float], float]:
    def inside(value: float) -> float:
        try:
            return function(value)
        except (ValueError, OverflowError):
            raise Wrong(f"{name} of {value:g} has no value") from None

    return inside


def _round(value: float) -> float:
    return math.copysign(math.floor(abs(value) + 0.5), value) if value else 0.0


def _equal(left: float, right: float) -> float:
    """Two that hold nothing are equal; comparisons are exact otherwise."""
    if math.isnan(left) or math.isnan(right):
        return 1.0 if math.isnan(left) and math.isnan(right) else 0.0
    return 1.0 if left == right else 0.0


OPERATIONS: dict[str, Callable[[float, float], float]] = {
    "**": _power,
    "*": lambda left, right: left * right,
    "/": _divide,
    "MOD": _modulo,
    "+": lambda left, right: left + right,
    "-": lambda left, right: left - right,
    "AND": lambda left, right: 1.0 if left != 0.0 and right != 0.0 else 0.0,
    "OR": lambda left, right: 1.0 if left != 0.0 or right != 0.0 else 0.0,
    "XOR": lambda left, right: 1.0 if (left != 0.0) != (right != 0.0) else 0.0,
    "EQ": _equal,
    "NE": lambda left, right: 1.0 - _equal(left, right),
    "GT": lambda left, right: 1.0 if left > right else 0.0,
    "GE": lambda left, right: 1.0 if left >= right else 0.0,
    "LT": lambda left, right: 1.0 if left < right else 0.0,
    "LE": lambda left, right: 1.0 if left <= right else 0.0,
}

FUNCTIONS: dict[str, Callable[[float], float]] = {
    "ABS": abs,
    "ACOS": _domain("ACOS", lambda value: math.degrees(math.acos(value))),
    "ASIN": _domain("ASIN", lambda value: math.degrees(math.asin(value))),
    "COS": lambda value: math.cos(math.radians(value)),
    "EXP": _domain("EXP", math.exp),
    "FIX": _domain("FIX", lambda value: float(math.floor(value))),
    "FUP": _domain("FUP", lambda value: float(math.ceil(value))),
    "LN": _domain("LN", math.log),
    "ROUND": _domain("ROUND", _round),
    "SIN": lambda value: math.sin(math.radians(value)),
    "SQRT": _domain("SQRT", math.sqrt),
    "TAN": lambda value: math.tan(math.radians(value)),
}
