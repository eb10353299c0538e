"""Codes by modal group, and the words of one line sorted.

References
----------
NISTIR 6556, section 3.4 (modal groups).
"""

from dataclasses import dataclass, field

from listen.program.control import Control
from listen.program.cycles import CYCLES
from listen.program.expression import Wrong, whole
from listen.program.words import Word, value_of

G_GROUPS: dict[str, tuple[int, ...]] = {
    "motion": (0, 10, 20, 30, 330, 331, *(10 * code for code in CYCLES)),
    "cycle off": (800,),  # beside G0 in the report; common programs write G80 G0 Z50
    "plane": (170, 180, 190),
    "distance": (900, 910),
    "arc distance": (901, 911),
    "feed mode": (930, 940, 950),
    "units": (200, 210),
    "cutter compensation": (400, 410, 420),
    "tool length": (430, 440, 490),
    "return": (980, 990),
    "work offset": (540, 541, 550, 560, 570, 580, 590, 591, 592, 593),
    "path": (610, 611, 640),
    "spindle mode": (960, 970),
    "scaling": (500, 510, 501, 511),
    "rotation": (680, 690),
    "polar": (150, 160),
    "non-modal": (40, 100, 280, 300, 520, 920, 921, 922, 923),
    "machine": (530,),
    "exact": (90,),
}
GROUP_OF = {code: group for group, codes in G_GROUPS.items() for code in codes}
MOTION_ONLY = frozenset(G_GROUPS["motion"])
NOT_FOLLOWED = {
    310: "G31 moves until it is touched (probing)",
    360: "G36 measures a tool or a place",
    370: "G37 measures a tool's length",
    380: "G38 moves until it is touched (probing)",
    382: "G38.2 moves until it is touched (probing)",
    383: "G38.3 moves until it is touched (probing)",
    384: "G38.4 moves until it is released (probing)",
    385: "G38.5 moves until it is released (probing)",
    650: "G65 calls a macro that is in the control",
    660: "G66 calls a macro that is in the control",
    661: "G66.1 calls a macro that is in the control",
    434: "G43.4 turns the tool with the rotary axes (dynamic offset)",
    435: "G43.5 turns the tool with the rotary axes (dynamic offset)",
    542: "G54.2 moves the work offset with the rotary axes (dynamic offset)",
    682: "G68.2 tilts the work plane",
    531: "G53.1 turns the rotary axes",
    881: "G88.1 tilts the work plane",
}
DYNAMIC_ON = {660: 670, 661: 670, 434: 490, 435: 490, 542: 540, 682: 690}
PASSED_OVER = {51, 80, 81, 187, 670, 50, 641, 642}
SPLINES = (50, 51)  # modes of high speed by themselves, curves with axis words
MOST = 1e9
AXIS_USERS = (100, 280, 300, 520, 920, 510, 511, 500, 501, 680)


@dataclass(slots=True)
class Block:
    """The words of one line, sorted."""

    codes: dict[str, int] = field(default_factory=dict)
    g: set[int] = field(default_factory=set)
    m: list[int] = field(default_factory=list)
    numbers: dict[str, float] = field(default_factory=dict)
    wholes: set[str] = field(default_factory=set)
    has_speed: bool = False

    def used(self, *letters: str) -> None:
        """Take words away that were understood."""
        for letter in letters:
            self.numbers.pop(letter, None)


def sort_words(control: Control, words: tuple[Word, ...]) -> Block:
    """Numbers by letter, codes by group; two of one group are an error."""
    block = Block()
    for word in words:
        letter = word[0]
        value = value_of(word, control.variables)
        if not abs(value) <= MOST:
            raise Wrong(f"word {letter}: {value:g} is beyond what any machine has; is a point missing?")
        if letter == "G":
            _sort_code(block, whole(value * 10.0, "ten times a G word"))
        elif letter == "M":
            block.m.append(whole(value, "an M word"))
        elif letter in block.numbers:
            raise Wrong(f"word {letter} stands twice on the line; which one counts?")
        else:
            block.numbers[letter] = value
            if word[2]:
                block.wholes.add(letter)
    return block


def _sort_code(block: Block, code: int) -> None:
    group = GROUP_OF.get(code)
    if group is not None:
        before = block.codes.get(group)
        if before is not None and before != code:
            raise Wrong(f"{g_name(before)} and {g_name(code)} are of one group ({group}); only one can count")
        block.codes[group] = code
    elif code not in PASSED_OVER and code not in NOT_FOLLOWED:
        raise Wrong(
            f"word {g_name(code)} is not known here and could move the tool; take it out or ask its meaning"
        )
    block.g.add(code)


def g_name(code: int) -> str:
    """G word as written: 591 is "G59.1"."""
    return f"G{code // 10}" if code % 10 == 0 else f"G{code // 10}.{code % 10}"
