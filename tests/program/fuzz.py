"""Program texts by grammar, broken on purpose: any of them gives moves or one `ProgramError`.

By hand, longer: ``python -m tests.program.fuzz 100000 7`` (how many, seed).
"""

import random
import sys
import time

from listen.errors import ProgramError
from listen.job import Machine, Tool
from listen.program import check_program, program_facts, time_program
from listen.program.dialect import Dialect
from listen.program.reader import read_source_text
from listen.program.text import source_from
from tests.program.reading import job_with

SMALL = Dialect(max_blocks=2_000, max_moves=5_000, max_calls=6)
JOB = job_with(
    Tool(number=1, kind="flat end mill", diameter=10.0, holder_diameter=30.0, stick_out=20.0),
    Tool(number=2, kind="tap", diameter=6.0, pitch=1.0, d=12),
)
G: list[float] = [
    0,
    1,
    2,
    3,
    4,
    9,
    10,
    15,
    16,
    17,
    18,
    19,
    20,
    21,
    28,
    30,
    33,
    40,
    41,
    42,
    43,
    49,
    50,
    51,
    52,
    53,
    54,
    55,
]
G += [
    59.3,
    61,
    64,
    65,
    68,
    69,
    73,
    76,
    80,
    81,
    82,
    83,
    84,
    85,
    86,
    87,
    88,
    89,
    90,
    91,
    92,
    92.1,
    92.3,
    93,
    94,
    95,
]
G += [96, 97, 98, 99, 38.2, 5.1, 43.4, 68.2, 51.1, 50.1]
M = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 13, 19, 29, 30, 48, 49, 60, 98, 99, 97, 123]
VALUES = [
    "0",
    "1",
    "-1",
    "5.",
    ".5",
    "10.25",
    "-3.7",
    "0.001",
    "99999",
    "1e5",
    "#1",
    "[#1+1]",
    "[#2*2]",
    "-#3",
    "",
]
FLOW = [
    "#1=#1+1",
    "#1=0",
    "#[#1+1]=2",
    "#<depth>=5",
    "IF [#1 LT 5] GOTO 10",
    "IF [#1 EQ #0] THEN #1=1",
    "GOTO 20",
    "WHILE [#1 LT 3] DO1",
    "END1",
    "DO2",
    "END2",
    "o100 sub",
    "o100 endsub",
    "o100 call [1] [2]",
    "o101 while [#1 LT 4]",
    "o101 endwhile",
    "o102 if [#1 GT 2]",
    "o102 elseif [#1]",
    "o102 else",
    "o102 endif",
    "o103 repeat [3]",
    "o103 endrepeat",
    "o104 do",
    "o104 while [#1 LT 2]",
    "M98 P200 L2",
    "O200",
    "M99",
    "M99 P10",
    "%",
    "(comment)",
    "(open",
    "; rest",
    "/ G0 X1",
    "#3000=1",
    "#3004=3",
    "#5221=4",
    "G65 P9000 A1",
]
BROKEN = [
    "\0",
    "(",
    ")",
    "[",
    "]",
    "#",
    "##",
    "X",
    "1",
    ".",
    "-",
    "=",
    "%",
    "/",
    ":",
    "\r",
    "\t",
    "é",
    "\ufeff",
    "O",
    "N",
]


def any_line(rng: random.Random) -> str:
    """One line: a statement, or a few words."""
    if rng.random() < 0.2:
        return rng.choice(FLOW)
    words = []
    if rng.random() < 0.3:
        words.append(f"N{rng.randrange(0, 50)}")
    for _ in range(rng.randrange(1, 3)):
        words.append(f"G{rng.choice(G)}" if rng.random() < 0.7 else f"M{rng.choice(M)}")
    for letter in rng.sample("XYZIJKRFSTPQLHDABUE", rng.randrange(0, 5)):
        words.append(letter + rng.choice(VALUES))
    return rng.choice(["", " "]).join(words)


def any_program(rng: random.Random) -> bytes:
    """A program text, often with a readable start, sometimes with broken bytes."""
    lines = ["G90 G21 G17 G54", "T1 M6", "S1000 M3 F100", "G0 X0 Y0 Z5"] if rng.random() < 0.7 else []
    lines += [any_line(rng) for _ in range(rng.randrange(1, 25))]
    text = rng.choice(["\n", "\r\n", "\r"]).join(lines)
    for _ in range(rng.choice([0, 0, 0, 1, 3])):
        at = rng.randrange(0, len(text) + 1)
        text = text[:at] + rng.choice(BROKEN) + text[at + rng.randrange(0, 2) :]
    data = text.encode(rng.choice(["utf-8", "latin-1", "utf-16"]), errors="replace")
    if rng.random() < 0.1:
        data = rng.randbytes(rng.randrange(0, 200))
    return data


def try_program(data: bytes) -> tuple[str, int | None]:
    """Read, time and check; gives "moves" or "refused", and the line that was refused."""
    source = source_from(data, name="fuzz.nc")
    try:
        program = read_source_text(source, job=JOB, dialect=SMALL)
    except ProgramError as error:
        _check(error, len(source.lines))
        return "refused", error.line
    path = time_program(program, Machine())
    check_program(program, path, JOB)
    program_facts(program, path)
    return "moves", None


def _check(error: ProgramError, n_lines: int) -> None:
    assert 1 <= error.line <= max(n_lines, 1)
    assert str(error).startswith("fuzz.nc line ")
    assert "\n" not in str(error)


def try_repaired(data: bytes) -> int:
    """As `try_program`, then again without the line that was refused, until nothing is.

    So the fuzz gets past the first error and deep into the reader. Gives how often it was refused.
    """
    lines = list(source_from(data, name="fuzz.nc").lines)
    for n_refused in range(len(lines) + 1):
        told, line = try_program(data if n_refused == 0 else "\n".join(lines).encode())
        if told == "moves" or line is None or line > len(lines):
            return n_refused
        del lines[line - 1]
    return len(lines)


def main() -> None:
    """Run as many as asked, and say how they went."""
    count, seed = int(sys.argv[1]), int(sys.argv[2])
    rng = random.Random(seed)
    n_refused, slowest = 0, 0.0
    for _ in range(count):
        data = any_program(rng)
        before = time.perf_counter()
        try:
            n_refused += try_repaired(data)
        except Exception:
            print(repr(data))
            raise
        slowest = max(slowest, time.perf_counter() - before)
    print(f"{count} programs from seed {seed}: {n_refused} lines refused, the slowest took {slowest:.2f} s")


if __name__ == "__main__":
    main()
