"""From one line to its words, assignments and flow statement."""

import re
from collections.abc import Callable
from dataclasses import dataclass

from listen.program.expression import Reader, Value, Wrong, known
from listen.program.variables import Variables

PLAIN = re.compile(r"(?:[A-Z][+-]?(?:\d+(?:\.\d*)?|\.\d+))*")
PLAIN_WORD = re.compile(r"([A-Z])([+-]?[\d.]+)")
COMMENT = re.compile(r"\([^()]*\)")
LABEL = re.compile(r"O(?:(\d+)|<([^<>]*)>|(?=[\[#]))")
KEYWORD = re.compile(
    r"ENDSUB|SUB|CALL|RETURN|IF|ELSEIF|ELSE|ENDIF|WHILE|ENDWHILE|DO|REPEAT|ENDREPEAT|BREAK|CONTINUE"
)
NEED_A_VALUE = ("IF", "ELSEIF", "WHILE", "REPEAT")
MAX_LINE = 4000

Word = tuple[str, float | Value, bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """A statement that decides which line comes next.

    Attributes
    ----------
    kind : str
        "goto", "while", "end", "if" (jump), "then", "sub", "call" … in small letters; those
        of labelled blocks begin with "o ".
    label : str | int
        Loop number, subprogram or target.
    values : tuple
        Condition, target or arguments.
    """

    kind: str
    label: str | int = ""
    values: tuple[Value, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What one line says.

    Attributes
    ----------
    words : tuple of (letter, value, whole)
        In the order written, without N; `whole` tells a number without a decimal point.
    assigns : tuple of (key, value)
    flow : Flow | None
    number : int | None
        The N word.
    deleted : bool
        Begins with "/".
    """

    words: tuple[Word, ...] = ()
    assigns: tuple[tuple[Callable[[Variables], int | str], Value], ...] = ()
    flow: Flow | None = None
    number: int | None = None
    deleted: bool = False
    label: int | None = None


def read_line(text: str) -> Line:
    """Words of a line; raises `Wrong` with the reason where it cannot be read."""
    if len(text) > MAX_LINE:
        raise Wrong(f"the line has {len(text)} characters; at most {MAX_LINE} are read")
    text, deleted = _bare(text)
    if PLAIN.fullmatch(text) is not None and not text.startswith("O"):
        return _from_words(_plain_words(text), deleted=deleted)
    return _general(text, deleted)


def _plain_words(text: str) -> list[Word]:
    return [(letter, float(number), "." not in number) for letter, number in PLAIN_WORD.findall(text)]


def _bare(text: str) -> tuple[str, bool]:
    """Capitals without blanks and comments, and whether block delete marks the line."""
    text = text.partition(";")[0] if ";" in text and "(" not in text else text
    if "(" in text or ")" in text:
        text = _without_comments(text)
    text = "".join(text.split()).upper()
    if not text.startswith("/"):
        return text, False
    text = text[1:]
    return (text[1:] if text[:1].isdigit() else text), True


def _without_comments(text: str) -> str:
    bare = COMMENT.sub(" ", text).partition(";")[0]
    if "(" in bare:
        raise Wrong("a comment is not closed, or one stands inside another; give each its own ( )")
    if ")" in bare:
        raise Wrong("a ) closes no comment")
    return bare


def _from_words(words: list[Word], *, deleted: bool) -> Line:
    number = None
    if words and words[0][0] == "N":
        number = _number(words[0])
        words = words[1:]
        if words and words[0][0] == "O":
            return Line(number=number, deleted=deleted, label=_number(words[0]), words=tuple(words[1:]))
    if any(word[0] == "N" for word in words):
        raise Wrong("N must be the first word of a line, and stand there once")
    return Line(words=tuple(words), number=number, deleted=deleted)


def _number(word: Word) -> int:
    letter, value, _ = word
    if not isinstance(value, float) or value != int(value) or value < 0:
        raise Wrong(f"{letter} must be followed by a whole number, not an expression or a fraction")
    return int(value)


def _general(text: str, deleted: bool) -> Line:
    """A line with variables, expressions, labels or flow statements."""
    reader = Reader(text.replace(":", "O", 1) if text.startswith(":") else text)
    number = None
    found = reader.match(re.compile(r"N\d+"))
    if found is not None:
        number = int(found[1:])
    label, flow = _label(reader)
    if flow is None:
        flow = _statement(reader)
    words, assigns = _rest(reader)
    return Line(
        words=tuple(words), assigns=tuple(assigns), flow=flow, number=number, deleted=deleted, label=label
    )


def _label(reader: Reader) -> tuple[int | None, Flow | None]:
    """An O word: the number of a program, or the label of a structured statement."""
    found = LABEL.match(reader.text, reader.at)
    if found is None:
        return None, None
    reader.at = found.end()
    name: str | int = (found.group(2) or "").lower() if found.group(1) is None else int(found.group(1))
    if found.group(1) is None and found.group(2) is None:
        raise Wrong("an O word with a computed number cannot be followed; write the number")
    keyword = reader.match(KEYWORD)
    if keyword is None:
        if isinstance(name, str):
            raise Wrong(f"a statement such as sub, call or while must follow O<{name}>")
        return name, None
    values = []
    while reader.text.startswith("[", reader.at):
        values.append(reader.bracket())
    if keyword in NEED_A_VALUE and len(values) != 1:
        raise Wrong(f"{keyword.lower()} needs one [expression], got {len(values)} before {reader.rest()!r}")
    if reader.rest():
        raise Wrong(f"{keyword.lower()} must stand alone on its line, got {reader.rest()!r}")
    return None, Flow(kind=f"o {keyword.lower()}", label=name, values=tuple(values))


def _statement(reader: Reader) -> Flow | None:
    """IF, GOTO, WHILE, DO or END as common controls have them."""
    if reader.take("IF"):
        return _if(reader)
    if reader.take("GOTO"):
        return Flow(kind="goto", values=(reader.real(),))
    if reader.take("WHILE"):
        condition = reader.bracket()
        if not reader.take("DO"):
            raise Wrong("WHILE [condition] needs DO and a number")
        return Flow(kind="while", label=_loop(reader), values=(condition,))
    if reader.take("DO"):
        return Flow(kind="while", label=_loop(reader))
    if reader.take("END"):
        return Flow(kind="end", label=_loop(reader))
    return None


def _if(reader: Reader) -> Flow:
    condition = reader.bracket()
    if reader.take("GOTO"):
        return Flow(kind="if", values=(condition, reader.real()))
    if reader.take("THEN"):
        return Flow(kind="then", values=(condition,))
    raise Wrong("IF [condition] needs GOTO and a number, or THEN")


def _loop(reader: Reader) -> int:
    digits = reader.match(re.compile(r"\d+"))
    if digits is None:
        raise Wrong("DO and END need a number")
    return int(digits)


def _rest(reader: Reader) -> tuple[list[Word], list[tuple[Callable[[Variables], int | str], Value]]]:
    words: list[Word] = []
    assigns: list[tuple[Callable[[Variables], int | str], Value]] = []
    while reader.at < len(reader.text):
        if reader.text[reader.at] == "#":
            key = reader.variable_key()
            if not reader.take("="):
                raise Wrong(f"a variable is set with =, got {reader.rest()!r}")
            assigns.append((key, reader.open_expression()))
        else:
            words.append(_word(reader))
    if any(word[0] == "N" for word in words):
        raise Wrong("N must be the first word of a line")
    return words, assigns


def _word(reader: Reader) -> Word:
    letter = reader.text[reader.at]
    if letter == ",":
        raise Wrong(
            "a corner rounded or chamfered by ,R or ,C is not followed; write it as a move of its own"
        )
    if not ("A" <= letter <= "Z"):
        raise Wrong(
            f"{letter!r} begins no word; is the line damaged, a comment without brackets, or no G-code?"
        )
    reader.at += 1
    if reader.at >= len(reader.text):
        raise Wrong(f"word {letter} has no number")
    before = reader.at
    try:
        value, is_whole = reader.value()
    except Wrong as wrong:
        raise Wrong(f"word {letter}: {wrong}") from None
    text = reader.text[before : reader.at]
    if text[-1].isdigit() or text[-1] == ".":
        try:
            return letter, float(text), is_whole
        except ValueError:
            pass
    return letter, value, is_whole


def value_of(word: Word, variables: Variables) -> float:
    """The number of a word; an expression is worked out now."""
    value = word[1]
    return value if isinstance(value, float) else known(value, variables)
